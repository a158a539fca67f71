package access_test

import (
	"slices"
	"strings"
	"testing"

	"cannulary/internal/access"
)

const withTokens = `
issuers:
- {url: "https://login.example", audience: "https://record.example/fhir"}
principals:
- {name: ehr, facilities: ["*"], fhir: [Patient], client: {keys_file: a.json}}
- {name: own-id, facilities: ["*"], fhir: ["*"], client: {id: "https://ehr.example/app", keys_url: "https://ehr.example/jwks"}}
- {name: app, facilities: ["*"], fhir: [Procedure], client: {issuer: "https://login.example"}}
- {name: chart, facilities: ["*"], may: [hooks], hooks: {issuer: "https://ehr.example", keys_file: b.json}}
`

func TestWhoATokenIsOf(t *testing.T) {
	p, err := access.Parse([]byte(withTokens), types)
	if err != nil {
		t.Fatal(err)
	}
	for id, want := range map[string]string{"ehr": "ehr", "https://ehr.example/app": "own-id", "app": "app", "own-id": "", "chart": "", "": ""} {
		one, ok := p.ClientOf(id)
		if ok != (want != "") || ok && one.Name != want {
			t.Errorf("client %q: %+v", id, one)
		}
	}
	if one, ok := p.SignerOf("https://ehr.example"); !ok || one.Name != "chart" {
		t.Errorf("who signs calls: %+v", one)
	}
	if one, ok := p.SignerOf(""); ok {
		t.Errorf("a call of nobody: %+v", one)
	}
}

// A token never gives more than the policy.
func TestATokenNarrows(t *testing.T) {
	p := &access.Principal{Name: "ehr", FHIR: []string{"Patient", "Procedure"}, May: []access.Right{access.Pages}, Sources: []string{"ehr"},
		Facts: []string{"*"}, Facilities: []string{"*"}, Amends: []string{"x"}, Limits: access.Limits{AtOnce: 1}}
	all := &access.Principal{FHIR: []string{"*"}}
	for _, c := range []struct {
		of     *access.Principal
		types  []string
		reads  string
		denied string
	}{
		{p, []string{"Patient"}, "Patient", "Procedure"},
		{p, []string{"*"}, "Procedure", "Observation"},
		{p, []string{"Observation", "Patient"}, "Patient", "Observation"},
		{all, []string{"Patient"}, "Patient", "Procedure"},
	} {
		got := c.of.Granted(c.types)
		if !got.Reads(c.reads) || got.Reads(c.denied) || got.Has(access.Pages) || got.Has(access.Send) || got.Changes("x") || got.Sends("roster", "x") ||
			got.Name != c.of.Name || got.Limits != c.of.Limits || !slices.Equal(got.Facilities, c.of.Facilities) {
			t.Errorf("%v of %v: %+v", c.types, c.of.FHIR, got)
		}
	}
	if none := p.Granted([]string{"Observation"}); none.Has(access.FHIR) {
		t.Errorf("a token without a type that the policy has: %+v", none)
	}
}

func TestAPolicyOfTokensThatCannotBeMeantIsRefused(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"{keys_file: a.json}", "{keys_file: a.json, keys_url: 'https://x.example'}", "principal ehr: client needs keys_file, keys_url or issuer, one of them"},
		{"{keys_file: a.json}", "{}", "principal ehr: client needs keys_file, keys_url or issuer, one of them"},
		{"{keys_file: a.json}", "{keys_file: a.json, secret: s}", "field secret not found"},
		{"{issuer: \"https://login.example\"}", "{issuer: 'https://other.example'}", "principal app: client: issuer https://other.example is not among issuers; name it there with its audience"},
		{"fhir: [Patient], client", "may: [metrics], client", "principal ehr: client reads FHIR, so it needs fhir, the types that its tokens may allow"},
		{"may: [hooks], hooks", "may: [pages], hooks", "principal chart: hooks signs calls of CDS Hooks, so it needs may: [hooks]"},
		{"{issuer: \"https://ehr.example\", keys_file: b.json}", "{keys_file: b.json}", "principal chart: hooks needs issuer, the iss of the calls, and keys_file or keys_url, one of them"},
		{"{issuer: \"https://ehr.example\", keys_file: b.json}", "{issuer: i}", "principal chart: hooks needs issuer, the iss of the calls, and keys_file or keys_url, one of them"},
		{", audience: \"https://record.example/fhir\"", "", "issuers[0] needs url and audience, the iss and aud of its tokens"},
		{"principals:", "- {url: 'https://login.example', audience: x}\nprincipals:", "issuer https://login.example stands there twice; write it once"},
		{"id: \"https://ehr.example/app\"", "id: ehr", "principal own-id: client id ehr stands here and at principal ehr; each belongs to one principal, once"},
		{"id: \"https://ehr.example/app\"", "id: " + strings.Repeat("i", 256), "principal own-id: client: id has more than 255 bytes"},
		{"- {name: app,", "- {name: chart2, facilities: ['*'], may: [hooks], hooks: {issuer: 'https://ehr.example', keys_file: c.json}}\n- {name: app,", "issuer of calls https://ehr.example stands here and at principal chart2; each belongs to one principal, once"},
	} {
		text := strings.Replace(withTokens, c.from, c.to, 1)
		if _, err := access.Parse([]byte(text), types); text == withTokens || err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %s", c.to, err, c.want)
		}
	}
}
