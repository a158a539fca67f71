package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
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
	// Facts are those that the findings rest on, by their ids, as they were first told; of
	// those that are missing no more than the id is shown.
	Facts map[string]*record.Fact
}

// Basis is what every resource of the judgement depends on beside its own track, hold or
// finding: the patient and where they belong, which BodyStructures names stand for, where those are
// and whether they are needled. Where it differs from that of the judgement before, what did not
// change by itself has to be rendered anew too.
func (v JudgedView) Basis() string {
	lines := []string{v.Patient, v.All.Where.Facility}
	for i := range v.All.Tracks {
		t := &v.All.Tracks[i]
		lines = append(lines, fmt.Sprintf("track\t%s\t%s\t%s\t%d\t%t\t%t", t.Name, t.ID, t.Access, t.Role,
			t.Stage == track.Retired, t.Entered))
	}
	for i := range v.All.Accesses {
		a := &v.All.Accesses[i]
		lines = append(lines, fmt.Sprintf("access\t%s\t%s\t%d\t%d\t%d\t%t", a.Name, a.ID, a.Kind, a.Side, a.Region, a.Retired))
	}
	sort.Strings(lines[2:])
	return strings.Join(lines, "\n")
}

// MaturityID is the id of the Observation that tells how far a track has come.
func MaturityID(trackID string) string { return record.DerivedID("maturity", trackID) }

// Judged renders a judgement: an Observation of each track's maturity, a Flag for each hold,
// a DetectedIssue for each finding; in the order of (Type, ID). Times are told in UTC,
// whatever c.Zone: a patient is judged across facilities, and what was found at one may not
// change because the patient dialyses at another. A date is the local one, and searched as one of
// UTC for the same reason. It errs where a stage, needle, rule or
// severity is not known to this version.
func Judged(c Context, v JudgedView) ([]Resource, error) {
	c.Zone = time.UTC
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
	slices.SortFunc(out, inOrder)
	return out, nil
}

// places refers to the BodyStructures of tracks and accesses, of those that are known.
func (v JudgedView) places(tracks, accesses []string) []model.Reference {
	var out []model.Reference
	for _, name := range tracks {
		for i := range v.All.Tracks {
			if v.All.Tracks[i].Name == name {
				out = append(out, trackReference(&v.All.Tracks[i]))
			}
		}
	}
	for _, name := range accesses {
		for i := range v.All.Accesses {
			if a := &v.All.Accesses[i]; a.Name == name && a.ID != "" {
				out = append(out, shown(reference("BodyStructure", a.ID), "access "+name))
			}
		}
	}
	return out
}

func trackReference(s *track.State) model.Reference {
	return shown(reference("BodyStructure", s.ID), trackName(s.Name, word(s.Role), s.Access))
}

// trackPlace says which track it is and where: "track A1 (arterial, access F1, left forearm)".
func (v JudgedView) trackPlace(name string) string {
	out := "track " + name
	for i := range v.All.Tracks {
		s := &v.All.Tracks[i]
		if s.Name != name {
			continue
		}
		var more []string
		for _, w := range []string{word(s.Role), prefixed("access ", s.Access), v.region(s.Access)} {
			if w != "" {
				more = append(more, w)
			}
		}
		if len(more) > 0 {
			out += " (" + strings.Join(more, ", ") + ")"
		}
	}
	return out
}

// accessPlace says which access it is and where: "access F1 (left forearm)".
func (v JudgedView) accessPlace(name string) string {
	if where := v.region(name); where != "" {
		return "access " + name + " (" + where + ")"
	}
	return "access " + name
}

// region is where an access lies, empty where that is not recorded.
func (v JudgedView) region(access string) string {
	for i := range v.All.Accesses {
		if a := &v.All.Accesses[i]; a.Name == access {
			return strings.TrimSpace(word(a.Side) + " " + word(a.Region))
		}
	}
	return ""
}

// judged is the concept of a code that a judgement gave. One that this version does not
// know is an error: it must not be rendered as something else.
func (o Options) judged(code string) (*model.CodeableConcept, error) {
	if _, ok := local[code]; !ok {
		return nil, fmt.Errorf("%s is not known to this version", code)
	}
	return o.concept(code), nil
}

