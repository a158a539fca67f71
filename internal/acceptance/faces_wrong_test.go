package acceptance_test

import (
	"slices"
	"testing"
	"time"

	"cannulary/internal/oracle/needling"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
)

// A wrong reading is what a face would say if it read one rule wrongly.
type wrong struct {
	says string
	read func(o *observed) needling.Answer
}

// wrongs has one for each fault that the faces once had and that this comparison could see.
func wrongs() []wrong {
	mutant := func(m needling.Mutant) func(*observed) needling.Answer {
		return func(o *observed) needling.Answer { return needling.Fold(o.input(), m) }
	}
	of := func(m needling.Mutant) wrong { return wrong{string(m), mutant(m)} }
	return []wrong{
		{"a moved patient is judged by the protocols of the first facility alone", func(o *observed) needling.Answer {
			in := o.input()
			_, _, facility := histories.Split(record.Known(o.p.facts, time.Time{}))
			first := o.q.Items[0].Facility
			others := func(x record.Fact) bool { return x.Facility != first }
			in.Book = protocol.NewBook(record.Effective(slices.DeleteFunc(slices.Clone(facility), others)))
			return needling.Fold(in, needling.None)
		}},
		of(needling.PlaceDecidesTarget), of(needling.GuestMovesStay), of(needling.AdmissionLooksAhead),
		of(needling.LeavingAnywhereEnds),
		of(needling.LaterEntryDirects),
		of(needling.UnknownAccessIsFree),
		of(needling.UnderHoldCounts),
		{"nobody counts the sessions under a hold", func(o *observed) needling.Answer {
			a := needling.Fold(o.input(), needling.None)
			for i := range a.Holds {
				a.Holds[i].Needled, a.Holds[i].NeedledLast = 0, ""
			}
			return a
		}},
		{"a track that is not used stays blunt", func(o *observed) needling.Answer {
			a := needling.Fold(o.input(), needling.None)
			for i := range a.Tracks {
				if t := &a.Tracks[i]; (t.Stage == "trial" || t.Stage == "established") && len(t.Held) == 0 && t.Needle == "none" {
					t.Needle = "blunt"
				}
			}
			return a
		}},
		of(needling.NeedleEndsStop),
		{"one infection is as many holds as reports", func(o *observed) needling.Answer {
			a := needling.Fold(o.input(), needling.None)
			a.ShownAsOne = nil
			return a
		}},
		of(needling.AccessKeepsTracks), of(needling.DoubtCounts), of(needling.DayGroundAtNoon),
	}
}

// noticed asks of each wrong reading that some card contradicts it.
func noticed(t *testing.T, seen []observed) {
	for _, w := range wrongs() {
		i := slices.IndexFunc(seen, func(o observed) bool {
			a := w.read(&o)
			return differ(answered(&a), o.card) != ""
		})
		if i < 0 {
			t.Errorf("%d cards do not tell this from the right reading: %s", len(seen), w.says)
			continue
		}
		t.Logf("card %d tells: %s", i, w.says)
	}
}
