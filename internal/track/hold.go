package track

import (
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// RulePerson is the rule code of a hold that a person placed.
const RulePerson = "person"

// holds are all holds with their lifts.
type holds struct {
	placed []placed
}

type placed struct {
	Hold
	lifted time.Time // zero while open
}

// holds collects the holds. A lift names one hold and takes effect from its own time; a
// lift dated before its hold has no effect. Taking back the ground does not lift a hold.
func (in Input) holds() holds {
	var hs holds
	for i := range in.Items {
		it := &in.Items[i]
		if it.At.After(in.AsOf) {
			continue
		}
		if b, ok := it.Body.(*cannularyv1.HoldPlaced); ok {
			hs.placed = append(hs.placed, placed{Hold: Hold{
				ID: record.HoldID(RulePerson, it.ID), Rule: RulePerson, Track: b.GetTrack(), Access: b.GetAccess(),
				Since: it.At, Text: b.GetReason(), By: b.GetPlacedBy(), GroundWithdrawn: it.Void,
			}})
		}
	}
	for i := range in.Items {
		it := &in.Items[i]
		b, ok := it.Body.(*cannularyv1.HoldLifted)
		if !ok || it.Void || it.At.After(in.AsOf) {
			continue
		}
		for j := range hs.placed {
			p := &hs.placed[j]
			if p.ID == b.GetHold() && !it.At.Before(p.Since) && (p.lifted.IsZero() || it.At.Before(p.lifted)) {
				p.lifted = it.At
			}
		}
	}
	return hs
}

// on lists the holds open at t on the track or its access.
func (hs holds) on(track, access string, t time.Time) []Hold {
	var out []Hold
	for _, p := range hs.placed {
		if (p.Track == track && track != "" || p.Access == access && access != "") && p.openAt(t) {
			out = append(out, p.Hold)
		}
	}
	return out
}

// open lists the holds open at t, oldest first.
func (hs holds) open(t time.Time) []Hold {
	var out []Hold
	for _, p := range hs.placed {
		if p.openAt(t) {
			out = append(out, p.Hold)
		}
	}
	return out
}

func (p placed) openAt(t time.Time) bool {
	return !p.Since.After(t) && (p.lifted.IsZero() || p.lifted.After(t))
}
