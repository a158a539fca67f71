package access_test

import (
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/fault"
)

var types = []string{"Patient", "Procedure"}

const digest = "6d5f2b1c0a9e8d7c6b5a49382716050f6d5f2b1c0a9e8d7c6b5a49382716050f"

// The example is what an operator begins with, so it must be a policy.
func TestTheExampleIsAPolicy(t *testing.T) {
	text, err := os.ReadFile("../../deploy/policy.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := access.Parse(text, append(types, "Observation", "BodyStructure", "Flag", "DetectedIssue", "Organization", "Location", "Practitioner", "Provenance"))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Principals) < 4 {
		t.Errorf("the example names %d principals", len(p.Principals))
	}
}

func TestAPolicyThatCannotBeMeantIsRefused(t *testing.T) {
	one := func(more string) string {
		return "principals:\n  - name: engine\n    certificates: [engine.example]\n" + more
	}
	sender := "    facilities: [north]\n    sources: [engine]\n    facts: [roster/*]\n"
	if _, err := access.Parse([]byte(one(sender)), types); err != nil {
		t.Fatalf("a good policy is refused: %v", err)
	}
	for text, want := range map[string]string{
		"":                                    "the policy names no principal, so nobody could do anything; name one under principals",
		"principals: [{name: a, toknes: []}]": "field toknes not found",
		"principals: []\nother: 1":            "field other not found",
		one("    may: [pages]\n    may: [hooks]\n"):       `mapping key "may" already defined`,
		one(sender) + "---\nprincipals: []\n":             "more than one document",
		"principals: [{name: Ä, may: [metrics]}]":         "principals[0] has no good name",
		"principals: [{name: a, may: [metrics]}]":         "nobody could be it; give certificates, tokens, client or hooks",
		one("    may: [metrics, everything]\n"):           `may holds "everything"; use some of [pages reports hooks metrics audit]`,
		one("    tokens: [secret]\n    may: [metrics]\n"): "a token is no SHA-256 as 64 digits 0-9 a-f",
		"principals: [{name: operator, may: [metrics]}]":  "principals[0] is named operator, as who asks by the socket in the data folder is; choose another name",
		one(""):                        "it may do nothing; give sources and facts, fhir, or may",
		one("    sources: [engine]\n"): "a sender needs sources, facts and facilities, all three",
		one("    facts: [roster/*]\n"): "a sender needs sources, facts and facilities, all three",
		one(strings.Replace(sender, "[engine]", `["*"]`, 1)):                                                                        "cannot be a sender's; name each source whole",
		one(strings.Replace(sender, "[engine]", `[cannulary]`, 1)):                                                                  `source "cannulary" cannot be a sender's`,
		one(strings.Replace(sender, "roster/*", "roster/needle_inserted", 1)):                                                       `"roster/needle_inserted" is no kind of fact`,
		one(strings.Replace(sender, "roster/*", "rooster/*", 1)):                                                                    `"rooster/*" is no kind of fact`,
		one(strings.Replace(sender, "[north]", `["*", north]`, 1)):                                                                  "facilities holds an empty name, or * beside others",
		one("    fhir: [Patient]\n"):                                                                                                `it reads patients, so it needs facilities: those whose patients it may read, or ["*"]`,
		one("    may: [pages]\n"):                                                                                                   "it reads patients, so it needs facilities",
		one("    fhir: [Pateint]\n    facilities: ['*']\n"):                                                                         `there is no resource type "Pateint" here; use * or some of Patient, Procedure`,
		one("    may: [metrics]\n    limits: {per_second: -1}\n"):                                                                   "limits must not be negative",
		one("    may: [metrics]\n  - name: engine\n    certificates: [b]\n    may: [metrics]\n"):                                    "name engine stands here and at principal engine",
		one(sender) + "  - name: other\n    certificates: [b]\n" + sender:                                                           "source engine stands here and at principal engine",
		one("    may: [metrics]\n  - name: b\n    certificates: [engine.example]\n    may: [metrics]\n"):                            "certificate name engine.example stands here and at principal engine",
		"principals:\n- {name: a, tokens: [" + digest + "], may: [metrics]}\n- {name: b, tokens: [" + digest + "], may: [metrics]}": "stands here and at principal a",
	} {
		_, err := access.Parse([]byte(text), types)
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s\n%v, want %q in one line", text, err, want)
		}
	}
}

