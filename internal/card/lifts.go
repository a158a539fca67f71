package card

import (
	"slices"
	"strings"
	"time"

	"cannulary/internal/rule"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// liftShown is how long a lift that lifted nothing is shown while no hold is open (ours). While
// one is, it is shown throughout: somebody may believe that this hold was lifted.
const liftShown = 28 * 24 * time.Hour

// lifts tells of the recorded lifts that lifted nothing, although their message was accepted.
// The judgement is left as it is, for the ground of a hold may arrive after its lift, which then
// takes effect. A lift of a hold that another one had lifted already needs no word.
func lifts(in Input, j track.Judgement, open bool) []string {
	var out []string
	for i := range in.Items {
		it := &in.Items[i]
		b, ok := it.Body.(*cannularyv1.HoldLifted)
		if !ok || it.Void || it.At.After(in.AsOf) || !open && in.AsOf.Sub(it.At) > liftShown {
			continue
		}
		said := " by " + or(b.GetLiftedBy().GetValue(), "a person whose name is not recorded") + " on " + it.At.In(in.location()).Format(minutes)
		for _, id := range append([]string{b.GetHold()}, b.GetMoreHolds()...) {
			if why := liftedNothing(&j, id); why != "" {
				out = append(out, "A lift of hold "+id+said+" "+why)
			}
		}
	}
	return out
}

// liftedNothing says why a lift of a hold lifted nothing; empty where the hold is lifted.
func liftedNothing(j *track.Judgement, id string) string {
	k := slices.IndexFunc(j.Holds, func(h track.Hold) bool { return h.ID == id })
	switch {
	case k < 0:
		return "matched no hold of this patient and lifted nothing. The id may be another hold's, or what that hold rests on has not arrived."
	case !j.Holds[k].Lifted.IsZero():
		return ""
	case j.Holds[k].Rule == rule.NotAFistula:
		return "lifted nothing. What clears this hold: " + strings.TrimSuffix(j.Holds[k].Clears, ".") + "."
	}
	return "lifted nothing: it came before what the hold rests on, as that is recorded now. The hold is open."
}
