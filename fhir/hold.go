package fhir

import (
	"fmt"
	"strings"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
)

// flag is a hold. R4 gives a Flag no element for the part of the body: the text names what
// is held, and flag-detail leads to its BodyStructures beside the findings.
func (v JudgedView) flag(c Context, h *track.Hold) (Resource, error) {
	code, err := c.Options.judged("rule-" + h.Rule)
	if err != nil {
		return Resource{}, err
	}
	id := h.ID
	m := &model.Flag{
		Id:         &id,
		Identifier: identifier(HoldSystem, h.ID),
		Status:     model.FlagStatusActive,
		Category:   []model.CodeableConcept{*coded(flagCategory, "safety", "Safety")},
		Code:       *code,
		Subject:    reference("Patient", v.Patient),
		Period:     period(h, c.Zone),
		Author:     practitioner(h.By),
	}
	if !h.Lifted.IsZero() {
		m.Status = model.FlagStatusInactive
	}
	m.Code.Text = text(sentences(append(v.holdWords(h), Advice)...))
	detail := func(ref model.Reference) {
		m.Extension = append(m.Extension, model.Extension{Url: FlagDetail, ValueReference: &ref})
	}
	for i := range v.All.Findings {
		if f := &v.All.Findings[i]; f.Hold == h.ID {
			detail(shown(reference("DetectedIssue", f.ID), RuleName(f.Rule)))
		}
	}
	for _, ref := range v.places(h.Tracks, h.Accesses) {
		detail(ref)
	}
	return flagResource(v.Patient, m)
}

// period is from when to when a hold was open. Where its time is not known it begins with a
// date, the local one at the facility of its ground.
func period(h *track.Hold, zone *time.Location) *model.Period {
	out := &model.Period{Start: moment{h.Since, minute}.dateTime(zone)}
	if !h.Lifted.IsZero() {
		out.End = moment{h.Lifted, minute}.dateTime(zone)
	}
	if !h.DayKnown {
		return out
	}
	out.Start = new(h.Date)
	// East of Greenwich a day ends within the day of UTC that bears its date. R4's rule that
	// a period starts before it ends cannot compare a date with a time in it.
	if strings.HasPrefix(deref(out.End), h.Date) {
		out.End = new(h.Date)
	}
	return out
}

// holdWords are the sentences of a hold: what is held and what was seen, whether to needle,
// what was needled under it, what ends it.
func (v JudgedView) holdWords(h *track.Hold) []string {
	what, quiet, needle := "Hold", "", "Do not needle"
	switch {
	case !h.Lifted.IsZero():
		what, needle = "Lifted hold", ""
	case v.All.GivenUp(h):
		quiet, needle = ", no longer used", "Ask the lead to close it"
	case v.All.NotNeedled(h):
		quiet, needle = ", which nobody needles", ""
	}
	what += prefixed(" on ", v.held(h)) + quiet + ": " + or(h.Text, "what was seen is not recorded")
	var out []string
	say := func(s string) { out = append(out, s) }
	say(what)
	say(needle)
	if h.Rule == rule.Person {
		say("Placed by " + or(h.By.GetValue(), "a person whose name is not recorded"))
	}
	if h.DayKnown {
		say("Since " + h.Date + " (the time is not recorded)")
	}
	if h.Needled > 0 {
		say(fmt.Sprintf("Needled during this hold in %s, last on %s", sessions(h.Needled), h.NeedledLast))
	}
	if h.GroundWithdrawn {
		say("The reason for this hold was later corrected or withdrawn")
	}
	if h.Lifted.IsZero() {
		say(prefixed("Clears: ", h.Clears))
	} else {
		say("Lifted" + prefixed(" by ", h.LiftedBy.GetValue()) + ": " + or(h.Reason, "no reason recorded"))
	}
	return out
}

func sessions(n int) string {
	if n == 1 {
		return "1 session"
	}
	return fmt.Sprintf("%d sessions", n)
}

// held says what a hold is on and where that is, empty where nothing is named.
func (v JudgedView) held(h *track.Hold) string {
	var names []string
	for _, t := range h.Tracks {
		names = append(names, v.trackPlace(t))
	}
	for _, a := range h.Accesses {
		names = append(names, v.accessPlace(a))
	}
	return strings.Join(names, ", ")
}

func flagResource(patient string, m *model.Flag) (Resource, error) {
	when := Period{Param: "date", Low: BeginningOfTime(), High: EndOfTime()}
	if m.Period != nil {
		when.Low = stamp("date", m.Period.Start).Low
		when.High = stamp("date", m.Period.End).High
	}
	ix := Index{Dates: []Period{when}}
	ix.identifiers(m.Identifier)
	ix.token("status", flagStatus, m.Status.Code())
	ix.refs("patient", m.Subject)
	ix.refs("subject", m.Subject)
	if m.Author != nil {
		ix.refs("author", *m.Author)
	}
	for _, e := range m.Extension {
		if e.Url == FlagDetail && e.ValueReference != nil && strings.HasPrefix(deref(e.ValueReference.Reference), "BodyStructure/") {
			ix.refs("track", *e.ValueReference)
		}
	}
	m.Text = flagText(m)
	body, err := m.MarshalJSON()
	return Resource{Type: "Flag", ID: *m.Id, Patient: patient, Profile: profileHold, Body: body, Index: ix}, err
}
