package define

import (
	"encoding/json"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

// searchParameters are those that R4 has not.
func searchParameters() []json.Marshaler {
	var out []json.Marshaler
	for _, p := range []struct {
		id, code, about, expression string
		base                        model.ResourceType
		typ                         model.SearchParamType
		modifier                    []model.SearchModifierCode
	}{
		{"procedure-track", "track", "The needle track that a procedure was done on, or the access where no track is known.",
			"Procedure.extension.where(url = '" + fhir.TargetBodyStructure + "').value.ofType(Reference)",
			model.ResourceTypeProcedure, model.SearchParamTypeReference, nil},
		{"flag-track", "track", "A needle track or an access that is held.",
			"Flag.extension.where(url = '" + fhir.FlagDetail + "').value.ofType(Reference).where(reference.startsWith('BodyStructure/'))",
			model.ResourceTypeFlag, model.SearchParamTypeReference, nil},
		{"flag-status", "status", "Whether a hold is open (active), lifted (inactive) or was entered in error.", "Flag.status",
			model.ResourceTypeFlag, model.SearchParamTypeToken, nil},
		{"detectedissue-status", "status",
			"Whether what a rule found was taken back (cancelled) or not (final). What was cleared since stays final and carries a " +
				"mitigation: standing selects what stands.", "DetectedIssue.status",
			model.ResourceTypeDetectedIssue, model.SearchParamTypeToken, nil},
		{"detectedissue-standing", "standing", "Whether what a rule found stands now: it was not taken back, and nothing has cleared it.",
			"DetectedIssue.select(status = 'final' and mitigation.empty())",
			model.ResourceTypeDetectedIssue, model.SearchParamTypeToken, nil},
		{"detectedissue-severity", "severity", "How grave what a rule found is: high for a stop, moderate for a caution, low for a note.",
			"DetectedIssue.severity",
			model.ResourceTypeDetectedIssue, model.SearchParamTypeToken, nil},
	} {
		m := model.SearchParameter{
			Id: &p.id, Url: canonical("SearchParameter", p.id), Version: new(version), Name: computable(p.id),
			Status:       model.PublicationStatusActive,
			Experimental: new(true), Date: new(date), Publisher: new(publisher), Description: p.about, Code: p.code,
			Base: []model.ResourceType{p.base}, Type: p.typ, Expression: &p.expression,
			MultipleOr: new(true), MultipleAnd: new(true),
			Modifier: []model.SearchModifierCode{model.SearchModifierCodeMissing, model.SearchModifierCodeNot},
		}
		if p.typ == model.SearchParamTypeReference {
			m.Target = []model.ResourceType{model.ResourceTypeBodyStructure}
			m.Modifier = []model.SearchModifierCode{model.SearchModifierCodeMissing, model.SearchModifierCodeType}
		}
		out = append(out, m)
	}
	return out
}

// bulk is the Bulk Data Access guide's base, read at hl7.org/fhir/uv/bulkdata.
const bulk = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/"

// operations are those that are offered, each with exactly the parameters that are.
func operations() []json.Marshaler {
	in := func(name, typ, max, about string) model.OperationDefinitionParameter {
		return model.OperationDefinitionParameter{Name: name, Use: model.OperationParameterUseIn, Min: 0, Max: max,
			Documentation: &about, Type: &typ}
	}
	export := []model.OperationDefinitionParameter{
		in("_outputFormat", "string", "1",
			"Newline-delimited JSON, which is also what is given without it: application/fhir+ndjson, application/ndjson or ndjson."),
		in("_since", "instant", "1",
			"Only resources whose newest version was given at this time or later. The transactionTime of one export as _since of the "+
				"next loses nothing."),
		in("_type", "string", "*", "Only these resource types, with commas between them or repeated."),
		in("_typeFilter", "string", "*", "Only resources that a search finds, as Type?parameters; several for one type are joined by or."),
	}
	common := func(id, base, code, title, about string, parameters []model.OperationDefinitionParameter) model.OperationDefinition {
		return model.OperationDefinition{
			Id: &id, Url: new(canonical("OperationDefinition", id)), Version: new(version), Name: computable(id), Title: &title,
			Status: model.PublicationStatusActive,
			Kind:   model.OperationKindOperation, Experimental: new(true), Date: new(date), Publisher: new(publisher), Description: &about,
			AffectsState: new(false), Code: code, Base: &base, Parameter: parameters,
		}
	}
	everything := common("patient-everything", "http://hl7.org/fhir/OperationDefinition/Patient-everything", "everything",
		"Everything of a patient",
		"All resources of a patient's compartment, in pages.",
		[]model.OperationDefinitionParameter{
			in("start", "date", "1", "Only what happened on this day or later; what has no such date is given all the same."),
			in("end", "date", "1", "Only what happened on this day or earlier; what has no such date is given all the same."),
			in("_since", "instant", "1", "Only resources whose newest version was given at this time or later."),
			in("_type", "code", "*", "Only these resource types, with commas between them."),
			in("_count", "integer", "1", "The number of resources of a page."),
			{Name: "return", Use: model.OperationParameterUseOut, Min: 1, Max: "1", Documentation: new("A Bundle of type searchset."),
				Type: new("Bundle")},
		})
	everything.Instance, everything.Resource = true, []model.ResourceType{model.ResourceTypePatient}
	system := common("export", bulk+"export", "export", "Export of everything",
		"All resources of the register as files of newline-delimited JSON, made in the background from one state of the register.", export)
	system.System = true
	patients := common("patient-export", bulk+"patient-export", "export", "Export of all patients",
		"The compartments of all patients as files of newline-delimited JSON, made in the background from one state of the register.",
		export)
	patients.Type, patients.Resource = true, []model.ResourceType{model.ResourceTypePatient}
	group := common("group-export", bulk+"group-export", "export", "Export of a facility's patients",
		"The compartments of the patients of a facility, which its Group names, as files of newline-delimited JSON, made in the "+
			"background from one state of the register. Who belongs to the Group is found when the export begins.", export)
	group.Instance, group.Resource = true, []model.ResourceType{model.ResourceTypeGroup}
	return []json.Marshaler{everything, system, patients, group}
}
