package app_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/eventlog"
	"cannulary/internal/extract"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// restarted reads an extract that starts again whenever it has read what there is.
type restarted struct {
	u    *units
	cfg  extract.Config
	from uint64
	got  []eventlog.Entry
}

var errNothingMore = errors.New("nothing more has come")

func (u *units) restarted(own, file string) *restarted {
	return &restarted{u: u, from: 1, cfg: extract.Config{Facilities: []string{own}, Main: u.app.Store(), File: file, LogID: u.app.Log().ID(),
		WaitFor: func(context.Context, uint64) error { return errNothingMore }}}
}

func (r *restarted) read() {
	r.u.Helper()
	err := extract.New(r.cfg).Read(r.u.Context(), r.from, 100, func(_ context.Context, list []eventlog.Entry) error {
		r.got = append(r.got, list...)
		r.from = list[len(list)-1].Seq + 1
		return nil
	})
	if !errors.Is(err, errNothingMore) {
		r.u.Fatal(err)
	}
}

// An extract that goes on from what was kept gives the same entries as one that sees the whole log at once, wherever in
// a history it stops.
func TestAnExtractGoesOnFromWhatWasKept(t *testing.T) {
	t.Parallel()
	for seed := range tier.Of[uint64](4, 24) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			u := newUnits(t)
			var parts, wholes []*restarted
			for _, own := range []string{north, south} {
				parts = append(parts, u.restarted(own, filepath.Join(t.TempDir(), "gate")))
				wholes = append(wholes, u.restarted(own, ""))
			}
			rnd := rand.New(rand.NewPCG(seed, 15))
			for n := range tier.Of(15, 40) {
				u.live(rnd, 1+rnd.IntN(4))
				if n%3 == 2 { // the same day by UTC, the next one in Auckland
					u.clock.Advance(14 * time.Hour)
					u.send(south, "P-1", fmt.Sprint("T-guest-", n), u.clock.Now(), started(), needle("S-1"))
				}
				switch n {
				case 4:
					u.facility(north, &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{
						Name: "Unit " + north, TimeZone: "Pacific/Auckland", DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}}}})
				case 6, 9:
					u.notUnderstood(n)
				}
				if err := u.app.Projector().WaitFor(testkit.Context(t), testkit.LastSeq(t, u.app.Log())); err != nil {
					t.Fatal(err)
				}
				for _, p := range parts {
					p.read()
				}
			}
			for i, p := range parts {
				// A day may begin meanwhile.
				testkit.Eventually(t, "both have the same number of entries", func() bool {
					wholes[i].read()
					p.read()
					return len(p.got) == len(wholes[i].got)
				})
				if len(p.got) < 10 {
					t.Fatalf("%v: %d entries mean nothing", p.cfg.Facilities, len(p.got))
				}
				for k, want := range wholes[i].got {
					got := p.got[k]
					if strings.Contains(string(want.Data), "empty-") { // its time is that of the next entry, or of the newest
						got.Time, got.Entered = want.Time, want.Entered
					}
					if !reflect.DeepEqual(got, want) {
						t.Fatalf("%v: with starts in between entry %d is\n%q\nat once\n%q", p.cfg.Facilities, want.Seq, got.Data, want.Data)
					}
				}
			}
		})
	}
}

// notUnderstood appends an event about each patient that nobody can understand.
func (u *units) notUnderstood(n int) {
	u.Helper()
	seen := map[string]bool{"": true}
	for _, e := range u.logged() {
		key := e.Event.GetPatientKey()
		if seen[key] {
			continue
		}
		seen[key] = true
		message := fmt.Sprint("empty-", key, n)
		if _, _, err := u.app.Log().Append(testkit.Context(u), &logv1.Event{Id: record.EventID("lead", message), Source: "lead", SourceMessageId: message,
			ContentHash: []byte(message), Facility: e.Event.GetFacility(), PatientKey: key, OccurredAt: timestamppb.New(u.clock.Now())}); err != nil {
			u.Fatal(err)
		}
	}
}

// A start goes on from what was kept, and believes it only whole: else the extract sees the log from its first entry.
func TestWhatAnExtractKeptIsBelievedOnlyWhole(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	u.send(north, "P-1", "", u.clock.Now(), admitted())
	last := u.sent
	if err := u.app.Projector().WaitFor(testkit.Context(t), testkit.LastSeq(t, u.app.Log())); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "gate")
	r := u.restarted(north, file)
	r.read()
	kept, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(kept), `"Open":{"`) {
		t.Fatalf("it kept %s (%v)", kept, err)
	}
	end := r.from - 1
	for name, content := range map[string][]byte{
		"a flipped bit":    append([]byte{kept[0] ^ 1}, kept[1:]...),
		"half of the file": kept[:len(kept)/2],
		"nothing":          {},
	} {
		if err := os.WriteFile(file, content, 0o600); err != nil {
			t.Fatal(err)
		}
		e, err := extract.New(r.cfg).Get(u.Context(), end)
		if err != nil || !reflect.DeepEqual(e, r.got[end-1]) {
			t.Errorf("with %s entry %d is %v (%v)", name, end, e, err)
		}
	}
	if err := os.WriteFile(file, kept, 0o600); err != nil {
		t.Fatal(err)
	}
	e, err := extract.New(r.cfg).Get(u.Context(), end)
	if err != nil || !e.Time.IsZero() || !reflect.DeepEqual(e.Data, r.got[end-1].Data) {
		t.Errorf("message %d, entry %d, is read from the log again: %v (%v)", last, end, e, err)
	}
	// What is kept of another log, or beyond what the reader has, is no use.
	other := r.cfg
	other.LogID = "another log"
	for _, c := range []struct {
		cfg extract.Config
		seq uint64
	}{{other, end}, {r.cfg, end - 1}} {
		if e, err := extract.New(c.cfg).Get(u.Context(), c.seq); err != nil || e.Time.IsZero() {
			t.Errorf("entry %d comes from what was kept: %v (%v)", c.seq, e, err)
		}
	}
}
