package fhir

import (
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// ownResource are the kinds of facts that give a resource whose id is the fact's, and its
// type. A correction keeps the fact's kind and id, so that this holds for good.
var ownResource = map[record.Kind]string{
	record.KindSitePrepared: "Procedure", record.KindNeedleInserted: "Procedure", record.KindNeedleRemoved: "Procedure",
	record.KindPegPlaced: "Procedure", record.KindPegRemoved: "Procedure",
	record.KindPegFoundMissing: "Observation", record.KindComplicationSeen: "Observation", record.KindAccessExamined: "Observation",
	record.KindVenousPressureRead: "Observation", record.KindAccessFlowMeasured: "Observation", record.KindCultureResulted: "Observation",
	record.KindAntimicrobialStarted: "Observation", record.KindAntimicrobialEnded: "Observation", record.KindSiteSignsSeen: "Observation",
	record.KindSuspectedSourceAssessed: "Observation", record.KindEventOutcomeAssessed: "Observation",
}

// evidence refers to the resource that was made of a fact of the finding, by whatever kind it
// is of; or else to the fact by its id, with words for its kind. Nil where there is no id.
func (v JudgedView) evidence(f *track.Finding, id string) *model.Reference {
	fact := v.Facts[id]
	if fact != nil {
		if ref := v.made(f, fact); ref != nil {
			typ, _, _ := strings.Cut(*ref.Reference, "/")
			ref.Type, ref.Display = &typ, text(kindWords(fact.BodyKind()))
			return ref
		}
	}
	list := identifier(FactSystem, id)
	if list == nil {
		return nil
	}
	ref := &model.Reference{Identifier: &list[0]}
	if fact != nil {
		ref.Display = text(kindWords(fact.BodyKind()))
	}
	return ref
}

// made refers to the resource that a fact gave, nil where it gave none of its own.
func (v JudgedView) made(f *track.Finding, fact *record.Fact) *model.Reference {
	kind := fact.BodyKind()
	if typ := ownResource[kind]; typ != "" {
		return new(reference(typ, fact.ID))
	}
	var places []model.Reference
	switch b := fact.Body.(type) {
	case *cannularyv1.SessionStarted, *cannularyv1.SessionEnded, *cannularyv1.SessionMissed:
		if fact.HasSession() {
			return new(reference("Procedure", fact.Session))
		}
	case *cannularyv1.AccessCreated, *cannularyv1.AccessRetired:
		places = v.places(nil, single(f.Access))
	case *cannularyv1.TrackPlanned, *cannularyv1.TrackTakenOver:
		places = v.places(single(f.Track), nil)
	case *cannularyv1.CannulatorRated:
		return practitioner(b.GetCannulator())
	case *cannularyv1.HoldPlaced:
		id := record.HoldID(rule.Person, fact.ID)
		for i := range v.All.Holds {
			if v.All.Holds[i].ID == id {
				return new(reference("Flag", id))
			}
		}
	}
	if len(places) == 0 {
		return nil
	}
	return &places[0]
}

// kindWords makes a kind of fact readable: "needle_inserted" is "Needle inserted".
func kindWords(k record.Kind) string {
	return capital(strings.ReplaceAll(string(k), "_", " "))
}
