package acceptance_test

import (
	"slices"
	"testing"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/reference"
	"cannulary/internal/track/reference/histories"
)

// A wrong reading is what a face would say if it read one rule wrongly.
type wrong struct {
	says string
	read func(o *observed) reference.Answer
}

// wrongs has one for each fault that the faces once had and that this comparison could see.
func wrongs() []wrong {
	mutant := func(m reference.Mutant) func(*observed) reference.Answer {
		return func(o *observed) reference.Answer { return reference.Fold(o.input(), m) }
	}
	of := func(m reference.Mutant) wrong { return wrong{string(m), mutant(m)} }
	return []wrong{
		{"a moved patient is judged by the protocols of the first facility alone", func(o *observed) reference.Answer {
			in := o.input()
			_, _, facility := histories.Split(record.Known(o.p.facts, time.Time{}))
			first := o.q.Items[0].Facility
			others := func(x record.Fact) bool { return x.Facility != first }
			in.Book = protocol.NewBook(record.Effective(slices.DeleteFunc(slices.Clone(facility), others)))
			return reference.Fold(in, reference.None)
		}},
		of(reference.PlaceDecidesTarget), of(reference.GuestMovesStay), of(reference.AdmissionLooksAhead),
		of(reference.LeavingAnywhereEnds),
		of(reference.LaterEntryDirects),
		of(reference.UnknownAccessIsFree),
		of(reference.UnderHoldCounts),
		{"nobody counts the sessions under a hold", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			for i := range a.Holds {
				a.Holds[i].Needled, a.Holds[i].NeedledLast = 0, ""
			}
			return a
		}},
		{"a track that is not used stays blunt", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			for i := range a.Tracks {
				if t := &a.Tracks[i]; (t.Stage == "trial" || t.Stage == "established") && len(t.Held) == 0 && t.Needle == "none" {
					t.Needle = "blunt"
				}
			}
			return a
		}},
		of(reference.NeedleEndsStop),
		{"one infection is as many holds as reports", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			a.ShownAsOne = nil
			return a
		}},
		of(reference.AccessKeepsTracks), of(reference.DoubtCounts), of(reference.DayGroundAtNoon),
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
