package card

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// liftShown is how long the card shows a lift that lifted nothing while no hold is open (ours).
// While a hold is open it is always shown, because somebody may believe that this hold was
// lifted.
const liftShown = 28 * 24 * time.Hour

// lifts returns notices about recorded lifts that lifted nothing, although their message was
// accepted. The judgement is left as it is: the ground of a hold can arrive after its lift,
// which then takes effect. A lift of a hold that another one had lifted needs no notice.
func lifts(in Input, j track.Judgement, open bool) []string {
	var out []string
	for i := range in.Items {
		it := &in.Items[i]
		b, ok := it.Body.(*cannularyv1.HoldLifted)
		if !ok || it.Void || in.from(&it.Fact).After(in.AsOf) || !open && in.AsOf.Sub(it.At) > liftShown {
			continue
		}
		local, layout := in.location(), minutes
		if it.Day() {
			local, layout = in.locationOf(it.Facility), time.DateOnly
		}
		when := it.At.In(local).Format(layout)
		said := " by " + cmp.Or(b.GetLiftedBy().GetValue(), "a person whose name is not recorded") + " on " + when
		if it.Day() && when == in.AsOf.In(local).Format(layout) {
			out = append(out, "A lift"+said+" is recorded without a time. It works from the end of that day.")
			continue
		}
		for _, id := range append([]string{b.GetHold()}, b.GetMoreHolds()...) {
			if why := liftedNothing(&j, id, it.At.In(in.locationOf(it.Facility)).Format(time.DateOnly)); why != "" {
				out = append(out, "A lift of hold "+id+said+" "+why)
			}
		}
	}
	return out
}

// liftedNothing says why a lift of a hold on a local date lifted nothing, empty if the hold is lifted.
func liftedNothing(j *track.Judgement, id, on string) string {
	k := slices.IndexFunc(j.Holds, func(h track.Hold) bool { return h.ID == id })
	switch {
	case k < 0:
		return "matched no hold of this patient and lifted nothing. The id may belong to another hold, or the report behind that " +
			"hold has not arrived."
	case !j.Holds[k].Lifted.IsZero():
		return ""
	case j.Holds[k].Rule == rule.NotAFistula:
		return "lifted nothing. What clears this hold: " + strings.TrimSuffix(j.Holds[k].Clears, ".") + "."
	case j.Holds[k].DayKnown && j.Holds[k].Date == on:
		return "lifted nothing. Of the finding behind the hold only the day is known, and a lift works from the next day on. " +
			"The hold is open."
	}
	return "lifted nothing. It came before the finding behind the hold, as that is recorded now. The hold is open."
}
