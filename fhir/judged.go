package fhir

import (
	"fmt"
	"sort"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/track"
)

// Advice stands with everything that the judgement gives.
const Advice = "Decision support only: the unit's protocol and a licensed practitioner decide."

// FlagDetail is the core extension by which a Flag names what it rests on.
const FlagDetail = "http://hl7.org/fhir/StructureDefinition/flag-detail"

const flagCategory = "http://terminology.hl7.org/CodeSystem/flag-category"

// JudgedView is one patient's judgement as it is rendered.
type JudgedView struct {
	// Patient is the surviving patient key.
	Patient string
	// Judgement holds what is rendered, All the whole of it, in which tracks and accesses
	// are looked up by name.
	Judgement, All *track.Judgement
}

// MaturityID is the id of the Observation that tells how far a track has come.
func MaturityID(trackID string) string { return record.DerivedID("maturity", trackID) }

// Judged renders a judgement: an Observation of each track's maturity, a Flag for each hold,
// a DetectedIssue for each finding; in the order of (Type, ID). It errs where a value is
// not known to this version.
func Judged(c Context, v JudgedView) ([]Resource, error) {
	var out []Resource
	for i := range v.Judgement.Tracks {
		r, err := v.maturity(c, &v.Judgement.Tracks[i])
		if err != nil {
			return nil, fmt.Errorf("track %s: %w", v.Judgement.Tracks[i].Name, err)
		}
		out = append(out, r)
	}
	for i := range v.Judgement.Holds {
		r, err := v.flag(c, &v.Judgement.Holds[i])
		if err != nil {
			return nil, fmt.Errorf("hold %s: %w", v.Judgement.Holds[i].ID, err)
		}
		out = append(out, r)
	}
	for i := range v.Judgement.Findings {
		r, err := v.issue(c, &v.Judgement.Findings[i])
		if err != nil {
			return nil, fmt.Errorf("finding %s: %w", v.Judgement.Findings[i].ID, err)
		}
		out = append(out, r)
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Type != out[j].Type {
			return out[i].Type < out[j].Type
		}
		return out[i].ID < out[j].ID
	})
	return out, nil
}

// places refers to the BodyStructures of tracks and accesses, of those that are known.
func (v JudgedView) places(tracks, accesses []string) []model.Reference {
	var out []model.Reference
	for _, name := range tracks {
		for i := range v.All.Tracks {
			if v.All.Tracks[i].Name == name {
				out = append(out, reference("BodyStructure", v.All.Tracks[i].ID))
			}
		}
	}
	for _, name := range accesses {
		for i := range v.All.Accesses {
			if a := &v.All.Accesses[i]; a.Name == name && a.ID != "" {
				out = append(out, reference("BodyStructure", a.ID))
			}
		}
	}
	return out
}

// maturity is how far a track has come and which needle comes next.
func (v JudgedView) maturity(c Context, s *track.State) (Resource, error) {
	id := MaturityID(s.ID)
	r := &rendering{Context: c}
	at := moment{s.Newest, minute}
	o := &model.Observation{
		Id:                   &id,
		Identifier:           identifier(MaturitySystem, s.ID),
		Status:               model.ObservationStatusFinal,
		Category:             []model.CodeableConcept{*coded(observationCategory, exam, observationCategoryDisplay(exam))},
		Code:                 *c.Options.concept("track-maturity"),
		Subject:              ptr(reference("Patient", v.Patient)),
		Focus:                []model.Reference{reference("BodyStructure", s.ID)},
		EffectiveDateTime:    at.dateTime(c.Zone),
		ValueCodeableConcept: c.Options.concept("track-stage-" + string(s.Stage)),
		Method:               c.Options.concept("needling-protocol"),
		Note:                 note(s.Next.Why + ". " + Advice),
	}
	o.Method.Text = text("Judged by needling protocol " + s.Protocol.Version)
	parts := components{r: r}
	whole := func(code string, n int) { parts.add(code).ValueInteger = &n }
	whole("sessions-counted", s.Counted)
	whole("sessions-needed", s.Target+len(s.Extras))
	whole("blunt-streak", s.Streak)
	whole("rescues", s.Trends.Rescues)
	next := "next-needle-none"
	switch s.Next.Needle {
	case track.Sharp:
		next = "needle-tip-sharp"
	case track.Blunt:
		next = "needle-tip-blunt"
	}
	parts.concept("next-needle", c.Options.concept(next))
	parts.quantity("reference-angle", s.ReferenceAngle, unitDegree)
	if s.Trends.HaemostasisKnown {
		parts.quantity("usual-haemostasis", &s.Trends.Haemostasis.Median, unitMinute)
	}
	if s.UnderReview {
		parts.concept("under-review", c.Options.concept("yes"))
	}
	if s.Taken != nil {
		parts.concept("declared", c.Options.concept("yes"))
	}
	o.Component = parts.list
	if r.err != nil {
		return Resource{}, r.err
	}
	body, err := o.MarshalJSON()
	return Resource{Type: "Observation", ID: id, Patient: v.Patient, Body: body, Index: indexObservation(o, []Period{at.period("date", c.Zone)})}, err
}

