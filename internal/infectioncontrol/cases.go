package infectioncontrol

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// cases returns the year's occurrences, oldest first. Patients and tracks get running numbers.
// They show which cases belong together and nothing else.
func cases(w *surveil.Watch, m surveil.Month) []Case {
	var found []surveil.Case
	p := surveil.Year(m)
	for i := range w.People {
		for _, e := range w.People[i].Events {
			if e.Facility == w.Facility && max(p.From.First(), w.Since) <= e.Day && e.Day <= min(p.To.Last(), w.AsOf) {
				found = append(found, surveil.Case{Patient: w.People[i].Key, Event: e})
			}
		}
	}
	slices.SortFunc(found, func(a, b surveil.Case) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Fact, b.Fact))
	})
	found = oncePerDay(found)
	n := numbers{patients: map[string]int{}, tracks: map[string][]string{}}
	out := []Case{}
	for i := range found {
		e := &found[i].Event
		c := Case{No: i + 1, InMonth: e.Day.Month() == m, Day: e.Day.String(), What: happened(e), Counts: []surveil.Class{},
			Technique: e.Technique,
			Patient:   n.patient(found[i].Patient), Tracks: []string{}, Organisms: []string{}, Tested: tested(e), Start: startOf(e),
			Outcome: outcomeOf(e.Outcome), Doubts: doubts(e)}
		for _, class := range surveil.Classes() {
			if e.Is(class) {
				c.Counts = append(c.Counts, class)
			}
		}
		for _, t := range e.Tracks {
			c.Tracks = append(c.Tracks, n.track(found[i].Patient, t))
		}
		for _, o := range e.Organisms {
			c.Organisms = append(c.Organisms, organismName(o))
		}
		if len(c.Counts) == 0 {
			c.WhyNot = whyNot(e)
		}
		out = append(out, c)
	}
	return out
}

// oncePerDay joins a patient's signs of one day, because an examination and a surveillance
// message report the same signs. The first stays, which is the one that can count, with the
// tracks of all.
func oncePerDay(list []surveil.Case) []surveil.Case {
	var out []surveil.Case
	for _, c := range list {
		i := slices.IndexFunc(out, func(o surveil.Case) bool {
			return c.Kind == surveil.SiteSigns && o.Kind == c.Kind && o.Day == c.Day && o.Patient == c.Patient
		})
		if i < 0 {
			out = append(out, c)
			continue
		}
		out[i].Outcome = cmp.Or(out[i].Outcome, c.Outcome)
		tracks := append(slices.Clone(out[i].Tracks), c.Tracks...)
		slices.Sort(tracks)
		out[i].Tracks = slices.Compact(tracks)
	}
	return out
}

// numbers gives running numbers by first appearance.
type numbers struct {
	patients map[string]int
	tracks   map[string][]string
}

func (n *numbers) patient(key string) int {
	if n.patients[key] == 0 {
		n.patients[key] = len(n.patients) + 1
	}
	return n.patients[key]
}

func (n *numbers) track(patient, name string) string {
	i := slices.Index(n.tracks[patient], name)
	if i < 0 {
		i = len(n.tracks[patient])
		n.tracks[patient] = append(n.tracks[patient], name)
	}
	return fmt.Sprintf("%d.%d", n.patient(patient), i+1)
}

func happened(e *surveil.Event) string {
	switch e.Kind {
	case surveil.BloodCulture:
		return "positive blood culture"
	case surveil.Course:
		return "intravenous antimicrobial start"
	case surveil.SiteSigns:
		return "pus, redness or swelling at an access site"
	}
	return string(e.Kind)
}

func whyNot(e *surveil.Event) string {
	switch {
	case !e.Counted:
		return e.Why
	case e.Related:
		return fmt.Sprintf("an access-related bloodstream infection lies within %d days", surveil.Near)
	}
	return "it is in no class"
}

// doubts returns what is not known of an occurrence, and what was assumed.
func doubts(e *surveil.Event) []string {
	out := []string{}
	if e.Counted && e.Why != "" {
		out = append(out, e.Why)
	}
	if e.Outside {
		out = append(out, "no stay here is on record for that day")
	}
	if e.Kind == surveil.BloodCulture {
		switch e.Source {
		case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_UNSPECIFIED:
			out = append(out, "the source was not assessed: taken as the access")
		case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_UNCERTAIN:
			out = append(out, "the source is uncertain: taken as the access")
		case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE:
			out = append(out, "source assessed: another site")
		case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION:
			out = append(out, "source assessed: contamination")
		}
	}
	return out
}

// tested returns the susceptibilities of an occurrence's organisms, one organism a line.
func tested(e *surveil.Event) []string {
	out := []string{}
	for i := 0; i < len(e.Tested); {
		organism := e.Tested[i].Organism
		var answers []string
		for ; i < len(e.Tested) && e.Tested[i].Organism == organism; i++ {
			answers = append(answers, e.Tested[i].Agent+" "+resultName(e.Tested[i].Result))
		}
		out = append(out, organismName(organism)+": "+strings.Join(answers, ", "))
	}
	return out
}

func resultName(r cannularyv1.SusceptibilityResult) string {
	switch r {
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE:
		return "susceptible"
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE_DOSE_DEPENDENT:
		return "susceptible by dose"
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_INTERMEDIATE:
		return "intermediate"
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_NON_SUSCEPTIBLE:
		return "non-susceptible"
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT:
		return "resistant"
	case cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_NOT_TESTED:
		return "not tested"
	}
	return "not known"
}

// startOf returns what the form asks of an intravenous start, empty for other occurrences.
func startOf(e *surveil.Event) string {
	if e.Kind != surveil.Course {
		return ""
	}
	return "vancomycin: " + answerName(e.Vancomycin) + "; blood taken for culture: " + answerName(e.CultureTaken)
}

// outcomeOf returns what an occurrence led to.
func outcomeOf(o surveil.Outcome) string {
	if o == (surveil.Outcome{}) {
		return "outcome not assessed"
	}
	return "stay in hospital: " + answerName(o.HospitalStay) + "; loss of the access: " + answerName(o.AccessLost) +
		"; death: " + answerName(o.Death)
}

func answerName(a cannularyv1.Answer) string {
	switch a {
	case cannularyv1.Answer_ANSWER_YES:
		return "yes"
	case cannularyv1.Answer_ANSWER_NO:
		return "no"
	case cannularyv1.Answer_ANSWER_UNKNOWN:
		return "unknown"
	}
	return "not reported"
}

func organismName(o cannularyv1.OrganismGroup) string {
	switch o {
	case cannularyv1.OrganismGroup_ORGANISM_GROUP_UNSPECIFIED:
		return "group not stated"
	case cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS:
		return "Staphylococcus aureus"
	case cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT:
		return "Staphylococcus aureus, meticillin-resistant"
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(o.String(), "ORGANISM_GROUP_"), "_", " "))
}
