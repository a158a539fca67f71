package simulate_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/simulate"
	v1 "cannulary/proto/cannulary/v1"
)

// TestEveryStageAtTheEnd tells from needles and plans, without judging, that a track stands in
// each stage when the year ends, whatever its last day and its seed are.
func TestEveryStageAtTheEnd(t *testing.T) {
	for _, c := range []struct {
		until string
		seed  uint64
	}{{"2026-10-31", 20261}, {"2026-11-28", 20261}, {"2027-01-02", 7}, {"2026-05-03", 99}} {
		t.Run(fmt.Sprint(c.until, " ", c.seed), func(t *testing.T) {
			s := simulate.Demonstration()
			s.Months, s.Seed, s.Corrections, s.Repeats = 6, c.seed, false, false
			var err error
			if s.Until, err = time.Parse(time.DateOnly, c.until); err != nil {
				t.Fatal(err)
			}
			seen := stages(t, s)
			for _, stage := range []string{"planned", "forming", "ready", "trial", "established", "resting", "retired"} {
				if seen[stage] == 0 {
					t.Errorf("no track is %s at the end: %v", stage, seen)
				}
			}
		})
	}
}

// stages counts tracks by what happened to them last.
func stages(t *testing.T, s simulate.Scenario) map[string]int {
	t.Helper()
	type state struct {
		planned, taken, retired bool
		sharp, blunt, own       int
		rested                  string
		facility                string
	}
	tracks := map[string]*state{}
	of := func(who, name string) *state {
		if tracks[who+"/"+name] == nil {
			tracks[who+"/"+name] = &state{}
		}
		return tracks[who+"/"+name]
	}
	target := map[string]int{}
	for _, m := range byOccurrence(generate(t, s)) {
		who := envelope(m).GetPatient().GetValue()
		facts(m, func(_ string, fact protoreflect.Message) {
			switch f := fact.Interface().(type) {
			case *v1.ProtocolAdopted:
				target[envelope(m).GetFacility()] = int(f.GetProtocol().GetFormingSessionsTarget())
			case *v1.TrackPlanned:
				for _, p := range f.GetTracks() {
					x := of(who, p.GetTrack())
					x.planned, x.own = true, int(p.GetFormingSessionsTarget())
				}
			case *v1.TrackTakenOver:
				of(who, f.GetTrack()).taken = true
			case *v1.TrackRetired:
				of(who, f.GetTrack()).retired = true
			case *v1.TrackRested:
				of(who, f.GetTrack()).rested = f.GetUntil()
			case *v1.NeedleInserted:
				if f.GetTrack() == "" {
					return
				}
				x := of(who, f.GetTrack())
				x.facility = envelope(m).GetFacility()
				switch {
				case f.GetOutcome() != v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL:
				case f.GetTip() == v1.NeedleTip_NEEDLE_TIP_BLUNT:
					x.blunt++
				default:
					x.sharp++
				}
			}
		})
	}
	seen := map[string]int{}
	for _, x := range tracks {
		switch asks := max(6, target[x.facility], x.own); {
		case x.retired:
			seen["retired"]++
		case x.rested > s.Until.Format(time.DateOnly):
			seen["resting"]++
		case x.taken || x.blunt > 3:
			seen["established"]++
		case x.sharp == 0:
			seen["planned"]++
		case x.blunt == 0 && x.sharp == asks:
			seen["ready"]++
		case x.blunt == 0 && x.sharp < asks-1:
			seen["forming"]++
		case x.blunt < 3 && x.sharp == asks:
			seen["trial"]++
		}
	}
	return seen
}

func byOccurrence(msgs []*v1.FeedRequest) []*v1.FeedRequest {
	return slices.SortedStableFunc(slices.Values(msgs), func(a, b *v1.FeedRequest) int {
		return envelope(a).GetOccurredAt().AsTime().Compare(envelope(b).GetOccurredAt().AsTime())
	})
}
