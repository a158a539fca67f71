package acceptance_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// later is an envelope of a time after February 2025.
func laterOf(id, patient, at string) *v1.Envelope {
	e := about(id, north, patient, "01T00:00", "")
	e.OccurredAt = testkit.At(at)
	return e
}

// issue is a DetectedIssue as far as a test looks.
type issue struct {
	ID, Status, IdentifiedDateTime string
	Code                           struct{ Coding []struct{ Code string } }
	Mitigation                     []struct{ Date string }
}

// issues are those of a rule that a search finds.
func (i *instance) issues(search string) (out []issue) {
	i.tb.Helper()
	var b struct{ Entry []struct{ Resource issue } }
	if err := json.Unmarshal([]byte(i.must("/fhir/DetectedIssue?_count=100&"+search)), &b); err != nil {
		i.tb.Fatal(err)
	}
	for _, e := range b.Entry {
		out = append(out, e.Resource)
	}
	slices.SortFunc(out, func(a, b issue) int {
		if a.IdentifiedDateTime < b.IdentifiedDateTime {
			return -1
		}
		return 1
	})
	return out
}

// A track in blunt use that nobody needles is found unused. While it rests the findings are
// silent, not taken back; when it is used again they stand again, under the same ids, as newer
// versions. Nothing is lost and nothing is in error.
func TestWhatARestSilencesComesBackAsTheSameFinding(t *testing.T) {
	t.Parallel()
	const patient = "INV-M3"
	i := start(t, filepath.Join(t.TempDir(), "unused"))
	i.post(formedAtNorth(patient))
	blunt := inserted("A1", 25)
	blunt.GetNeedleInserted().Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT
	i.post([]*v1.FeedRequest{testkit.Request(about("blunt", north, patient, "15T14:00", "T-blunt"), blunt)})
	unused := "patient=" + patientKey(t, i, patient) + "&code=rule-unused-long"
	found := i.issues(unused)
	// 21 and 42 days after 15 February: the day after begins it.
	if len(found) != 2 || found[0].IdentifiedDateTime[:10] != "2025-03-09" || found[1].IdentifiedDateTime[:10] != "2025-03-30" {
		t.Fatalf("unused since 15 February: %+v", found)
	}
	step := func(id, at string, f proto.Message) {
		i.post([]*v1.FeedRequest{testkit.Request(laterOf(id, patient, at), f)})
	}
	standing := func(when string, want int) {
		t.Helper()
		if got := i.issues(unused + "&standing=true"); len(got) != want {
			t.Errorf("%s %d stand, want %d: %+v", when, len(got), want, got)
		}
		if got := i.issues(unused); len(got) != 2 || got[0].ID != found[0].ID || got[1].ID != found[1].ID {
			t.Errorf("%s the findings are %+v", when, got)
		}
	}
	standing("at first", 2)
	step("rested", "2025-04-01T08:00:00Z", &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: &v1.TrackRested{Track: "A1"}}})
	standing("at rest", 0)
	step("resumed", "2025-04-02T08:00:00Z", &v1.CannulationFact{Fact: &v1.CannulationFact_TrackResumed{TrackResumed: &v1.TrackResumed{Track: "A1"}}})
	standing("resumed", 2)
	step("review", "2025-04-02T08:10:00Z", &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{Review: "R1", Track: "A1", Reason: "Not used for long"}}})
	step("closed", "2025-04-02T08:20:00Z", &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewClosed{ReviewClosed: &v1.ReviewClosed{Review: "R1", ClosedBy: testkit.Staff("S-101"), Outcome: "The tunnel is open"}}})
	standing("reviewed", 1)
	// The caution ended by the rest, the stop by the rest and by the review.
	for n, count := range []int{3, 4} {
		var b struct{ Entry []struct{ Resource issue } }
		if err := json.Unmarshal([]byte(i.must("/fhir/DetectedIssue/"+found[n].ID+"/_history")), &b); err != nil {
			t.Fatal(err)
		}
		var versions []string
		for _, e := range slices.Backward(b.Entry) {
			said := e.Resource.Status
			if len(e.Resource.Mitigation) > 0 {
				said += ", ended"
			}
			versions = append(versions, said)
		}
		want := []string{"final", "final, ended", "final", "final, ended"}[:count]
		if !slices.Equal(versions, want) {
			t.Errorf("the versions of %s are %v, want %v", fmt.Sprint(found[n].Code.Coding), versions, want)
		}
	}
	sameAgain(t, i)
}
