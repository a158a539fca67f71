package facade_test

import (
	"strings"
	"testing"

	"cannulary/fhir"
)

// TestLenientAboutCodes: what strict handling refuses is asked for under lenient handling,
// and the answer says that it cannot be.
func TestLenientAboutCodes(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Flag", "f", "p", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "http://hl7.org/fhir/flag-status", Code: "active"}}}))
	const warning = "warning: status: aktive is never a value here; use one of active, inactive, entered-in-error of http://hl7.org/fhir/flag-status; it was still asked for, as Prefer: handling=lenient asks"
	for query, ids := range map[string]string{"status=aktive": "", "status=aktive,active": "Flag/f", "status:not=aktive": "Flag/f"} {
		b := s.bundle(s.get("/Flag?"+query, "Prefer", "handling=lenient"))
		if b.ids() != ids || b.outcomes() != warning {
			t.Errorf("%s: %q, %q", query, b.ids(), b.outcomes())
		}
	}
	if b := s.bundle(s.get("/Flag?status=http://hl7.org/fhir/flag-status%7Cactive")); b.ids() != "Flag/f" || b.outcomes() != "" {
		t.Errorf("%q %q", b.ids(), b.outcomes())
	}
}

// TestCodesOfOurSystem: a code that our code system does not have finds nothing, which must
// not read as if there were nothing.
func TestCodesOfOurSystem(t *testing.T) {
	s := newService(t)
	token := func(p, system, code string) fhir.Token { return fhir.Token{Param: p, System: system, Code: code} }
	s.put(at(0), resource("Observation", "o", "p", "", fhir.Index{Tokens: []fhir.Token{token("code", fhir.System, "venous-pressure"), token("code", "http://snomed.info/sct", "1"), token("component-code", "urn:lab", "x7")}}),
		resource("Patient", "p", "p", "", fhir.Index{}))
	ours := urlEscape(fhir.System)
	missing := func(param, code string) string {
		return "warning: " + param + ": there is no code " + code + " in " + fhir.System + "; its codes are in CodeSystem/cannulary"
	}
	for _, c := range []struct{ query, ids, says string }{
		{"code=" + ours + "%7Cvenous-presure", "", missing("code", "venous-presure")},
		{"code=venous-presure", "", missing("code", "venous-presure") + "; nor does any resource have it of another system"},
		{"code=venous-presure,venous-pressure", "Observation/o", missing("code", "venous-presure") + "; nor does any resource have it of another system"},
		{"code:not=venous-presure", "Observation/o", missing("code", "venous-presure") + "; nor does any resource have it of another system"},
		{"component-code-value-concept=nonexist$yes", "", missing("component-code", "nonexist") + "; nor does any resource have it of another system"},
		{"code=venous-pressure", "Observation/o", ""}, {"code=" + ours + "%7Cvenous-pressure", "Observation/o", ""}, {"code=" + ours + "%7C", "Observation/o", ""},
		{"code=haematoma", "", ""}, // ours, and nobody has it
		{"code=1", "Observation/o", ""}, {"combo-code=x7", "Observation/o", ""}, {"code=http://snomed.info/sct%7C2", "", ""}, {"code=%7Cvenous-presure", "", ""},
		{"identifier=none", "", ""}, {"_id=none", "", ""},
	} {
		b := s.bundle(s.get("/Observation?" + strings.ReplaceAll(c.query, "$", "%24")))
		if b.ids() != c.ids || b.outcomes() != c.says {
			t.Errorf("%s: %q, says %q, want %q", c.query, b.ids(), b.outcomes(), c.says)
		}
	}
	// A chain says so too.
	b := s.bundle(s.get("/BodyStructure?patient.identifier=none"))
	if b.outcomes() != "" {
		t.Error(b.outcomes())
	}
	if b := s.bundle(s.get("/Location?organization.type=nonexist")); !strings.Contains(b.outcomes(), missing("type", "nonexist")) {
		t.Errorf("a chain says %q", b.outcomes())
	}
}

// TestStandingFindings asks what stands now of findings that a judgement gave: final ones
// that something cleared stay final.
func TestStandingFindings(t *testing.T) {
	s := newService(t)
	list := judgement(t, "p", false)
	var standing, cleared int
	for _, r := range list {
		if r.Type != "DetectedIssue" {
			continue
		}
		if strings.Contains(string(r.Body), `"mitigation"`) {
			cleared++
		} else {
			standing++
		}
		back, err := fhir.TakenBack(fhir.Context{}, "p", r.Type, r.ID, r.Body)
		if err != nil {
			t.Fatal(err)
		}
		back.ID += "-back"
		s.put(at(1), back)
	}
	s.put(at(0), list...)
	count := func(query string) int { return *s.bundle(s.get("/DetectedIssue?_summary=count&" + query)).Total }
	if got := count("standing=true"); got != standing || standing == 0 {
		t.Errorf("%d stand, want %d", got, standing)
	}
	if got := count("status=final"); got != standing+cleared || cleared == 0 {
		t.Errorf("%d are final, want %d", got, standing+cleared)
	}
	if got := count("status=cancelled&standing=false"); got != standing+cleared {
		t.Errorf("%d were taken back, want %d", got, standing+cleared)
	}
	if got := count("standing:missing=true"); got != 0 {
		t.Errorf("%d neither stand nor not", got)
	}
}
