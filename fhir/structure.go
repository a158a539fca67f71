package fhir

import (
	"fmt"
	"strconv"
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// plan is what is known of a track, whoever told it.
type plan struct {
	access    string
	role      cannularyv1.NeedleRole
	site      *uint32
	angle     *float64
	depth     *float64
	direction cannularyv1.NeedleDirection
	bevel     cannularyv1.Bevel
	gauge     *uint32
	length    *uint32
	landmarks string
	fallback  string
}

// Track renders the BodyStructure of a track. items are facts that may describe it
// (plans, take-overs, retirements; its access's creation and retirement), in the order of
// record.Before; others are passed over. The latest plan or take-over that stands is
// shown. A track whose every description was taken back is not active, nor is one that is
// known under another identity of the patient since a merge. How far a track has come is
// never stored here: it is a judgement.
func Track(c Context, patientKey, track string, items []record.Item) (Resource, error) {
	var p plan
	told, stands, retired := false, false, false
	for i := range items {
		it := &items[i]
		q, about := describes(it.Body, track)
		if t, ok := it.Body.(*cannularyv1.TrackRetired); ok && t.GetTrack() == track && !it.Void {
			retired = true
		}
		if !about {
			continue
		}
		told = true
		if !it.Void {
			p, stands = q, true
		}
	}
	a := accessOf(items, p.access)
	id := record.TrackID(patientKey, track)
	m := model.BodyStructure{
		Id:         &id,
		Identifier: named(TrackSystem, id, track),
		Active:     new(id == c.trackID(patientKey, track) && !retired && !(p.access != "" && a.retired) && (stands || !told)),
		Morphology: c.Options.concept("constant-site-track"),
		Patient:    reference("Patient", c.subject(patientKey)),
	}
	if err := a.place(c.Options, &m); err != nil {
		return Resource{}, fmt.Errorf("track %s: %w", track, err)
	}
	role, err := c.Options.enum(p.role)
	if err != nil {
		return Resource{}, fmt.Errorf("track %s: %w", track, err)
	}
	if role != nil {
		m.LocationQualifier = append(m.LocationQualifier, *role)
	}
	m.Description = text(p.describe())
	return structure(c, patientKey, &m, profileTrack)
}

// describes reads what a fact says of the track.
func describes(body any, track string) (plan, bool) {
	switch b := body.(type) {
	case *cannularyv1.TrackPlanned:
		for _, t := range b.GetTracks() {
			if t.GetTrack() == track {
				return plan{access: b.GetAccess(), role: t.GetRole(), site: t.SiteFromAnastomosisMillimetres,
					angle: t.AngleDegrees, depth: t.DepthMillimetres, direction: t.GetDirection(), bevel: t.GetBevel(),
					gauge: t.Gauge, length: t.NeedleLengthMillimetres, landmarks: t.GetLandmarks(), fallback: t.GetFallback()}, true
			}
		}
	case *cannularyv1.TrackTakenOver:
		if b.GetTrack() == track {
			return plan{access: b.GetAccess(), role: b.GetRole(), site: b.SiteFromAnastomosisMillimetres,
				angle: b.AngleDegrees, depth: b.DepthMillimetres, direction: b.GetDirection(),
				gauge: b.Gauge, landmarks: b.GetLandmarks()}, true
		}
	}
	return plan{}, false
}

// describe puts a plan's figures into words; BodyStructure has no elements for them.
func (p *plan) describe() string {
	var s []string
	whole := func(format string, v *uint32) {
		if v != nil {
			s = append(s, fmt.Sprintf(format, *v))
		}
	}
	decimal := func(format string, v *float64) {
		if v != nil {
			s = append(s, fmt.Sprintf(format, strconv.FormatFloat(*v, 'f', -1, 64)))
		}
	}
	whole("site %d mm from the anastomosis", p.site)
	decimal("angle %s°", p.angle)
	decimal("depth %s mm", p.depth)
	switch p.direction {
	case cannularyv1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE:
		s = append(s, "antegrade")
	case cannularyv1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE:
		s = append(s, "retrograde")
	}
	switch p.bevel {
	case cannularyv1.Bevel_BEVEL_UP:
		s = append(s, "bevel up")
	case cannularyv1.Bevel_BEVEL_DOWN:
		s = append(s, "bevel down")
	}
	whole("gauge %d", p.gauge)
	whole("needle length %d mm", p.length)
	if t := text(p.landmarks); t != nil {
		s = append(s, "landmarks: "+*t)
	}
	if t := text(p.fallback); t != nil {
		s = append(s, "fall-back: "+*t)
	}
	return strings.Join(s, "; ")
}

// accessFacts is what is known of an access.
type accessFacts struct {
	kind    cannularyv1.AccessKind
	side    cannularyv1.BodySide
	region  cannularyv1.AccessRegion
	told    bool
	stands  bool
	retired bool
}

func accessOf(items []record.Item, access string) accessFacts {
	var a accessFacts
	for i := range items {
		switch b := items[i].Body.(type) {
		case *cannularyv1.AccessCreated:
			if b.GetAccess() != access {
				continue
			}
			a.told = true
			if !items[i].Void {
				a.kind, a.side, a.region, a.stands = b.GetKind(), b.GetSide(), b.GetRegion(), true
			}
		case *cannularyv1.AccessRetired:
			if b.GetAccess() == access && !items[i].Void {
				a.retired = true
			}
		}
	}
	return a
}

// place sets where on the body it is.
func (a *accessFacts) place(o Options, m *model.BodyStructure) error {
	region, err := o.enum(a.region)
	if err != nil {
		return err
	}
	side, err := o.enum(a.side)
	if err != nil {
		return err
	}
	m.Location = region
	if side != nil {
		m.LocationQualifier = append(m.LocationQualifier, *side)
	}
	return nil
}

// Access renders the BodyStructure of an access. items are its creations and retirements
// in the order of record.Before; others are passed over, and there may be none. The
// latest creation that stands is shown. One that is known under another identity of the
// patient since a merge is not active.
func Access(c Context, patientKey, access string, items []record.Item) (Resource, error) {
	a := accessOf(items, access)
	id := record.AccessID(patientKey, access)
	m := model.BodyStructure{
		Id:         &id,
		Identifier: named(AccessSystem, id, access),
		Active:     new(id == c.accessID(patientKey, access) && !a.retired && (a.stands || !a.told)),
		Morphology: c.Options.concept("vascular-access"),
		Patient:    reference("Patient", c.subject(patientKey)),
	}
	kind, err := c.Options.enum(a.kind)
	if err == nil {
		err = a.place(c.Options, &m)
	}
	if err != nil {
		return Resource{}, fmt.Errorf("access %s: %w", access, err)
	}
	if kind != nil {
		m.Morphology = kind
	}
	return structure(c, patientKey, &m, profileAccess)
}

// NameType is the text that tells the sender's name of a track or an access from the
// identifier that is unique.
const NameType = "name in the unit"

// named are the identifiers of a track or an access: its own id, which is unique in the
// system, and the sender's name, which is so for one patient only and has no system.
func named(system, id, name string) []model.Identifier {
	out := identifier(system, id)
	out[0].Use = new(model.IdentifierUseOfficial)
	if n := text(name); n != nil {
		out = append(out, model.Identifier{Use: new(model.IdentifierUseSecondary),
			Type: &model.CodeableConcept{Text: new(NameType)}, Value: n})
	}
	return out
}

func structure(c Context, patientKey string, m *model.BodyStructure, profile string) (Resource, error) {
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	var ix Index
	ix.identifiers(m.Identifier)
	ix.concepts("morphology", m.Morphology)
	ix.concepts("location", m.Location)
	ix.refs("patient", m.Patient)
	return Resource{Type: "BodyStructure", ID: *m.Id, Patient: c.subject(patientKey), Profile: profile, Body: body, Index: ix}, nil
}
