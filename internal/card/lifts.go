package card

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/rule"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// liftShown is how long a lift that lifted nothing is told while no hold is open (ours). While
// one is, it is told throughout: somebody may believe that this hold was lifted.
const liftShown = 28 * 24 * time.Hour

// lifts tells of the recorded lifts that lifted nothing: their sender was told that the
// message was accepted. The judgement is left as it is, for the ground of a hold may arrive
// after its lift, which then takes effect. A lift of a hold that another one had lifted
// already needs no word.
func lifts(in Input, j track.Judgement, open bool) []string {
	var out []string
	for i := range in.Items {
		it := &in.Items[i]
		b, ok := it.Body.(*cannularyv1.HoldLifted)
		if !ok || it.Void || it.At.After(in.AsOf) || !open && in.AsOf.Sub(it.At) > liftShown {
			continue
		}
		said := fmt.Sprintf("A lift of hold %s by %s on %s ", b.GetHold(), or(b.GetLiftedBy().GetValue(), "a person whose name is not recorded"), it.At.In(in.location()).Format(minutes))
		k := slices.IndexFunc(j.Holds, func(h track.Hold) bool { return h.ID == b.GetHold() })
		switch {
		case k < 0:
			out = append(out, said+"matched no hold of this patient and lifted nothing. The id may be another hold's, or what that hold rests on has not arrived.")
		case !j.Holds[k].Lifted.IsZero():
		case j.Holds[k].Rule == rule.NotAFistula:
			out = append(out, said+"lifted nothing. What clears this hold: "+strings.TrimSuffix(j.Holds[k].Clears, ".")+".")
		default:
			out = append(out, said+"lifted nothing: it came before what the hold rests on, as that stands. The hold is open.")
		}
	}
	return out
}
