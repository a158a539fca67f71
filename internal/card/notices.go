package card

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// NoTrack is the notice on the card of a patient without a track.
const NoTrack = "No constant-site track is recorded for this patient."

// notices says what the reader must know before trusting the card.
func notices(in Input, j track.Judgement, c Card) []string {
	out := []string{}
	say := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	if missing := unidentified(c.Patient); missing != "" {
		say("Not positively identified: %s not recorded. Make sure who this is before you needle.", missing)
	}
	if in.Lagging {
		say("This card is behind the record: newer messages may exist. Ask again in a moment, or ask the last cannulator.")
	}
	if in.Quarantined == 1 {
		say("1 message could not be understood and is not on this card. It may be about this patient.")
	} else if in.Quarantined > 1 {
		say("%d messages could not be understood and are not on this card. One of them may be about this patient.", in.Quarantined)
	}
	if n := whereabouts(in, j.Where); n != "" {
		say("%s", n)
	}
	if day := j.Where.DiedOn; day != "" {
		say("The death of this patient is recorded for %s, and treatment is recorded after it. One of the two is wrong, or about another "+
			"patient. Make sure who this is before you needle, and have it corrected.", day)
	}
	if j.Where.Facility != "" && !j.Where.Admitted {
		say("No admission is recorded. The card assumes that the patient belongs to %s, where the care is given.", j.Where.Facility)
	}
	for _, n := range lifts(in, j, len(c.Holds)+len(c.History) > 0) {
		say("%s", n)
	}
	tracked := map[string]bool{} // accesses that a track in use is in
	for i := range j.Tracks {
		t := &j.Tracks[i]
		if t.Stage == track.Retired {
			continue
		}
		if t.Access == "" {
			say("The access of track %s is not recorded. Make sure that it is a native fistula and that nothing is wrong with it.", t.Name)
		}
		tracked[t.Access] = true
		if most := t.Protocol.DeputiesMax; len(t.Deputies) > most && (t.Folded == track.Planned || t.Folded == track.Forming) {
			say("Track %s has %d deputies, and the protocol allows %d. Few people should needle a forming track.",
				t.Name, len(t.Deputies), most)
		}
	}
	for i := range j.Accesses {
		a := &j.Accesses[i]
		if !tracked[a.Name] || a.Retired {
			continue
		}
		if a.Kind == cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED {
			say("The kind of access %s is not recorded. Make sure that it is a native fistula. Constant-site needling is for native "+
				"fistulas only.",
				a.Name)
		}
		switch {
		case a.Examined.IsZero():
			say("No examination of access %s is recorded. Look, listen and feel before you needle.", a.Name)
		case len(a.NotExamined) > 0:
			say("%s", leftOut(a))
		}
	}
	if len(c.Tracks) == 0 {
		say(NoTrack)
	}
	return out
}

// leftOut says what nobody recorded of the latest examination.
func leftOut(a *track.AccessState) string {
	var what, do []string
	for _, part := range a.NotExamined {
		switch part {
		case "look":
			what, do = append(what, "looking at the skin"), append(do, "look")
		case "listen", "bruit":
			what, do = append(what, "whether a bruit is heard"), append(do, "listen")
		case "feel", "thrill":
			what, do = append(what, "whether a thrill is felt"), append(do, "feel")
		}
	}
	return fmt.Sprintf("Nobody recorded %s at access %s on %s. %s before you needle.", strings.Join(what, ", nor "), a.Name, a.ExaminedOn,
		Capital(strings.Join(do, " and ")))
}

// remarks says which parts of how the needle goes in are from the plan, and where the plan
// differs.
func remarks(s *track.State) []string {
	out := []string{}
	if s.Founded && len(s.FromPlan) > 0 {
		what := "The first insertion does not record"
		if s.Taken != nil {
			what = "The takeover does not state"
		}
		out = append(out, fmt.Sprintf("%s %s. The plan's values are shown.", what, strings.Join(s.FromPlan, ", ")))
	}
	if len(s.PlanDiffers) > 0 {
		out = append(out, fmt.Sprintf("The plan says otherwise: %s. Follow the track as it was made.", strings.Join(s.PlanDiffers, ", ")))
	}
	return out
}

func unidentified(p Patient) string {
	switch {
	case p.Name == "" && p.BirthDate == "":
		return "name and birth date"
	case p.Name == "":
		return "the name"
	case p.BirthDate == "":
		return "the birth date"
	}
	return ""
}

// whereabouts says that the patient is not dialysed here at the moment asked for: left the unit,
// or in hospital.
func whereabouts(in Input, w track.Whereabouts) string {
	switch {
	case w.Left:
		return fmt.Sprintf("The patient left %s on %s (%s).", w.LeftUnit, w.LeftAt.In(in.locationOf(w.LeftUnit)).Format(time.DateOnly),
			cmp.Or(leavingReason(w.Reason), "reason not recorded"))
	case w.InHospitalSince != nil:
		return fmt.Sprintf("The patient has been in hospital since %s.", w.InHospitalSince.In(in.location()).Format(time.DateOnly))
	}
	return ""
}

func declared(s *track.State) string {
	parts := []string{"declared, not recorded here: " + cmp.Or(stage(s.Taken.GetStage()), "stage not stated")}
	if s.Taken.InUseSince != nil {
		parts = append(parts, "in use since "+s.Taken.GetInUseSince())
	}
	text := strings.Join(parts, ", ") + ". Declared by " + s.Taken.GetDeclaredBy().GetValue()
	if s.TakenOn != "" {
		text += " on " + s.TakenOn
	}
	text += ". Evidence: " + stop(s.Taken.GetEvidence())
	switch n := s.SinceTaken; {
	case n == 0:
		return text + " No session is recorded here since then."
	case string(s.Folded) == stage(s.Taken.GetStage()):
		return text + fmt.Sprintf(" Recorded here since then: %s.", count(n, "session"))
	default:
		return text + fmt.Sprintf(" Recorded here since then: %s, and with them the track is %s now.", count(n, "session"), s.Folded)
	}
}
