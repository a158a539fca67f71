package define

import (
	"encoding/json"
	"slices"
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

func codeSystem() json.Marshaler {
	codes := fhir.Codes()
	m := model.CodeSystem{
		Id: new("cannulary"), Url: new(fhir.System), Version: new(version), Name: new("Cannulary"), Title: new("Constant-site needling"),
		Status: model.PublicationStatusActive, Experimental: new(true), Date: new(date), Publisher: new(publisher),
		Description: new("What is done and seen when an arteriovenous fistula is needled at constant sites, and what the register " +
			"judges of it. Codes are only ever added; the meaning of a code does not change."),
		CaseSensitive: new(true), Content: model.CodeSystemContentModeComplete, Count: new(len(codes)),
	}
	for i := range codes {
		m.Concept = append(m.Concept, model.CodeSystemConcept{Code: codes[i].Code, Display: &codes[i].Display,
			Definition: &codes[i].Definition})
	}
	return m
}

// family is one value set: the codes of a concept family.
type family struct {
	id, title string
	// prefixes and codes say which codes of ours it holds.
	prefixes, codes []string
	// system and foreign are codes of another system instead.
	system  string
	foreign [][2]string
}

var families = []family{
	{id: "access-kind", title: "Kinds of vascular access", codes: []string{"access-fistula", "access-graft", "access-tunneled-catheter",
		"access-non-tunneled-catheter", "access-other", "vascular-access"}},
	{id: "access-region", title: "Regions of the body in which an access lies", prefixes: []string{"access-region-"}},
	{id: "answer", title: "Answers to a question that may be asked without result", codes: []string{"yes", "no", "unknown"}},
	{id: "antimicrobial-route", title: "Routes of an antimicrobial", prefixes: []string{"antimicrobial-route-"}},
	{id: "antiseptic", title: "Antiseptics", prefixes: []string{"antiseptic-"}},
	{id: "bevel", title: "Bevel at entry", prefixes: []string{"bevel-"}},
	{id: "body-side", title: "Sides of the body", prefixes: []string{"body-side-"}},
	{id: "cannulator-level", title: "Ratings of cannulators", prefixes: []string{"cannulator-level-"}},
	{id: "collection-setting", title: "Settings in which a specimen is collected", prefixes: []string{"collection-setting-"}},
	{id: "complication", title: "Complications of needling", prefixes: []string{"complication-"}},
	{id: "culture", title: "Cultures by specimen", codes: []string{"culture-blood", "culture-access-site", "culture-other"}},
	{id: "culture-growth", title: "Growth in a culture", prefixes: []string{"culture-growth-"}},
	{id: "device-kind", title: "Kinds of device", codes: []string{"needle", "peg"}},
	{id: "dialysis-needle", title: "Dialysis needles by tip", codes: []string{"needle", "needle-tip-sharp", "needle-tip-blunt"}},
	{id: "disinfection-moment", title: "Moments of a disinfection", prefixes: []string{"disinfection-moment-"}},
	{id: "finding", title: "Findings on examination", codes: []string{"present", "absent"}},
	{id: "flow-method", title: "Methods of measuring the access flow", prefixes: []string{"flow-method-"}},
	{id: "insertion", title: "Insertions by tip", codes: []string{"insertion", "insertion-sharp", "insertion-blunt"}},
	{id: "insertion-outcome", title: "Outcomes of an insertion attempt", prefixes: []string{"insertion-outcome-"}},
	{id: "missed-reason", title: "Reasons for a missed treatment", prefixes: []string{"missed-reason-"}},
	{id: "needle-direction", title: "Needle directions", prefixes: []string{"needle-direction-"}},
	{id: "needle-role", title: "Needle roles", prefixes: []string{"needle-role-"}},
	{id: "needle-tip", title: "Needle tips", prefixes: []string{"needle-tip-"}},
	{id: "needling-pattern", title: "Needling patterns", prefixes: []string{"needling-pattern-"}},
	{id: "next-needle", title: "What comes next in a track", codes: []string{"needle-tip-sharp", "needle-tip-blunt", "next-needle-none"}},
	{id: "organism-group", title: "Groups of organisms", prefixes: []string{"organism-group-"}},
	{id: "peg-removal-outcome", title: "Outcomes of a peg's removal",
		codes: []string{"peg-removed-whole", "peg-removed-in-part", "unknown"}},
	{id: "provenance-activity", title: "What a message did to a version", system: "http://terminology.hl7.org/CodeSystem/v3-DataOperation",
		foreign: [][2]string{{"CREATE", "create"}, {"UPDATE", "revise"}, {"NULLIFY", "nullify"}}},
	{id: "removal", title: "What became of a scab or peg", codes: []string{"removal-none-present", "removal-whole", "removal-partly",
		"removal-not-removed", "removal-unknown"}},
	{id: "rescue-reason", title: "Reasons for a sharp needle in a formed track", prefixes: []string{"rescue-reason-"}},
	{id: "resistance", title: "Resistance on the way in", prefixes: []string{"resistance-"}},
	{id: "rule", title: "Needling rules", prefixes: []string{"rule-"}},
	{id: "susceptibility-result", title: "Answers of an organism to an antimicrobial", prefixes: []string{"susceptibility-result-"}},
	{id: "suspected-source", title: "Suspected sources of a positive blood culture", prefixes: []string{"suspected-source-"}},
	{id: "rate", title: "Rates by their denominator", codes: []string{"rate-by-census", "rate-by-access-days"}},
	{id: "technique", title: "What a patient is dialysed through and how it is needled", prefixes: []string{"technique-"}},
	{id: "track-qualifier", title: "Side and end of a track", prefixes: []string{"body-side-", "needle-role-"}},
	{id: "track-stage", title: "Stages of a track", prefixes: []string{"track-stage-"}},
}

// holds reports whether a code of ours belongs to the family.
func (f *family) holds(code string) bool {
	for _, p := range f.prefixes {
		if strings.HasPrefix(code, p) {
			return true
		}
	}
	return slices.Contains(f.codes, code)
}

func valueSets() []json.Marshaler {
	var out []json.Marshaler
	for i := range families {
		f := &families[i]
		include := model.ValueSetComposeInclude{System: new(fhir.System)}
		for _, c := range fhir.Codes() {
			if f.holds(c.Code) {
				include.Concept = append(include.Concept, model.ValueSetComposeIncludeConcept{Code: c.Code, Display: new(c.Display)})
			}
		}
		if f.system != "" {
			include.System = &f.system
			for _, c := range f.foreign {
				include.Concept = append(include.Concept, model.ValueSetComposeIncludeConcept{Code: c[0], Display: new(c[1])})
			}
		}
		out = append(out, model.ValueSet{
			Id: &f.id, Url: new(canonical("ValueSet", f.id)), Version: new(version), Name: new(computable(f.id)), Title: &f.title,
			Status: model.PublicationStatusActive, Experimental: new(true), Date: new(date), Publisher: new(publisher),
			Description: new(f.title + "."), Compose: &model.ValueSetCompose{Include: []model.ValueSetComposeInclude{include}},
		})
	}
	return out
}

func namingSystems() []json.Marshaler {
	var out []json.Marshaler
	for _, n := range []struct{ system, title, about string }{
		{fhir.AccessSystem, "accesses",
			"The id of an access's BodyStructure, which is unique. The sender's name is a second identifier without a system, unique for " +
				"one patient: search it together with the patient."},
		{fhir.FacilitySystem, "facilities", "The code of a facility in the messages."},
		{fhir.FactSystem, "facts",
			"The id of a fact: that of its message's event, a point, and the fact's place in the message from 0. A correction keeps it."},
		{fhir.FindingSystem, "findings",
			"The id of what a needling rule found, made from the rule, the place and the fact that it rests on."},
		{fhir.HoldSystem, "holds", "The id of a hold, by which a message lifts it."},
		{fhir.MaturitySystem, "maturity observations", "The id of the track whose maturity is given."},
		{fhir.MeasureReportSystem, "reports of infections", "A report, as facility/measure/month."},
		{fhir.MessageSystem, "messages", "A message, as source|id: the sending system's name and the id that it gave the message."},
		{fhir.SourceSystem, "sending systems", "The name of a sending system."},
		{fhir.PrincipalSystem, "principals", "The name of a principal of the policy: who asks, in the audit trail."},
		{fhir.TrackSystem, "tracks",
			"The id of a track's BodyStructure, which is unique. The sender's name is a second identifier without a system, unique for " +
				"one patient: search it together with the patient."},
	} {
		id := n.system[strings.LastIndex(n.system, "/")+1:]
		out = append(out, model.NamingSystem{
			Id: &id, Name: computable(id), Status: model.PublicationStatusActive, Kind: model.NamingSystemTypeIdentifier, Date: date,
			Publisher: new(publisher), Responsible: new(publisher), Description: new("Identifiers of " + n.title + ". " + n.about),
			UniqueId: []model.NamingSystemUniqueId{{Type: model.NamingSystemIdentifierTypeUri, Value: n.system, Preferred: new(true)}},
		})
	}
	return out
}