// nextNeedle is the local code of the needle that comes next.
func nextNeedle(n track.Needle) string {
	switch n {
	case track.Sharp, track.Blunt:
		return "needle-tip-" + string(n)
	}
	return "next-needle-" + string(n)
}

// maturity is how far a track has come and which needle comes next.
func (v JudgedView) maturity(c Context, s *track.State) (Resource, error) {
	stage, err := c.Options.judged("track-stage-" + string(s.Stage))
	if err != nil {
		return Resource{}, err
	}
	next, err := c.Options.judged(nextNeedle(s.Next.Needle))
	if err != nil {
		return Resource{}, err
	}
	id := MaturityID(s.ID)
	at := moment{s.Newest, minute}
	o := &model.Observation{
		Id:                   &id,
		Identifier:           identifier(MaturitySystem, s.ID),
		Status:               model.ObservationStatusFinal,
		Category:             []model.CodeableConcept{*coded(observationCategory, exam, observationCategoryDisplay(exam))},
		Code:                 *c.Options.concept("track-maturity"),
		Subject:              new(reference("Patient", v.Patient)),
		Focus:                []model.Reference{trackReference(s)},
		EffectiveDateTime:    at.dateTime(c.Zone),
		ValueCodeableConcept: stage,
		Method:               c.Options.concept("needling-protocol"),
		Note:                 note(sentences(s.Next.Why, Advice)),
	}
	o.Code.Text = text("Maturity of " + v.trackPlace(s.Name))
	if s.Protocol.Version != "" {
		o.Method.Text = text("Judged by needling protocol " + s.Protocol.Version + prefixed(" at ", v.All.Where.Facility))
	}
	parts := (&rendering{Context: c}).components(9)
	whole := func(code string, n int) { parts.add(code).ValueInteger = &n }
	whole("sessions-counted", s.Counted)
	whole("sessions-needed", s.Target+len(s.Extras))
	whole("blunt-streak", s.Streak)
	whole("rescues", s.Trends.Rescues)
	parts.concept("next-needle", next)
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
	return maturityResource(v.Patient, o, at.period("date", c.Zone))
}

func maturityResource(patient string, o *model.Observation, when Period) (Resource, error) {
	o.Text = maturityText(o)
	body, err := o.MarshalJSON()
	return Resource{Type: "Observation", ID: *o.Id, Patient: patient, Profile: profileMaturity, Body: body,
		Index: indexObservation(o, []Period{when})}, err
}

// issue is a finding.
func (v JudgedView) issue(c Context, f *track.Finding) (Resource, error) {
	code, err := c.Options.judged("rule-" + f.Rule)
	if err != nil {
		return Resource{}, err
	}
	grave, err := severity(f.Severity)
	if err != nil {
		return Resource{}, err
	}
	id := f.ID
	m := &model.DetectedIssue{
		Id:                 &id,
		Identifier:         identifier(FindingSystem, f.ID),
		Status:             model.ObservationStatusFinal,
		Code:               code,
		Severity:           &grave,
		Patient:            new(reference("Patient", v.Patient)),
		IdentifiedDateTime: moment{f.Since, minute}.dateTime(c.Zone),
		Implicated:         v.places(single(f.Track), single(f.Access)),
	}
	for _, fact := range f.Facts {
		if ref := v.evidence(f, fact); ref != nil {
			m.Evidence = append(m.Evidence, model.DetectedIssueEvidence{Detail: []model.Reference{*ref}})
		}
	}
	asked := prefixed("Asked: ", f.Asked)
	if f.Protocol != "" {
		asked = or(asked, "Judged") + " (protocol " + f.Protocol + ")"
	}
	clears := prefixed("Clears: ", f.Clears)
	if !f.Cleared.IsZero() {
		clears = "" // the mitigation tells what did
		m.Mitigation = []model.DetectedIssueMitigation{{
			Action: model.CodeableConcept{Text: text("Cleared: " + or(f.ClearedBy, "no longer so"))},
			Date:   moment{f.Cleared, minute}.dateTime(c.Zone),
		}}
	}
	m.Detail = text(sentences(capital(strings.TrimSpace(f.Seen)), asked, clears, Advice))
	return issueResource(v.Patient, m)
}

