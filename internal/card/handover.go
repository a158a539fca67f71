package card

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/track"
)

// Item is one thing that a handover must carry.
type Item struct {
	Name     string `json:"name"`
	Text     string `json:"text"`
	Recorded bool   `json:"recorded"` // false: Text says "not recorded"
}

// Beside reports that a sheet of paper says the same beside the handover: with the needle, in the
// drawing, or in the caution.
func (i Item) Beside() bool {
	return slices.Contains([]string{"Arterial or venous", "Gauge", "Angle", "Bevel", "Direction", "Depth", "Needle tip", "Sessions",
		"Last session", "What forbids the needle", "Site from the anastomosis", "Distance of the needle tips", "Needle length"}, i.Name)
}

// NotRecorded stands for what nobody recorded. The card says so instead of leaving it out.
const NotRecorded = "not recorded"

// handover returns what the next unit or cannulator must be told. The list is this project's
// own, from memory of the literature and from reading a paper log.
func handover(s *track.State, t Track, holds []Hold) []Item {
	var out []Item
	add := func(name, text string) {
		text = strings.TrimSpace(text)
		out = append(out, Item{name, cmp.Or(text, NotRecorded), text != ""})
	}
	plan, planned := s.Plan, s.Planned
	add("Landmarks", cmp.Or(plan.GetLandmarks(), s.Taken.GetLandmarks()))
	add("Picture", plan.GetPictureReference())
	add("Site from the anastomosis", Known(t.SiteMillimetres, "%d mm", ""))
	add("Distance of the needle tips", Known(t.TipDistance, "%d mm", ""))
	add("Arterial or venous", t.Role)
	add("Fall-back site", plan.GetFallback())
	add("Needle tip", tip(s))
	add("Gauge", Known(s.Gauge, "%dG", ""))
	add("Needle length", Known(s.NeedleLength, "%d mm", ""))
	add("Angle", Known(s.ReferenceAngle, "%g°", ""))
	add("Bevel", t.Bevel)
	add("Direction", way(direction(s.Direction)))
	add("Depth", Known(s.Depth, "%g mm", ""))
	peg := t.Peg
	if s.Peg != track.PegIn && s.Peg != track.PegOut {
		peg = ""
	}
	add("Peg", peg)
	add("Engorgement", engorgement(planned.GetEngorgement()))
	add("Arm position", planned.GetArmPosition())
	add("Operator position", planned.GetOperatorPosition())
	add("Antiseptic", antisepticOf(s))
	add("Allergy and skin notes", planned.GetAllergyNotes())
	add("Sessions", sessions(s, t))
	add("Creator", t.Creator)
	add("Deputies", strings.Join(t.Deputies, ", "))
	add("Last session", lastSession(t))
	add("Last complications", lastComplications(t))
	add("What forbids the needle", stops(holds))
	return out
}

// Known is a figure in words; otherwise, where it is not recorded.
func Known[T any](v *T, format, otherwise string) string {
	if v == nil {
		return otherwise
	}
	return fmt.Sprintf(format, *v)
}

func tip(s *track.State) string {
	if n := needle(s); n != track.None {
		return string(n)
	}
	switch s.Folded {
	case track.Planned, track.Forming:
		return "sharp, once it may be needled again"
	case track.Ready, track.Trial, track.Established:
		if s.Protocol.SharpOnly {
			return "sharp, once it may be needled again"
		}
		return "blunt, once it may be needled again"
	}
	return ""
}

func antisepticOf(s *track.State) string {
	if a := antiseptic(s.Planned.GetAntiseptic()); a != "" {
		return a + ", chosen for this patient"
	}
	var names []string
	for _, a := range s.Protocol.Antiseptics {
		if t := antiseptic(a); t != "" {
			names = append(names, t)
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "the unit's: " + strings.Join(names, ", then ")
}

func sessions(s *track.State, t Track) string {
	switch s.Folded {
	case track.Trial, track.Established:
		text := fmt.Sprintf("past forming; %s in a row", count(s.Streak, "successful session"))
		if t.Declared != "" {
			text += ". " + Sentence(t.Declared)
		}
		return text
	}
	text, extras := fmt.Sprintf("%d of %d sharp sessions count", t.SessionsCounted, t.SessionsTarget), t.Extras
	switch {
	case t.Again > 0:
		text = fmt.Sprintf("%d counted before the gap. Counting starts again: the next sharp session is 1 of %d", t.SessionsCounted,
			t.Again)
		extras = t.Added()
	case t.OneMore:
		text = fmt.Sprintf("%d of %d sharp sessions count; 1 of the %d is added for the gap", t.SessionsCounted, t.Course(), t.Course())
	}
	for _, e := range extras {
		text += "; one of them was added (" + e.Text + ")"
	}
	if t.Declared != "" {
		text += ". " + Sentence(t.Declared)
	}
	return text
}

func lastSession(t Track) string {
	if len(t.Recent) == 0 {
		return ""
	}
	return VisitText(t.Recent[0])
}

func lastComplications(t Track) string {
	for _, v := range t.Recent {
		if len(v.Complications) > 0 {
			return v.Date + ": " + strings.Join(v.Complications, ", ")
		}
	}
	if len(t.Recent) == 0 {
		return ""
	}
	return fmt.Sprintf("none recorded in the last %s", count(len(t.Recent), "session"))
}

func stops(holds []Hold) string {
	text := "no thrill or no bruit; pus, redness or swelling at the site; thin or shiny skin, a scab that does not heal, an ulcer; " +
		"Staphylococcus aureus in blood; before a blunt needle, a scab not wholly removed; a hold by a person"
	var now []string
	for _, h := range holds {
		now = append(now, strings.TrimSuffix(h.Seen, "."))
	}
	if len(now) > 0 {
		text = "ON HOLD NOW: " + strings.Join(now, "; ") + ". In general: " + text
	}
	return text
}

// VisitText returns one session as a line.
func VisitText(v Visit) string {
	needle := v.Needle
	if needle == "" || needle == string(track.None) {
		needle = "needle not recorded"
	}
	s := v.Date + ": " + needle
	if v.Gauge != nil {
		s += fmt.Sprintf(" %dG", *v.Gauge)
	}
	if v.AngleDegrees != nil {
		s += fmt.Sprintf(" %g°", *v.AngleDegrees)
	}
	s += ", " + count(v.Attempts, "attempt")
	if v.Passes != nil {
		s += ", " + Passes(*v.Passes)
	}
	if v.Resistance != "" && v.Resistance != "none" {
		s += ", " + v.Resistance + " resistance"
	}
	if v.Pain != nil {
		s += fmt.Sprintf(", pain %d of 10", *v.Pain)
	}
	if v.Who != "" {
		s += ", " + v.Who
	}
	if !v.Success {
		s += ", could not be used"
	}
	if v.Rescue {
		s += ", RESCUE"
	}
	if len(v.Complications) > 0 {
		s += ", " + strings.Join(v.Complications, ", ")
	}
	switch {
	case v.InDoubt:
		s += "; in doubt, does not count"
	case len(v.WhyNot) > 0:
		s += "; does not count"
	}
	if len(v.WhyNot) > 0 {
		s += ": " + strings.Join(v.WhyNot, "; ")
	}
	return s
}

// Passes is a number of passes in words.
func Passes(n uint32) string {
	if n == 1 {
		return "1 pass"
	}
	return fmt.Sprintf("%d passes", n)
}