// flag is a hold.
func (v JudgedView) flag(c Context, h *track.Hold) (Resource, error) {
	id := h.ID
	m := &model.Flag{
		Id:       &id,
		Status:   model.FlagStatusActive,
		Category: []model.CodeableConcept{*coded(flagCategory, "safety", "Safety")},
		Code:     *c.Options.concept("rule-" + h.Rule),
		Subject:  reference("Patient", v.Patient),
		Period:   &model.Period{Start: moment{h.Since, minute}.dateTime(c.Zone)},
		Author:   practitioner(h.By),
	}
	what := "Do not needle: " + h.Text
	if h.GroundWithdrawn {
		what += " (ground withdrawn)"
	}
	m.Code.Text = text(what + ". Clears: " + h.Clears + ". " + Advice)
	end := EndOfTime()
	if !h.Lifted.IsZero() {
		m.Status = model.FlagStatusInactive
		m.Period.End = moment{h.Lifted, minute}.dateTime(c.Zone)
		end = h.Lifted.Add(1)
	}
	for i := range v.All.Findings {
		if f := &v.All.Findings[i]; f.Hold == h.ID {
			ref := reference("DetectedIssue", f.ID)
			m.Extension = append(m.Extension, model.Extension{Url: FlagDetail, ValueReference: &ref})
		}
	}
	return flagResource(v.Patient, m, Period{Param: "date", Low: h.Since.UTC(), High: end.UTC()})
}

func flagResource(patient string, m *model.Flag, when Period) (Resource, error) {
	var ix Index
	ix.Dates = []Period{when}
	ix.refs("patient", m.Subject)
	ix.refs("subject", m.Subject)
	if m.Author != nil {
		ix.refs("author", *m.Author)
	}
	body, err := m.MarshalJSON()
	return Resource{Type: "Flag", ID: *m.Id, Patient: patient, Body: body, Index: ix}, err
}

// issue is a finding.
func (v JudgedView) issue(c Context, f *track.Finding) (Resource, error) {
	id := f.ID
	at := moment{f.Since, minute}
	m := &model.DetectedIssue{
		Id:                 &id,
		Status:             model.ObservationStatusFinal,
		Code:               c.Options.concept("rule-" + f.Rule),
		Severity:           severity(f.Severity),
		Patient:            ptr(reference("Patient", v.Patient)),
		IdentifiedDateTime: at.dateTime(c.Zone),
	}
	var tracks, accesses []string
	if f.Track != "" {
		tracks = []string{f.Track}
	}
	if f.Access != "" {
		accesses = []string{f.Access}
	}
	m.Implicated = v.places(tracks, accesses)
	for _, fact := range f.Facts {
		// A logical reference: what a fact gave carries its id as identifier.
		if list := identifier(FactSystem, fact); list != nil {
			m.Evidence = append(m.Evidence, model.DetectedIssueEvidence{Detail: []model.Reference{{Identifier: &list[0]}}})
		}
	}
	by := ""
	if f.Protocol != "" {
		by = " (protocol " + f.Protocol + ")"
	}
	m.Detail = text(f.Seen + ". Rule " + f.Rule + ": " + f.Asked + by + ". Clears: " + f.Clears + ". " + Advice)
	if !f.Cleared.IsZero() {
		m.Mitigation = []model.DetectedIssueMitigation{{
			Action: model.CodeableConcept{Text: text("Cleared: " + or(f.ClearedBy, "no longer so"))},
			Date:   moment{f.Cleared, minute}.dateTime(c.Zone),
		}}
	}
	return issueResource(v.Patient, m, at.period("identified", c.Zone))
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func severity(s rule.Severity) *model.DetectedIssueSeverity {
	switch s {
	case rule.Stop:
		return ptr(model.DetectedIssueSeverityHigh)
	case rule.Caution:
		return ptr(model.DetectedIssueSeverityModerate)
	}
	return ptr(model.DetectedIssueSeverityLow)
}

func issueResource(patient string, m *model.DetectedIssue, when Period) (Resource, error) {
	var ix Index
	ix.Dates = []Period{when}
	ix.concepts("code", m.Code)
	if m.Patient != nil {
		ix.refs("patient", *m.Patient)
	}
	ix.refs("implicated", m.Implicated...)
	body, err := m.MarshalJSON()
	return Resource{Type: "DetectedIssue", ID: *m.Id, Patient: patient, Body: body, Index: ix}, err
}

// TakenBack renders what a judgement no longer holds, from the version stored last: a
// DetectedIssue is cancelled, a Flag or an Observation entered in error. patient is the
// surviving patient key.
func TakenBack(c Context, patient, typ, id string, stored []byte) (Resource, error) {
	switch typ {
	case "DetectedIssue":
		m, err := model.UnmarshalDetectedIssue(stored)
		if err != nil {
			return Resource{}, fmt.Errorf("stored DetectedIssue/%s: %w", id, err)
		}
		m.Meta, m.Status, m.Patient = nil, model.ObservationStatusCancelled, ptr(reference("Patient", patient))
		return issueResource(patient, &m, stamp("identified", m.IdentifiedDateTime, c))
	case "Flag":
		m, err := model.UnmarshalFlag(stored)
		if err != nil {
			return Resource{}, fmt.Errorf("stored Flag/%s: %w", id, err)
		}
		m.Meta, m.Status, m.Subject = nil, model.FlagStatusEnteredInError, reference("Patient", patient)
		when := Period{Param: "date", Low: BeginningOfTime(), High: EndOfTime()}
		if m.Period != nil {
			when.Low = stamp("date", m.Period.Start, c).Low
			if m.Period.End != nil {
				when.High = stamp("date", m.Period.End, c).High
			}
		}
		return flagResource(patient, &m, when)
	case "Observation":
		m, err := model.UnmarshalObservation(stored)
		if err != nil {
			return Resource{}, fmt.Errorf("stored Observation/%s: %w", id, err)
		}
		m.Meta, m.Status, m.Subject = nil, model.ObservationStatusEnteredInError, ptr(reference("Patient", patient))
		body, err := m.MarshalJSON()
		return Resource{Type: typ, ID: id, Patient: patient, Body: body, Index: indexObservation(&m, []Period{stamp("date", m.EffectiveDateTime, c)})}, err
	}
	return Resource{}, fmt.Errorf("%s/%s: no judgement gives that type", typ, id)
}
