package grpcapi_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// The log has the messages of one patient of a stream in the order sent, a merge in the order of
// both its patients, and a message about the unit before all that were sent after it.
func TestAFeedKeepsTheOrderOfEachPatient(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	number := 0
	rapid.Check(t, func(r *rapid.T) {
		type sent struct {
			about []string // patients; none means the unit
			m     *v1.FeedRequest
		}
		var all []sent
		for range rapid.IntRange(2, 80).Draw(r, "messages") {
			number++
			id := fmt.Sprintf("order-%d", number)
			who, other := rapid.IntRange(0, 4).Draw(r, "patient"), rapid.IntRange(1, 4).Draw(r, "other")
			s := sent{m: numbered("cannulation needle_inserted", id)}
			switch p, q := fmt.Sprintf("P-%d", who), fmt.Sprintf("P-%d", (who+other)%5); {
			case rapid.IntRange(0, 9).Draw(r, "kind") == 0:
				s.m = numbered("roster cannulator_rated", id)
			case rapid.IntRange(0, 9).Draw(r, "merge") == 0:
				s.m, s.about = numbered("roster patients_merged", id), []string{p, q}
				s.m.GetRoster().GetFacts()[0].GetPatientsMerged().Retired = testkit.Patient(q)
			default:
				s.about = []string{p}
				s.m.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(uint32(rapid.IntRange(13, 18).Draw(r, "gauge")))
			}
			if len(s.about) > 0 {
				testkit.Envelope(s.m).Patient = testkit.Patient(s.about[0])
			}
			all = append(all, s)
		}
		var messages []*v1.FeedRequest
		for _, s := range all {
			messages = append(messages, s.m)
		}
		last, unit, newest := map[string]int{}, 0, 0
		for i, a := range feed(t, n.Client, messages...) {
			_, after, _ := strings.Cut(a.GetToken(), ":")
			seq, err := strconv.Atoi(after)
			if err != nil || a.GetOutcome() != accepted {
				r.Fatalf("message %d: %v", i, a)
			}
			if seq < unit || len(all[i].about) == 0 && seq < newest {
				r.Fatalf("message %d, entry %d of the log, stands before what was sent before it: unit %d, newest %d", i, seq, unit, newest)
			}
			for _, p := range all[i].about {
				if seq < last[p] {
					r.Fatalf("message %d about %s is entry %d; an earlier message about the patient is %d", i, p, seq, last[p])
				}
				last[p] = seq
			}
			if newest = max(newest, seq); len(all[i].about) == 0 {
				unit = seq
			}
		}
	})
}
