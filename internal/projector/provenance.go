package projector

import (
	"slices"
	"strings"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// target is a version that the event gave.
type target struct {
	fhir.VersionedReference
	nullified bool // it is taken back
}

// takenBack tells whether a resource says of itself that it is entered in error or cancelled;
// of a MeasureReport R4 says "error".
func takenBack(r *fhir.Resource) bool {
	return slices.ContainsFunc(r.Index.Tokens, func(t fhir.Token) bool {
		return t.Param == "status" && (t.Code == "entered-in-error" || t.Code == "cancelled" || r.Type == "MeasureReport" && t.Code == "error")
	})
}

// activities sorts the versions that the event gave by what it did to them. A message that
// takes back may also take back a taking back, or be the first to name its patient: only what
// is entered in error since is nullified.
func (c *change) activities(facts []record.Fact) []fhir.ProvenanceView {
	parts := []fhir.ProvenanceView{{Activity: fhir.ActivityNullify}, {Activity: fhir.ActivityUpdate}, {Activity: fhir.ActivityCreate}}
	created := !slices.ContainsFunc(c.targets, func(t target) bool { return t.Version > 1 })
	voids := onlyVoids(facts)
	for _, t := range c.targets {
		n := 1
		switch {
		case voids && t.Version > 1 && t.nullified:
			n = 0
		case created, voids && t.Version == 1:
			n = 2
		}
		parts[n].Targets = append(parts[n].Targets, t.VersionedReference)
	}
	return parts
}

// reasons say why something was corrected or taken back, each once: first what the event
// itself amends, then what came before and amends it.
func (c *change) reasons(id string, own []record.Fact) []string {
	var out []string
	add := func(f *record.Fact) {
		why := f.Correction.GetReason()
		switch b := f.Body.(type) {
		case *cannularyv1.FactVoided:
			why = b.GetReason()
		case *cannularyv1.SessionVoided:
			why = b.GetReason()
		}
		if why != "" && !slices.Contains(out, why) {
			out = append(out, why)
		}
	}
	sessions := map[string]bool{}
	for i := range own {
		add(&own[i])
		if own[i].HasSession() {
			sessions[record.SessionKey(own[i].SessionSystem, own[i].SessionValue)] = true
		}
	}
	var before []*record.Fact
	for i := range c.others {
		if f := &c.others[i]; c.amended[f.EventID] && (strings.HasPrefix(f.Target, id+".") || sessions[f.TargetSession]) {
			before = append(before, f)
		}
	}
	slices.SortFunc(before, func(a, b *record.Fact) int { return strings.Compare(a.ID, b.ID) })
	for _, f := range before {
		add(f)
	}
	return out
}

// provenance says where the versions that the event gave come from.
func (p *Projector) provenance(c *change, e view.StoredEvent, facts []record.Fact) error {
	if len(c.targets) == 0 {
		return nil
	}
	ev := e.Event
	var amended []fhir.SourceMessage
	if len(c.amended) > 0 {
		list, err := c.tx.Load().ByID(sorted(c.amended))
		if err != nil {
			return err
		}
		for _, a := range list {
			amended = append(amended, fhir.SourceMessage{Source: a.Event.GetSource(), ID: a.Event.GetSourceMessageId()})
		}
	}
	reasons := c.reasons(ev.GetId(), facts)
	var resources []fhir.Resource
	for _, part := range c.activities(facts) {
		more, err := fhir.Provenance(p.context(c, ev.GetFacility()), fhir.ProvenanceView{
			EventID: ev.GetId(), Source: ev.GetSource(), SourceMessageID: ev.GetSourceMessageId(),
			OccurredAt: ev.GetOccurredAt().AsTime(), Precision: ev.GetPrecision(), Recorded: e.Logged,
			Recorder: ev.GetRecorder(), Facility: ev.GetFacility(), Targets: part.Targets, Activity: part.Activity, Amended: amended,
			Reasons: reasons, First: len(resources),
		})
		if err != nil {
			return &unclearError{err: err}
		}
		resources = append(resources, more...)
	}
	for _, r := range resources {
		if r.Patient == "" && ev.GetPatientKey() != "" {
			r.Patient = p.identities.Survivor(ev.GetPatientKey())
		}
		if _, _, err := c.tx.Put(r, c.seq, c.updated); err != nil {
			return err
		}
	}
	return nil
}

func onlyVoids(facts []record.Fact) bool {
	for i := range facts {
		if facts[i].Kind != record.KindFactVoided && facts[i].Kind != record.KindSessionVoided {
			return false
		}
	}
	return true
}
