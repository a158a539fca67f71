package search

import (
	"fmt"
	"slices"
	"strings"
)

// Included answers the keys of the resources, beyond the matches, that _include and
// _revinclude (Type:parameter or Type:parameter:Target) add to one page of matches; sorted.
//
// Reading: the matches themselves are not included a second time.
func (c *Corpus) Included(matches, include, revinclude []string) ([]string, error) {
	found := map[string]bool{}
	for _, key := range matches {
		r := c.byKey[key]
		if r == nil {
			return nil, fmt.Errorf("no resource %s", key)
		}
		for _, join := range include {
			source, p, target, err := readJoin(join)
			if err != nil {
				return nil, err
			}
			if source != r.Type {
				continue
			}
			for _, e := range c.elements(r, p) {
				if to := c.byKey[c.local(e)]; to != nil && (target == "" || target == to.Type) {
					found[to.Key()] = true
				}
			}
		}
	}
	for _, join := range revinclude {
		source, p, target, err := readJoin(join)
		if err != nil {
			return nil, err
		}
		for _, r := range c.byType[source] {
			for _, e := range c.elements(r, p) {
				to := c.local(e)
				if typ, _, _ := strings.Cut(to, "/"); slices.Contains(matches, to) && (target == "" || target == typ) {
					found[r.Key()] = true
				}
			}
		}
	}
	out := []string{}
	for key := range found {
		if !slices.Contains(matches, key) {
			out = append(out, key)
		}
	}
	slices.Sort(out)
	return out, nil
}

// readJoin reads Type:parameter[:Target].
func readJoin(s string) (source string, p *param, target string, err error) {
	list := strings.Split(s, ":")
	if len(list) < 2 || len(list) > 3 {
		return "", nil, "", fmt.Errorf("%s is not Type:parameter or Type:parameter:Target", s)
	}
	p, ok := lookup(list[0], list[1])
	if !ok || p.kind != Reference {
		return "", nil, "", fmt.Errorf("%s has no reference %s", list[0], list[1])
	}
	if len(list) == 3 {
		target = list[2]
	}
	return list[0], p, target, nil
}

// subset are the elements at the root of a type that R4 makes mandatory (min of 1) and
// those that belong to its summary (isSummary), and those that change the meaning of the
// rest (isModifier) as far as they are neither, by the StructureDefinitions of 4.0.1.
type subset struct{ mandatory, summary, modifier string }

var subsets = map[string]subset{
	"BodyStructure": {"patient", "identifier active morphology location description patient", "active"},
	"CodeSystem": {"status content",
		"url identifier version name title status experimental date publisher contact useContext jurisdiction caseSensitive valueSet " +
			"hierarchyMeaning compositional versionNeeded content supplements count filter property", ""},
	"DetectedIssue": {"status", "identifier status code severity patient identified[x] author implicated", ""},
	"Device":        {"", "udiCarrier status safety", "status"},
	"Flag":          {"status code subject", "identifier status category code subject period encounter author", ""},
	"Group":         {"type actual", "identifier active type actual code name quantity managingEntity", ""},
	"Location": {"",
		"identifier status operationalStatus name description mode type physicalType managingOrganization", "status"},
	"Measure": {"status",
		"url identifier version name title status experimental date publisher contact description useContext jurisdiction " +
			"effectivePeriod disclaimer scoring compositeScoring type riskAdjustment rateAggregation rationale " +
			"clinicalRecommendationStatement improvementNotation definition guidance", ""},
	"MeasureReport": {"status type measure period", "identifier status type measure subject date reporter period improvementNotation",
		"improvementNotation"},
	"NamingSystem": {"name status kind date uniqueId",
		"name status kind date publisher contact useContext jurisdiction uniqueId", ""},
	"Observation": {"status code",
		"identifier basedOn partOf status code subject focus encounter effective[x] issued performer value[x] hasMember derivedFrom " +
			"component", ""},
	"OperationDefinition": {"name status kind code system type instance",
		"url version name title status kind experimental date publisher contact useContext jurisdiction affectsState code base resource " +
			"system type instance", ""},
	"Organization": {"", "identifier active type name partOf", "active"},
	"Patient": {"", "identifier active name telecom gender birthDate deceased[x] address managingOrganization link",
		"active deceased[x] link"},
	"Practitioner": {"", "identifier active name telecom address gender birthDate", ""},
	"Procedure": {"status subject",
		"identifier instantiatesCanonical instantiatesUri basedOn partOf status statusReason category code subject encounter " +
			"performed[x] recorder asserter performer location reasonCode reasonReference bodySite outcome", ""},
	"Provenance": {"target recorded agent", "target recorded", ""},
	"SearchParameter": {"url name status description code base type",
		"url version name status experimental date publisher contact description useContext jurisdiction code base type", ""},
	"StructureDefinition": {"url name status kind abstract type",
		"url identifier version name title status experimental date publisher contact useContext jurisdiction keyword fhirVersion kind " +
			"abstract context contextInvariant type baseDefinition derivation", ""},
	"ValueSet": {"status",
		"url identifier version name title status experimental date publisher contact useContext jurisdiction immutable", ""},
}

// Kept lists the elements at the root, sorted, that stay of a resource: by _summary (true,
// text, data; empty for none) or by _elements. resourceType, id and meta always stay, and
// mandatory elements do ("servers SHOULD always return mandatory elements").
//
// Reading: elements that change the meaning of the rest stay with the mandatory ones; R4
// asks clients to list them, and a part without them would be misread.
//
// Reading: the elements that are mandatory stay in _summary=true as well; R4 marks all of
// them as summary but Provenance.agent.
func (c *Corpus) Kept(r *Resource, summary string, elements []string) []string {
	s := subsets[r.Type]
	mandatory, in := strings.Fields(s.mandatory+" "+s.modifier), strings.Fields(s.summary)
	out := []string{}
	for name := range r.Body {
		stays := is(name, []string{"resourceType", "id", "meta", "implicitRules", "modifierExtension"}) || is(name, mandatory)
		switch summary {
		case "true":
			stays = stays || is(name, in)
		case "text":
			stays = stays || name == "text"
		case "data":
			stays = name != "text"
		default:
			stays = stays || is(name, elements)
		}
		if stays {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// is reports whether a JSON name is one of the elements, of which name[x] is a choice of types.
func is(name string, elements []string) bool {
	return slices.ContainsFunc(elements, func(e string) bool {
		choice, ok := strings.CutSuffix(e, "[x]")
		return e == name || ok && strings.HasPrefix(name, choice) && len(name) > len(choice) && name[len(choice)] >= 'A' &&
			name[len(choice)] <= 'Z'
	})
}

// Subsetted is the tag that marks what was cut.
const Subsetted = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue|SUBSETTED"
