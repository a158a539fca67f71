package projector

import (
	"slices"
	"strings"

	"cannulary/fhir"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// nullified reports whether a resource says of itself that it is entered in error or cancelled;
// of a MeasureReport R4 says "error".
func nullified(r *fhir.Resource) bool {
	return slices.ContainsFunc(r.Index.Tokens, func(t fhir.Token) bool {
		return t.Param == "status" && (t.Code == "entered-in-error" || t.Code == "cancelled" || r.Type == "MeasureReport" &&
			t.Code == "error")
	})
}

// activities sorts the versions that the event gave by what it did to them. A void may also void
// another void, or be the first to name its patient: only what it left entered in error is
// nullified.
func (w *writer) activities() []fhir.ProvenanceView {
	parts := []fhir.ProvenanceView{{Activity: fhir.ActivityNullify}, {Activity: fhir.ActivityUpdate}, {Activity: fhir.ActivityCreate}}
	created := !slices.ContainsFunc(w.given, func(t version) bool { return t.Version > 1 })
	voids := onlyVoids(w.own)
	for _, t := range w.given {
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

// reasons say why something was corrected or voided, each once: first what the event
// itself amends, then what came before and amends it.
func (w *writer) reasons() []string {
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
	for i := range w.own {
		f := &w.own[i]
		add(f)
		if f.HasSession() {
			sessions[record.SessionKey(f.SessionSystem, f.SessionValue)] = true
		}
	}
	var before []*record.Fact
	id := w.entry.Event.GetId()
	for i := range w.others {
		if f := &w.others[i]; w.amendedBy[f.EventID] && (strings.HasPrefix(f.Target, id+".") || sessions[f.TargetSession]) {
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
func (w *writer) provenance() error {
	if len(w.given) == 0 {
		return nil
	}
	ev := w.entry.Event
	var amended []fhir.SourceMessage
	if len(w.amendedBy) > 0 {
		list, err := w.load().ByID(w.amendedBy.sorted())
		if err != nil {
			return err
		}
		for _, a := range list {
			amended = append(amended, fhir.SourceMessage{Source: a.Event.GetSource(), ID: a.Event.GetSourceMessageId()})
		}
	}
	reasons := w.reasons()
	c, err := w.context("", ev.GetFacility())
	if err != nil {
		return err
	}
	var resources []fhir.Resource
	for _, part := range w.activities() {
		more, err := fhir.Provenance(c, fhir.ProvenanceView{
			EventID: ev.GetId(), Source: ev.GetSource(), SourceMessageID: ev.GetSourceMessageId(),
			OccurredAt: ev.GetOccurredAt().AsTime(), Precision: ev.GetPrecision(), Recorded: w.entry.Logged,
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
			r.Patient = w.identities.Survivor(ev.GetPatientKey())
		}
		if _, _, err := w.tx.Put(r, w.entry.Seq, w.updated); err != nil {
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