func single(name string) []string {
	if name == "" {
		return nil
	}
	return []string{name}
}

// sentences joins what is there of the list, each closed by a full stop.
func sentences(list ...string) string {
	var out []string
	for _, s := range list {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, strings.TrimSuffix(s, ".")+".")
		}
	}
	return strings.Join(out, " ")
}

// prefixed is empty where there is nothing to say.
func prefixed(prefix, s string) string {
	if strings.TrimSpace(s) == "" {
		return ""
	}
	return prefix + s
}

func or(s, otherwise string) string {
	if strings.TrimSpace(s) == "" {
		return otherwise
	}
	return s
}

func severity(s rule.Severity) (model.DetectedIssueSeverity, error) {
	switch s {
	case rule.Stop:
		return model.DetectedIssueSeverityHigh, nil
	case rule.Caution:
		return model.DetectedIssueSeverityModerate, nil
	case rule.Note:
		return model.DetectedIssueSeverityLow, nil
	}
	return 0, fmt.Errorf("severity %q is not known to this version", s)
}

func issueResource(patient string, m *model.DetectedIssue) (Resource, error) {
	ix := Index{Dates: []Period{stamp("identified", m.IdentifiedDateTime)}}
	ix.identifiers(m.Identifier)
	ix.token("status", observationStatus, m.Status.Code())
	// As the published SearchParameter detectedissue-standing says.
	ix.token("standing", "", strconv.FormatBool(m.Status == model.ObservationStatusFinal && len(m.Mitigation) == 0))
	if m.Severity != nil {
		ix.token("severity", issueSeverity, m.Severity.Code())
	}
	ix.concepts("code", m.Code)
	if m.Patient != nil {
		ix.refs("patient", *m.Patient)
	}
	ix.refs("implicated", m.Implicated...)
	m.Text = issueText(m)
	body, err := m.MarshalJSON()
	return Resource{Type: "DetectedIssue", ID: *m.Id, Patient: patient, Profile: profileFinding, Body: body, Index: ix}, err
}

// TakenBack renders what a judgement no longer holds, from the version stored last: a
// DetectedIssue is cancelled, a Flag or an Observation entered in error, which its narrative says too; all else stays.
// patient is the surviving patient key. It errs where stored is not that resource.
func TakenBack(_ Context, patient, typ, id string, stored []byte) (Resource, error) {
	r, err := takenBack(patient, typ, id, stored)
	if err != nil {
		return Resource{}, fmt.Errorf("stored %s/%s: %w", typ, id, err)
	}
	return r, nil
}

func takenBack(patient, typ, id string, stored []byte) (Resource, error) {
	// The model reads any resource as any type.
	var head struct {
		ID   string `json:"id"`
		Type string `json:"resourceType"`
	}
	if err := json.Unmarshal(stored, &head); err != nil {
		return Resource{}, err
	}
	if head.ID != id || head.Type != typ {
		return Resource{}, fmt.Errorf("it is %s/%s", head.Type, head.ID)
	}
	subject := reference("Patient", patient)
	switch typ {
	case "DetectedIssue":
		m, err := model.UnmarshalDetectedIssue(stored)
		if err != nil {
			return Resource{}, err
		}
		m.Meta, m.Status, m.Patient = nil, model.ObservationStatusCancelled, &subject
		return issueResource(patient, &m)
	case "Flag":
		m, err := model.UnmarshalFlag(stored)
		if err != nil {
			return Resource{}, err
		}
		m.Meta, m.Status, m.Subject = nil, model.FlagStatusEnteredInError, subject
		return flagResource(patient, &m)
	case "Observation":
		m, err := model.UnmarshalObservation(stored)
		if err != nil {
			return Resource{}, err
		}
		m.Meta, m.Issued, m.Status, m.Subject = nil, nil, model.ObservationStatusEnteredInError, &subject
		return maturityResource(patient, &m, stamp("date", m.EffectiveDateTime))
	}
	return Resource{}, errors.New("no judgement gives that type")
}
