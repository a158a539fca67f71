package facade_test

import (
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
)

func TestErrors(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "1", fhir.Index{}), resource("Patient", "p", "p", "", fhir.Index{}))
	const form, formType = "Content-Type", "application/x-www-form-urlencoded"
	procedureParams := "_count, _cursor, _elements, _format, _id, _include, _lastUpdated, _pretty, _revinclude, _sort, _summary, _total, category, code, date, encounter, identifier, location, part-of, patient, performer, reason-code, status, subject, track"
	observationParams := "_count, _cursor, _elements, _format, _id, _include, _lastUpdated, _pretty, _revinclude, _sort, _summary, _total, category, code, code-value-concept, code-value-quantity, combo-code, combo-code-value-concept, combo-code-value-quantity, combo-data-absent-reason, combo-value-concept, combo-value-quantity, component-code, component-code-value-concept, component-code-value-quantity, component-data-absent-reason, component-value-concept, component-value-quantity, data-absent-reason, date, encounter, focus, has-member, identifier, method, part-of, patient, performer, status, subject, value-concept, value-quantity"
	const inCompartment = "BodyStructure, Procedure, Observation, DetectedIssue, Flag, Provenance"
	types := "Patient, Practitioner, Organization, Location, Group, BodyStructure, Procedure, Observation, DetectedIssue, Flag, Device, MeasureReport, Provenance, StructureDefinition, CodeSystem, ValueSet, NamingSystem, SearchParameter, OperationDefinition, Measure"
	dates := "a date is YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm[:ss[.fff]] with Z or an offset, after an optional prefix; without either it is compared with the date and time as the resource writes them"
	for _, c := range []struct {
		method, path, body string
		headers            []string
		status             int
		code, text, where  string
	}{
		// Where there is nothing.
		{"GET", "", "", nil, 404, "not-supported", "a search over all types is not possible; search one of " + types, ""},
		{"GET", "/Encounter", "", nil, 404, "not-supported", "there is no resource type Encounter here; use one of " + types, ""},
		{"GET", "/Encounter/1", "", nil, 404, "not-supported", "there is no resource type Encounter here; use one of " + types, ""},
		{"GET", "/procedure", "", nil, 404, "not-supported", "there is no resource type procedure here; use one of " + types, ""},
		{"GET", "/Procedure/none", "", nil, 404, "not-found", "there is no Procedure of this id here", ""},
		{"GET", "/Procedure/none/_history", "", nil, 404, "not-found", "there is no Procedure of this id here", ""},
		{"GET", "/Procedure/none/_history/1", "", nil, 404, "not-found", "there is no Procedure of this id here", ""},
		{"GET", "/Procedure/a/_history/2", "", nil, 404, "not-found", "Procedure/a has no version 2; the newest is 1", ""},
		{"GET", "/Procedure/a/_history/01", "", nil, 404, "not-found", "Procedure/a has no version 01; the newest is 1", ""},
		{"GET", "/Procedure/a/_history/x", "", nil, 404, "not-found", "Procedure/a has no version x; the newest is 1", ""},
		{"GET", "/Patient/none/$everything", "", nil, 404, "not-found", "there is no Patient of this id here", ""},
		{"GET", "/Procedure/a/$everything", "", nil, 404, "not-supported", "there is nothing at /fhir/Procedure/a/$everything; /fhir/metadata lists what there is", ""},
		{"GET", "/Measure/_history", "", nil, 404, "not-supported", "there is nothing at /fhir/Measure/_history; /fhir/metadata lists what there is", ""},
		{"GET", "/Measure/a/_history", "", nil, 404, "not-supported", "there is nothing at /fhir/Measure/a/_history; /fhir/metadata lists what there is", ""},
		{"GET", "/Measure/none", "", nil, 404, "not-found", "there is no Measure of this id here", ""},
		{"GET", "/Patient/$export", "", nil, 404, "not-supported", "there is nothing at /fhir/Patient/$export; /fhir/metadata lists what there is", ""},
		{"GET", "/Procedure/a/b", "", nil, 404, "not-supported", "there is nothing at /fhir/Procedure/a/b; /fhir/metadata lists what there is", ""},
		{"GET", "er", "", nil, 404, "not-supported", "there is nothing at /fhirer; /fhir/metadata lists what there is", ""},
		{"GET", "/Patient/p/Location", "", nil, 404, "not-supported", "there is nothing at /fhir/Patient/p/Location; in the compartment of a Patient " + inCompartment + " can be searched; Patient/p/$everything answers all of it", ""},
		{"GET", "/Patient/p/*", "", nil, 404, "not-supported", "there is nothing at /fhir/Patient/p/*; in the compartment of a Patient " + inCompartment + " can be searched; Patient/p/$everything answers all of it", ""},
		{"GET", "/Patient/none/Observation", "", nil, 404, "not-found", "there is no Patient of this id here", ""},
		{"GET", "/Patient/p/Observation?patient=p&x=1", "", nil, 400, "not-supported", "x is not a search parameter of Observation; use one of " + observationParams + "; with Prefer: handling=lenient it would be ignored", "http.x"},
		// Methods.
		{"POST", "/Patient/p/Observation", "{}", nil, 405, "not-supported", "POST is not possible at /fhir/Patient/p/Observation; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		{"POST", "/Procedure", "{}", nil, 405, "not-supported", "POST is not possible at /fhir/Procedure; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		{"PUT", "/Procedure/a", "{}", nil, 405, "not-supported", "PUT is not possible at /fhir/Procedure/a; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		{"PATCH", "/Procedure/a", "{}", nil, 405, "not-supported", "PATCH is not possible at /fhir/Procedure/a; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		{"DELETE", "/Procedure/a", "", nil, 405, "not-supported", "DELETE is not possible at /fhir/Procedure/a; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		{"GET", "/Procedure/_search", "", nil, 405, "not-supported", "GET is not possible at /fhir/Procedure/_search; this service takes no FHIR writes; allowed: POST", ""},
		{"POST", "", "{}", nil, 405, "not-supported", "POST is not possible at /fhir; this service takes no FHIR writes; allowed: GET, HEAD", ""},
		// Formats.
		{"GET", "/Procedure/a", "", []string{"Accept", "application/fhir+xml"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not application/fhir+xml", "http.Accept"},
		{"GET", "/Procedure/a", "", []string{"Accept", "application/json;q=0"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not application/json;q=0", "http.Accept"},
		{"GET", "/Procedure/a", "", []string{"Accept", "application/fhir+json; fhirVersion=3.0"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not application/fhir+json; fhirVersion=3.0", "http.Accept"},
		{"GET", "/Procedure?_format=xml", "", []string{"Accept", "application/json"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not xml", "http._format"},
		{"POST", "/Procedure/_search", "{}", []string{form, "application/json"}, 415, "not-supported", "the body of a _search must be application/x-www-form-urlencoded in UTF-8, not application/json", "http.Content-Type"},
		{"POST", "/Procedure/_search", "x", nil, 415, "not-supported", "the body of a _search must be application/x-www-form-urlencoded in UTF-8, not nothing", "http.Content-Type"},
		{"POST", "/Procedure/_search", "a=b", []string{form, formType + "; charset=iso-8859-1"}, 415, "not-supported", "the body of a _search must be application/x-www-form-urlencoded in UTF-8, not application/x-www-form-urlencoded; charset=iso-8859-1", "http.Content-Type"},
		{"POST", "/Patient/p/$everything", "start=2026", []string{form, formType}, 415, "not-supported", "the body of a $everything must be a Parameters resource as application/fhir+json, not application/x-www-form-urlencoded", "http.Content-Type"},
		{"POST", "/Patient/p/$everything", `{"resourceType":"Parameters","parameter":[{"name":"_count","valueString":"2"},{"name":"start","valueInteger":2026}]}`, []string{form, "application/fhir+json"}, 400, "structure", `parameter[1] start needs a name and one value such as {"name":"start","valueDate":"2026-01-01"}`, "Parameters.parameter[1]"},
		{"POST", "/Procedure/_search", "a=%zz", []string{form, formType}, 400, "structure", "the body of the _search cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C", ""},
		{"POST", "/Procedure/_search", "status=" + strings.Repeat("x", 70000), []string{form, formType}, 413, "too-long", "the body of a _search may have at most 65536 bytes", ""},
		{"GET", "/Procedure?a=%zz", "", nil, 400, "structure", "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C", ""},
		{"GET", "/Procedure/a", "", []string{"Accept", "*/*, application/json;q=0, application/fhir+json;q=0"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not */*, application/json;q=0, application/fhir+json;q=0", "http.Accept"},
		{"GET", "/Procedure/a?_format=xml,json", "", nil, 406, "not-supported", "only JSON is answered (application/fhir+json), not xml,json", "http._format"},
		{"GET", "/Procedure/a?_format=", "", nil, 406, "not-supported", "only JSON is answered (application/fhir+json), not nothing", "http._format"},
		{"GET", "/Procedure/a?_format=*", "", nil, 406, "not-supported", "only JSON is answered (application/fhir+json), not *", "http._format"},
		// Parameters.
		{"GET", "/Procedure?basedOn=1", "", nil, 400, "not-supported", "basedOn is not a search parameter of Procedure; use one of " + procedureParams + "; with Prefer: handling=lenient it would be ignored", "http.basedOn"},
		{"GET", "/Procedure?Patient=p", "", []string{"Prefer", "handling=strict"}, 400, "not-supported", "Patient is not a search parameter of Procedure; use one of " + procedureParams + "; with Prefer: handling=lenient it would be ignored", "http.Patient"},
		{"GET", "/Procedure?encounter=1", "", nil, 400, "not-supported", "encounter: Encounter is known by its identifier only; search by encounter:identifier=system|value", "http.encounter"},
		{"GET", "/Procedure?encounter:Encounter=1", "", nil, 400, "not-supported", "encounter: the modifier :Encounter is not offered; there is :identifier, :missing", "http.encounter:Encounter"},
		{"GET", "/Procedure?encounter.status=x", "", nil, 400, "not-supported", "encounter: Encounter is known by its identifier only; search by encounter:identifier=system|value", "http.encounter.status"},
		{"GET", "/Procedure?patient.link.active=x", "", nil, 400, "not-supported", "patient.link.active: chains of more than one step are not offered; look the resource up first and search by its id", "http.patient.link.active"},
		{"GET", "/Procedure?patient.name=x", "", []string{"Prefer", "handling=lenient"}, 400, "not-supported", "name is not a search parameter of Patient; use one of _count, _cursor, _elements, _format, _id, _include, _lastUpdated, _pretty, _revinclude, _sort, _summary, _total, active, identifier, link; with Prefer: handling=lenient it would be ignored", "http.patient.name"},
		{"GET", "/Procedure?patient._count=1", "", nil, 400, "not-supported", "_count: parameters that shape an answer are not possible here; give search parameters of Patient only", "http.patient._count"},
		{"GET", "/Procedure?status.x=1", "", nil, 400, "not-supported", "status.x: status cannot be chained; it is not a reference", "http.status.x"},
		{"GET", "/Provenance?target.status=x", "", nil, 400, "not-supported", "target.status: target cannot be chained; it may name BodyStructure, DetectedIssue, Device, Flag, Group, Location, MeasureReport, Observation, Organization, Patient, Practitioner, Procedure; look the resource up first and search by its id", "http.target.status"},
		{"GET", "/Procedure?status:above=x", "", nil, 400, "not-supported", "status: the modifier :above is not offered; there is :missing, :not", "http.status:above"},
		{"GET", "/Procedure?_id:not=x", "", nil, 400, "not-supported", "_id: the modifier :not is not offered; there are none for _id", "http._id:not"},
		{"GET", "/Procedure?status:missing=maybe", "", nil, 400, "value", "status:missing: maybe is neither true nor false", "http.status"},
		{"GET", "/Procedure?patient:Group=x", "", nil, 400, "not-supported", "patient: the modifier :Group is not offered; there is :missing, :Patient", "http.patient:Group"},
		{"GET", "/Observation?code-value-concept=a", "", nil, 400, "value", `code-value-concept: a is not of the form code$value; write \$ for a $ inside`, "http.code-value-concept"},
		{"GET", "/Observation?code-value-concept=a$", "", nil, 400, "value", `code-value-concept: a$ is not of the form code$value; write \$ for a $ inside`, "http.code-value-concept"},
		{"GET", "/Observation?component-code-value-quantity=a$b", "", nil, 400, "value", "component-code-value-quantity: component-value-quantity: b is not a number", "http.component-code-value-quantity"},
		{"GET", `/Procedure?status=a\b`, "", nil, 400, "value", `status: in a\b a backslash stands before something else than , | $ or \; write \\ for a backslash itself`, "http.status"},
		{"GET", "/MeasureReport?measure.name=x", "", nil, 400, "not-supported", "measure.name: measure cannot be chained; it may name Measure; look the resource up first and search by its id", "http.measure.name"},
		{"GET", "/Procedure?_include=performer", "", nil, 400, "value", "_include: performer is not of the form Type:parameter or Type:parameter:Target", "http._include"},
		{"GET", "/Procedure?_include=Procedure:encounter", "", nil, 400, "not-supported", "_include: Procedure:encounter is not offered for Procedure; use one of Procedure:patient, Procedure:subject, Procedure:part-of, Procedure:performer, Procedure:location, Procedure:track", "http._include"},
		{"GET", "/Procedure?_include=*", "", nil, 400, "value", "_include: * is not of the form Type:parameter or Type:parameter:Target", "http._include"},
		{"GET", "/Procedure?_include:iterate=Procedure:performer", "", nil, 400, "not-supported", "_include:iterate: the modifier is not offered; what is included is not followed further", "http._include:iterate"},
		{"GET", "/Patient?_revinclude=Observation:patient", "", nil, 400, "not-supported", "_revinclude: Observation:patient is not offered for Patient; use one of Patient:link, Provenance:target, Provenance:patient", "http._revinclude"},
		{"GET", "/Procedure?_include=Procedure:performer&_summary=text", "", nil, 400, "value", "_summary=text cannot be joined with _include or _revinclude; leave one out", "http._summary"},
		{"GET", "/Procedure?_elements=Procedure.status", "", nil, 400, "value", "_elements: Procedure.status is not the name of an element; give top-level elements such as status,code, without a type", "http._elements"},
		{"GET", "/Procedure/a?_elements=", "", nil, 400, "value", "_elements has an empty value; leave it out or give one", "http._elements"},
		{"GET", "/Procedure/a?_summary=count", "", nil, 400, "not-supported", "_summary: count is not offered for one resource; use one of data, false, text, true", "http._summary"},
		{"GET", "/Flag?status=aktive", "", nil, 400, "code-invalid", "status: aktive is never a value here; use one of active, inactive, entered-in-error of http://hl7.org/fhir/flag-status", "http.status"},
		{"GET", "/Flag?status=https://other.example%7Cactive", "", nil, 400, "code-invalid", "status: https://other.example|active is never a value here; use one of active, inactive, entered-in-error of http://hl7.org/fhir/flag-status", "http.status"},
		{"GET", "/DetectedIssue?severity=critical", "", nil, 400, "code-invalid", "severity: critical is never a value here; use one of high, moderate, low of http://hl7.org/fhir/detectedissue-severity", "http.severity"},
		{"GET", "/DetectedIssue?standing=yes", "", nil, 400, "code-invalid", "standing: yes is never a value here; use one of true, false, without a system", "http.standing"},
		{"GET", "/Procedure?patient.active=TRUE", "", []string{"Prefer", "handling=lenient"}, 400, "code-invalid", "active: TRUE is never a value here; use one of true, false, without a system", "http.patient.active"},
		{"GET", "/Procedure?_pretty=yes", "", nil, 400, "value", "_pretty: yes is neither true nor false", "http._pretty"},
		{"GET", "/Procedure/a?_pretty=true&_pretty=true", "", nil, 400, "value", "_pretty is given 2 times; give it once", "http._pretty"},
		{"GET", "/Procedure/a?_element=status", "", nil, 400, "not-supported", "_element is not a parameter of a read; use one of _elements, _format, _pretty, _summary", "http._element"},
		{"GET", "/Procedure/a/_history/1?x=1", "", nil, 400, "not-supported", "x is not a parameter of a read; use one of _elements, _format, _pretty, _summary", "http.x"},
		{"GET", "/Measure/none?x=1", "", nil, 400, "not-supported", "x is not a parameter of a read; use one of _elements, _format, _pretty, _summary", "http.x"},
		{"GET", "/metadata?x=1", "", nil, 400, "not-supported", "x is not a parameter of /metadata; use one of _elements, _format, mode, _pretty, _summary", "http.x"},
		{"GET", "/Procedure?patient=", "", nil, 400, "value", "patient has an empty value; leave it out or give one", "http.patient"},
		{"GET", "/Procedure?code=a,,b", "", nil, 400, "value", "code has an empty value; leave it out or give one", "http.code"},
		{"GET", "/Procedure?status=|", "", nil, 400, "value", "status: | names neither a system nor a code", "http.status"},
		{"GET", "/Procedure?code=a|b|c", "", nil, 400, "value", `code: a|b|c has more than one |; a token is code, system|code, |code or system|; write \| for a | inside`, "http.code"},
		{"GET", "/Procedure?_id=s|a", "", nil, 400, "value", "_id: s|a has a system; give the id alone", "http._id"},
		{"GET", "/Procedure?status=" + strings.Repeat("completed,", 200) + "completed", "", nil, 400, "too-costly", "the search has more than 200 values; split it", "http.status"},
		{"GET", "/Procedure?patient=Group/1", "", nil, 400, "value", "patient: it refers to Patient, not to Group/1", "http.patient"},
		{"GET", "/Procedure?patient=Patient/p/_history/1", "", nil, 400, "value", "patient: Patient/p/_history/1 is not a reference; write Type/id or id, without a version", "http.patient"},
		{"GET", "/Procedure?patient=a_b", "", nil, 400, "value", "patient: a_b is not a reference; write Type/id or id, without a version", "http.patient"},
		{"GET", "/Procedure?patient=https://other.example/fhir/Patient/p", "", nil, 400, "value", "patient: https://other.example/fhir/Patient/p is not below https://gateway.example/fhir; give Type/id", "http.patient"},
		{"GET", "/Procedure?date=yesterday", "", nil, 400, "value", "date: the prefix of yesterday is not known; use one of eq, ne, gt, lt, ge, le, sa, eb", "http.date"},
		{"GET", "/Procedure?date=ap2027", "", nil, 400, "value", "date: the prefix of ap2027 is not known; use one of eq, ne, gt, lt, ge, le, sa, eb", "http.date"},
		{"GET", "/Procedure?date=%ff%00", "", nil, 400, "value", "date: the value is not readable text; send UTF-8, percent-encoded", "http.date"},
		{"GET", "/Patient?identifier=%FF", "", nil, 400, "value", "identifier: the value is not readable text; send UTF-8, percent-encoded", "http.identifier"},
		{"POST", "/Patient/_search", "identifier=%FF", []string{form, formType}, 400, "value", "identifier: the value is not readable text; send UTF-8, percent-encoded", "http.identifier"},
		{"GET", "/Procedure?date=ge", "", nil, 400, "value", "date: nothing is not a date; " + dates, "http.date"},
		{"GET", "/Procedure?date=2027-02-29", "", nil, 400, "value", "date: 2027-02-29 is not a date; " + dates, "http.date"},
		{"GET", "/Procedure?date=2027-13", "", nil, 400, "value", "date: 2027-13 is not a date; " + dates, "http.date"},
		{"GET", "/Procedure?date=2027-01-01T10", "", nil, 400, "value", "date: 2027-01-01T10 is not a date; " + dates, "http.date"},
		{"GET", "/Procedure?_lastUpdated=gt24:00", "", nil, 400, "value", "_lastUpdated: 24:00 is not a date; " + dates, "http._lastUpdated"},
		{"GET", "/Observation?value-quantity=ltx", "", nil, 400, "value", "value-quantity: x is not a number", "http.value-quantity"},
		{"GET", "/Observation?value-quantity=1|mm", "", nil, 400, "value", "value-quantity: 1|mm is not a quantity; write number, number|system|code or number||code, after an optional prefix", "http.value-quantity"},
		{"GET", "/Procedure?_count=-1", "", nil, 400, "value", "_count: -1 is not a whole number of 0 or more", "http._count"},
		{"GET", "/Procedure?_count=ten", "", nil, 400, "value", "_count: ten is not a whole number of 0 or more", "http._count"},
		{"GET", "/Procedure?_count=1&_count=2", "", nil, 400, "value", "_count is given 2 times; give it once", "http._count"},
		{"GET", "/Measure?_sort=name", "", nil, 400, "not-supported", "_sort is not offered for Measure; they come by their ids", "http._sort"},
		{"GET", "/Procedure?_sort=status", "", nil, 400, "not-supported", "_sort: status is not offered; there is one of _lastUpdated, date, or the same with - before it", "http._sort"},
		{"GET", "/Procedure?_sort=date,_lastUpdated", "", nil, 400, "not-supported", "_sort: date,_lastUpdated is not offered; there is one of _lastUpdated, date, or the same with - before it", "http._sort"},
		{"GET", "/Procedure?_total=all", "", nil, 400, "value", "_total: all is not known; use one of accurate, estimate, none", "http._total"},
		{"GET", "/Procedure?_summary=short", "", nil, 400, "value", "_summary: short is not known; use one of count, data, false, text, true", "http._summary"},
		{"GET", "/Procedure?_cursor=abc", "", nil, 400, "value", "the cursor in _cursor is damaged or belongs to another request; follow the next link as it is, or begin again without it", "http._cursor"},
		{"GET", "/Procedure/a/_history?_sort=date", "", nil, 400, "not-supported", "_sort is not a parameter of the history; use one of _at, _count, _cursor, _format, _pretty, _since", "http._sort"},
		{"GET", "/Procedure/a/_history?_at=then", "", nil, 400, "value", "_at: then is not a date or time; write YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset", "http._at"},
		{"GET", "/Procedure/a/_history?_since=now", "", nil, 400, "value", "_since: now is not an instant; write YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset", "http._since"},
		{"GET", "/Procedure/_history?_at=2027", "", nil, 400, "not-supported", "_at is not a parameter of this history; use one of _count, _cursor, _format, _pretty, _since", "http._at"},
		{"GET", "/_history?_since=now", "", nil, 400, "value", "_since: now is not an instant; write YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset", "http._since"},
		{"GET", "/Patient/p/$everything?patient=q", "", nil, 400, "not-supported", "patient is not a parameter of $everything; use one of _count, _cursor, end, _format, _pretty, _since, start, _type", "http.patient"},
		{"GET", "/Patient/p/$everything?start=then", "", nil, 400, "value", "start: then is not a date; write YYYY, YYYY-MM or YYYY-MM-DD", "http.start"},
		{"GET", "/Patient/p/$everything?end=2027-03-01T10:00Z", "", nil, 400, "value", "end: 2027-03-01T10:00Z is not a date; write YYYY, YYYY-MM or YYYY-MM-DD", "http.end"},
		{"GET", "/Patient/p/$everything?start=2027-03&end=2027-02", "", nil, 400, "value", "end: 2027-02 lies before start", "http.end"},
		{"GET", "/Patient/p/$everything?_type=Encounter", "", nil, 400, "value", "_type: there is no resource type Encounter here; use one of " + types, "http._type"},
	} {
		a := s.do(c.method, facade.Path+c.path, c.body, c.headers...)
		code, text, where := outcome(t, a)
		if a.status != c.status || code != c.code || text != c.text || where != c.where {
			t.Errorf("%s %.80s:\n got %d %s %q at %q\nwant %d %s %q at %q", c.method, c.path, a.status, code, text, where, c.status, c.code, c.text, c.where)
		}
		if got := a.header.Get("Cache-Control"); got != "no-store" {
			t.Errorf("%s %.80s: Cache-Control %q", c.method, c.path, got)
		}
		if a.status == 405 && !strings.HasSuffix(c.text, "allowed: "+a.header.Get("Allow")) {
			t.Errorf("%s %s: Allow %q", c.method, c.path, a.header.Get("Allow"))
		}
	}
}

func TestAPanicTellsNothing(t *testing.T) {
	s := newService(t, func(c *facade.Config) { c.TokenURL = func() string { panic("secret of the inside") } })
	a := s.get("/metadata")
	code, text, _ := outcome(t, a)
	if a.status != 500 || code != "exception" || strings.Contains(text, "secret") || a.header.Get("Cache-Control") != "no-store" {
		t.Errorf("a panic: %d %s %q", a.status, code, text)
	}
}

func TestBrokenView(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}))
	if err := s.store.Close(); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/Patient/p", "/Patient", "/Patient/p/_history", "/Patient/p/_history/1", "/Patient/p/$everything"} {
		a := s.get(path)
		code, text, _ := outcome(t, a)
		if a.status != 500 || code != "exception" || strings.Contains(text, "sql") {
			t.Errorf("%s: %d %s %q", path, a.status, code, text)
		}
	}
}

func TestConfig(t *testing.T) {
	s := newService(t)
	for _, c := range []facade.Config{
		{}, {Store: s.store}, {Store: s.store, Now: start.UTC, Base: "gateway.example/fhir"},
		{Store: s.store, Now: start.UTC, Base: "ftp://gateway.example/fhir"}, {Store: s.store, Now: start.UTC, Base: "https://gateway.example/fhir?x=1"},
	} {
		if _, err := facade.New(c); err == nil {
			t.Errorf("a handler was made of %+v", c)
		}
	}
}