func TestWhoACallerIs(t *testing.T) {
	token, other := strings.Repeat("t", 43), strings.Repeat("o", 43)
	short := strings.Repeat("s", 42)
	p, err := access.Parse([]byte("principals:\n- {name: engine, certificates: [engine.example], may: [metrics]}\n"+
		"- {name: spiffe, certificates: ['spiffe://hospital.example/engine', Common], tokens: ["+access.Digest(other)+"], may: [metrics]}\n"+
		"- {name: ehr, tokens: ["+access.Digest(token)+", "+access.Digest(short)+"], may: [metrics]}\n"), types)
	if err != nil {
		t.Fatal(err)
	}
	uri := &url.URL{Scheme: "spiffe", Host: "hospital.example", Path: "/engine"}
	common := pkix.Name{CommonName: "Common"}
	for what, c := range map[string]struct {
		caller access.Caller
		want   string // empty: nobody
	}{
		"nobody":                      {access.Caller{}, ""},
		"a DNS name":                  {access.Caller{Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}}}, "engine"},
		"a URI":                       {access.Caller{Certificate: &x509.Certificate{URIs: []*url.URL{uri}}}, "spiffe"},
		"a common name":               {access.Caller{Certificate: &x509.Certificate{Subject: common}}, "spiffe"},
		"a common name beside others": {access.Caller{Certificate: &x509.Certificate{Subject: common, DNSNames: []string{"x.example"}}}, ""},
		"names of two principals":     {access.Caller{Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}, URIs: []*url.URL{uri}}}, ""},
		"a wildcard":                  {access.Caller{Certificate: &x509.Certificate{DNSNames: []string{"*.example"}}}, ""},
		"a token":                     {access.Caller{Bearer: token}, "ehr"},
		"a token in other letters":    {access.Caller{Bearer: strings.ToUpper(token)}, ""},
		"a token that is too short":   {access.Caller{Bearer: short}, ""},
		"the digest as a token":       {access.Caller{Bearer: access.Digest(token)}, ""},
		"a token of another principal": {access.Caller{Bearer: token,
			Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}}}, ""},
		"a wrong token with a good certificate": {access.Caller{Bearer: strings.Repeat("x", 43),
			Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}}}, ""},
		"a token and a proxy's certificate": {access.Caller{Bearer: token, Certificate: &x509.Certificate{DNSNames: []string{"proxy.example"}}}, "ehr"},
		"a token and its own certificate":   {access.Caller{Bearer: other, Certificate: &x509.Certificate{URIs: []*url.URL{uri}}}, "spiffe"},
	} {
		who, err := p.Who(c.caller)
		name := ""
		if who != nil {
			name = who.Name
		}
		if name != c.want || (err == nil) != (c.want != "") || err != nil && err.Error() != access.Unknown().Error() {
			t.Errorf("%s: %q, %v; want %q", what, name, err, c.want)
		}
	}
}

// A nil principal is what a forgotten check gives.
func TestNobodyMayDoNothing(t *testing.T) {
	var nobody *access.Principal
	for _, r := range []access.Right{access.Known, access.Send, access.FHIR, access.Pages, access.Reports, access.Hooks, access.Metrics, "other"} {
		if nobody.Has(r) || fault.As(nobody.Ask(r)).Kind != fault.Unauthenticated {
			t.Errorf("nobody has %s", r)
		}
	}
	if nobody.Reads("Patient") || nobody.Speaks("a") || nobody.Changes("a") || nobody.At("a") || nobody.Everywhere() ||
		nobody.Sends("roster", "patient_admitted") || nobody.SendsKind("patient_admitted") || access.From(t.Context()) != nil {
		t.Error("nobody may do something")
	}
	everybody := access.Everybody()
	if everybody.Has("no row") || !everybody.SendsKind("needle_inserted") || everybody.SendsKind("needle_eaten") {
		t.Error("a right that no table names is had by somebody")
	}
}

func TestLimits(t *testing.T) {
	now := time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC)
	p := &access.Principal{Name: "a", Limits: access.Limits{PerSecond: 2, Burst: 3, AtOnce: 2}}
	var s access.Shares
	first, err := s.Begin(p, now)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Begin(p, now); err != nil {
		t.Fatal(err)
	}
	refused := func(want string) {
		t.Helper()
		if _, err := s.Begin(p, now); err == nil || fault.As(err).Kind != fault.Limited || err.Error() != want {
			t.Errorf("%v, want %q", err, want)
		}
	}
	refused("too many requests of this principal are under way. End some of them, then try again")
	first()
	done, err := s.Begin(p, now)
	if err != nil {
		t.Fatalf("the third of a burst of three: %v", err)
	}
	done()
	refused("this principal asks too often. Wait a second, then try again")
	if _, err := s.Begin(&access.Principal{Name: "b", Limits: p.Limits}, now); err != nil {
		t.Errorf("another principal pays for the first: %v", err)
	}
	if wait := s.Next(p, now); wait != 500*time.Millisecond {
		t.Errorf("the next message of a feed waits %s, want half a second at 2 a second", wait)
	}
	// The limits of a policy that is read again hold at once, and what was used is not forgotten.
	p = &access.Principal{Name: "a", Limits: access.Limits{PerSecond: 2, Burst: 3, AtOnce: 1}}
	refused("too many requests of this principal are under way. End some of them, then try again")
}

// Readers of the same facilities share a view, in whatever order these stand.
func TestReadersShareAView(t *testing.T) {
	p, err := access.Parse([]byte(`principals:
- {name: all, certificates: [a], facilities: ["*"], fhir: ["*"]}
- {name: one, certificates: [b], facilities: [south, north], fhir: [Patient]}
- {name: two, certificates: [c], facilities: [north, south], may: [pages]}
- {name: three, certificates: [d], facilities: [north], may: [hooks, metrics]}
- {name: sender, certificates: [e], facilities: [east], sources: [e], facts: [roster/*]}
- {name: metrics, certificates: [f], may: [metrics]}
`), []string{"Patient"})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(p.Views()); got != "[[north south] [north]]" {
		t.Errorf("views of %s", got)
	}
}
