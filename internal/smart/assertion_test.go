package smart_test

import (
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/access"
	"cannulary/internal/smart"
)

const nobody = "client_assertion: no registered client of this iss has a key of this kid that signed it; compare iss, sub, kid and jku " +
	"with the registration"

const algorithms = "client_assertion: it is no JWT that is signed with one of ES384, RS384; sign it with one of these"

// TestAttacksOnTheTokenEndpoint has a row for each attack. In the end the same request without any attack gets a
// token: so no row was refused for another reason.
func TestAttacksOnTheTokenEndpoint(t *testing.T) {
	k := newKit(t)
	head := object{"kid": "ehr-1", "typ": "JWT"}
	claims := k.claims("x")
	es := func(header, changes object) string {
		return sign(t, jose.ES384, ehrKey(), head.with(header), claims.with(changes))
	}
	der, err := x509.MarshalPKIXPublicKey(ehrKey().secret.Public())
	if err != nil {
		t.Fatal(err)
	}
	publicPEM := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	publicJWK, err := ehrKey().public().MarshalJSON()
	if err != nil {
		t.Fatal(err)
	}
	if got := ask(t, k.Service, post(form(es(nil, object{"jti": "used"})).Encode())); got.status != 200 {
		t.Fatalf("the first use: %+v", got)
	}
	for _, c := range []struct {
		attack, body string
		code, about  string
	}{
		{"expired", form(es(nil, object{"exp": k.at(-time.Minute)})).Encode(), "invalid_client", "client_assertion: it has expired: exp has passed; make a new one, and compare the clocks"},
		{"no end", form(es(nil, object{"exp": nil})).Encode(), "invalid_client", "client_assertion: exp is missing; send when the token ends"},
		{"replayed", form(es(nil, object{"jti": "used"})).Encode(), "invalid_client", "client_assertion: jti was used before; send a new random one each time"},
		{"no jti", form(es(nil, object{"jti": nil})).Encode(), "invalid_client", "client_assertion: jti is missing or has more than 256 bytes; send a new random one each time"},
		{"a long jti", form(es(nil, object{"jti": strings.Repeat("j", 257)})).Encode(), "invalid_client", "client_assertion: jti is missing or has more than 256 bytes; send a new random one each time"},
		{"for another server", form(es(nil, object{"aud": "https://other.example/token"})).Encode(), "invalid_client", "client_assertion: aud must be " + endpoint + " alone"},
		{"for us and another server", form(es(nil, object{"aud": []string{endpoint, "https://other.example/token"}})).Encode(), "invalid_client", "client_assertion: aud must be " + endpoint + " alone"},
		{"for nobody", form(es(nil, object{"aud": nil})).Encode(), "invalid_client", "client_assertion: aud must be " + endpoint + " alone"},
		{"of an unknown client", form(es(nil, object{"iss": "nobody", "sub": "nobody"})).Encode(), "invalid_client", nobody},
		{"of another client", form(es(nil, object{"iss": "other", "sub": "other"})).Encode(), "invalid_client", nobody},
		{"of a principal's name that is no client id", form(sign(t, jose.ES384, otherKey(), object{"kid": "other-1"}, claims.with(object{"iss": "other-system", "sub": "other-system"}))).Encode(), "invalid_client", nobody},
		{"of a principal that is no client", form(es(nil, object{"iss": "chart", "sub": "chart"})).Encode(), "invalid_client", nobody},
		{"about another client", form(es(nil, object{"sub": "other"})).Encode(), "invalid_client", nobody},
		{"beside another client_id", form(es(nil, nil), "client_id", "other").Encode(), "invalid_client", nobody},
		{"of a client that brings tokens of an issuer", form(es(nil, object{"iss": "app", "sub": "app"})).Encode(), "invalid_client", nobody},
		{"the key of another client", form(sign(t, jose.ES384, otherKey(), object{"kid": "other-1"}, claims)).Encode(), "invalid_client", nobody},
		{"the kid of another client", form(es(object{"kid": "other-1"}, nil)).Encode(), "invalid_client", nobody},
		{"a foreign key under a known kid", form(sign(t, jose.ES384, otherKey(), head, claims)).Encode(), "invalid_client", nobody},
		{"the kid of a key of another type", form(es(object{"kid": "ehr-2"}, nil)).Encode(), "invalid_client", nobody},
		{"no kid", form(es(object{"kid": nil}, nil)).Encode(), "invalid_client", "client_assertion: kid is missing or has more than 256 bytes; send the kid of the key that signed"},
		{"a foreign jku", form(es(object{"jku": "https://attacker.example/jwks"}, nil)).Encode(), "invalid_client", nobody},
		{"a jku that is no text", form(es(object{"jku": 7}, nil)).Encode(), "invalid_client", "client_assertion: jku is no address; leave it out, or send the address that is registered"},
		{"the key in the header", form(sign(t, jose.ES384, otherKey(), head.with(object{"jwk": otherKey().public()}), claims)).Encode(), "invalid_client", nobody},
		{"algorithm none", form(unsigned(t, head, claims)).Encode(), "invalid_client", algorithms},
		{"HS256 with the public key as a PEM", form(sign(t, jose.HS256, publicPEM, head, claims)).Encode(), "invalid_client", algorithms},
		{"HS384 with the public key as a JWK", form(sign(t, jose.HS384, publicJWK, head, claims)).Encode(), "invalid_client", algorithms},
		{"an algorithm that is not offered", form(sign(t, jose.RS256, ehrRSA(), object{"kid": "ehr-2"}, claims)).Encode(), "invalid_client", algorithms},
		{"a critical header that nobody knows", form(es(object{"crit": []string{"x"}, "x": 1}, nil)).Encode(), "invalid_client", nobody},
		{"an access token's type", form(es(object{"typ": "at+jwt"}, nil)).Encode(), "invalid_client", "client_assertion: typ is 'at+jwt'; it must be JWT"},
		{"a clock that is late", form(es(nil, object{"exp": k.at(-30 * time.Second)})).Encode(), "invalid_client", "client_assertion: it has expired: exp has passed; make a new one, and compare the clocks"},
		{"a clock that is early, by iat", form(es(nil, object{"iat": k.at(31 * time.Second)})).Encode(), "invalid_client", "client_assertion: iat lies ahead; compare the clocks"},
		{"a clock that is early, by nbf", form(es(nil, object{"nbf": k.at(31 * time.Second)})).Encode(), "invalid_client", "client_assertion: nbf lies ahead; compare the clocks"},
		{"too long a life", form(es(nil, object{"exp": k.at(5*time.Minute + 31*time.Second)})).Encode(), "invalid_client", "client_assertion: exp lies more than 5 minutes ahead; make a token for each request"},
		{"an end that no clock can show", form(signRaw(t, jose.ES384, ehrKey(), head, []byte(`{"iss":"ehr","sub":"ehr","aud":"`+endpoint+`","jti":"y","exp":1e300}`))).Encode(), "invalid_client", "client_assertion: its claims cannot be read; send a JSON object with iss, sub, aud, exp and jti as RFC 7519 writes them"},
		{"an end beyond all calendars", form(es(nil, object{"exp": int64(1) << 50})).Encode(), "invalid_client", "client_assertion: exp lies more than 5 minutes ahead; make a token for each request"},
		{"claims twice", form(signRaw(t, jose.ES384, ehrKey(), head, []byte(`{"iss":"ehr","iss":"other","sub":"ehr"}`))).Encode(), "invalid_client", "client_assertion: its claims cannot be read; send a JSON object with iss, sub, aud, exp and jti as RFC 7519 writes them"},
		{"oversized", form(es(nil, object{"more": strings.Repeat("m", 8<<10)})).Encode(), "invalid_client", "client_assertion: the JWT has more than 8192 bytes; send fewer claims"},
		{"an oversized body", form(es(nil, nil), "more", strings.Repeat("m", 32<<10)).Encode(), "invalid_request", "the body has more than 32768 bytes"},
		{"changed after signing", form(changed(es(nil, nil))).Encode(), "invalid_client", nobody},
		{"no JWT", form("a.b.c").Encode(), "invalid_client", algorithms},
		{"no assertion", form("").Encode(), "invalid_client", "client_assertion is missing, or client_assertion_type is not " + bearer},
		{"a password", form(es(nil, nil), "client_assertion_type", "", "client_secret", "s").Encode(), "invalid_client", "client_assertion is missing, or client_assertion_type is not " + bearer},
		{"a scope that is not allowed", form(es(nil, object{"jti": "s1"}), "scope", "system/Observation.rs system/Procedure.read").Encode(), "invalid_scope", "scope 'system/Procedure.read' is more than this client may have"},
		{"all scopes", form(es(nil, object{"jti": "s2"}), "scope", "system/*.rs").Encode(), "invalid_scope", "scope 'system/*.rs' is more than this client may have"},
		{"a scope that writes", form(es(nil, object{"jti": "s3"}), "scope", "system/Observation.cruds").Encode(), "invalid_scope", "scope 'system/Observation.cruds' is not offered; write system/Type.rs or system/Type.read: this service is only read"},
		{"a scope of a person", form(es(nil, object{"jti": "s4"}), "scope", "user/Observation.rs").Encode(), "invalid_scope", "scope 'user/Observation.rs' is not offered; write system/Type.rs or system/Type.read: this service is only read"},
		{"a scope of an unknown type", form(es(nil, object{"jti": "s5"}), "scope", "system/Claim.rs").Encode(), "invalid_scope", "scope 'system/Claim.rs' names no resource type of this service; /metadata lists them, * is all of them"},
		{"no scope", form(es(nil, object{"jti": "s6"}), "scope", "").Encode(), "invalid_scope", "no scope is given; give for instance system/Observation.rs"},
		{"another grant", form(es(nil, nil), "grant_type", "authorization_code").Encode(), "unsupported_grant_type", "grant_type must be client_credentials"},
		{"no grant", form(es(nil, nil), "grant_type", "").Encode(), "invalid_request", "grant_type is missing; send client_credentials"},
		{"a parameter twice", form(es(nil, nil)).Encode() + "&scope=system%2FPatient.rs", "invalid_request", "'scope' is given 2 times; give it once"},
		{"a body that cannot be read", "grant_type=%zz", "invalid_request", "the body cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
	} {
		got := ask(t, k.Service, post(c.body))
		if got.status != http.StatusBadRequest || got.Error != c.code || got.About != c.about || got.Token != "" {
			t.Errorf("%s: %d %s %q, want %s %q", c.attack, got.status, got.Error, got.About, c.code, c.about)
		}
	}
	if got := ask(t, k.Service, post(form(es(nil, nil), "client_id", "ehr").Encode())); got.status != http.StatusOK {
		t.Errorf("without an attack: %+v", got)
	}
	if strings.Contains(k.log.String(), es(nil, nil)[:40]) {
		t.Errorf("the log holds an assertion: %s", k.log)
	}
}

// changed is a JWT with one letter of its claims changed.
func changed(raw string) string {
	parts := strings.Split(raw, ".")
	b := []byte(parts[1])
	if b[20]++; b[20] > 'z' {
		b[20] = 'A'
	}
	parts[1] = string(b)
	return strings.Join(parts, ".")
}

func TestHowTheTokenEndpointIsAsked(t *testing.T) {
	k := newKit(t)
	get := post(form(k.assertion(t, "1")).Encode())
	get.Method = http.MethodGet
	basic := post(form(k.assertion(t, "2")).Encode())
	basic.SetBasicAuth("ehr", "s")
	query := post(form(k.assertion(t, "3")).Encode())
	query.URL.RawQuery = "scope=system/Patient.rs"
	json := post(`{}`)
	json.Header.Set("Content-Type", "application/json")
	for name, c := range map[string]struct {
		r                   *http.Request
		status              int
		code, about, header string
	}{
		"with GET":          {get, 405, "invalid_request", "a token is asked for with POST", "Allow: POST"},
		"with Basic":        {basic, 401, "invalid_client", "clients are known by a signed assertion in the body alone; send no header Authorization", `WWW-Authenticate: Basic realm="cannulary"`},
		"with a query":      {query, 400, "invalid_request", "the parameters stand in the body, and none in the address", ""},
		"with another body": {json, 400, "invalid_request", "the body must be application/x-www-form-urlencoded", ""},
	} {
		got := ask(t, k.Service, c.r)
		header, value, _ := strings.Cut(c.header, ": ")
		if got.status != c.status || got.Error != c.code || got.About != c.about || got.header.Get(header) != value {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func TestATokenIsGivenAndCounts(t *testing.T) {
	k := newKit(t)
	for name, c := range map[string]struct {
		assertion, scope string
		reads            []string
	}{
		"ES384":            {k.assertion(t, "1"), "system/Observation.rs", []string{"Observation"}},
		"RS384":            {sign(t, jose.RS384, ehrRSA(), object{"kid": "ehr-2"}, k.claims("2")), "system/Patient.read system/Observation.read", []string{"Patient", "Observation"}},
		"audience as list": {sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1"}, k.claims("3").with(object{"aud": []string{endpoint}})), "system/Patient.rs", []string{"Patient"}},
		"clocks at their limits": {sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1", "typ": "jwt"},
			k.claims("4").with(object{"iat": k.at(30 * time.Second), "nbf": k.at(30 * time.Second), "exp": k.at(5*time.Minute + 30*time.Second)})), "system/Patient.rs", []string{"Patient"}},
		"nearly expired": {sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1", "typ": "client-authentication+jwt"},
			k.claims("5").with(object{"exp": k.at(-29 * time.Second)})), "system/Patient.rs", []string{"Patient"}},
		"of a client that may read all": {sign(t, jose.ES384, otherKey(), object{"kid": "other-1"}, k.claims("6").with(object{"iss": "other", "sub": "other"})), "system/*.read", []string{"*"}},
	} {
		got := ask(t, k.Service, post(form(c.assertion, "scope", c.scope).Encode()))
		if got.status != 200 || got.Type != "bearer" || got.Ends != 300 || got.Scope != c.scope || len(got.Token) != 43 || got.header.Get("Pragma") != "no-cache" {
			t.Errorf("%s: %+v", name, got)
			continue
		}
		// The rights of pages do not come with a token.
		p, why := k.who(t, k.Service, got.Token, "/fhir/Observation")
		if p == nil || !slices.Equal(p.FHIR, c.reads) || p.May != nil || p.Sources != nil || !p.Everywhere() {
			t.Errorf("%s: %+v %s", name, p, why)
		}
	}
}

// TestATokenEnds says when a token counts no more: after five minutes, and at once when the policy says so.
func TestATokenEnds(t *testing.T) {
	k := newKit(t)
	got := ask(t, k.Service, post(form(k.assertion(t, "1")).Encode()))
	k.clock.Advance(5*time.Minute - time.Nanosecond)
	if _, why := k.who(t, k.Service, got.Token, ""); why != "" {
		t.Fatal(why)
	}
	ehr := k.policy.Principals[0]
	ehr.FHIR = []string{"Patient"}
	if p, why := k.who(t, k.Service, got.Token, ""); p == nil || p.Has(access.FHIR) {
		t.Errorf("a type that left the policy is still read: %+v %s", p, why)
	}
	k.policy.Principals = k.policy.Principals[1:]
	if p, why := k.who(t, k.Service, got.Token, ""); why != "the client of the access token is no longer in the policy" {
		t.Errorf("a client that left the policy reads: %+v %s", p, why)
	}
	k.policy.Principals = append(k.policy.Principals, ehr)
	own := ehr.Client
	ehr.Client = &access.Client{Issuer: issuer}
	if p, why := k.who(t, k.Service, got.Token, ""); why != "the client of the access token is no longer in the policy" {
		t.Errorf("a client that gets its tokens elsewhere now: %+v %s", p, why)
	}
	ehr.Client = own
	k.clock.Advance(time.Nanosecond)
	if p, why := k.who(t, k.Service, got.Token, ""); why != "the access token has expired" {
		t.Errorf("a token counts after five minutes: %+v %s", p, why)
	}
	for _, token := range []string{"", "x", strings.Repeat("x", 43), got.Token + "x"} {
		if p, why := k.who(t, k.Service, token, ""); why != "the access token is not known, or no longer" {
			t.Errorf("%.50q: %+v %s", token, p, why)
		}
	}
}

// TestProcessesShare says that what one process knows, all do.
func TestProcessesShare(t *testing.T) {
	k := newKit(t)
	two := k.another(t)
	a := k.assertion(t, "1")
	got := ask(t, k.Service, post(form(a).Encode()))
	if _, why := k.who(t, two, got.Token, ""); got.status != 200 || why != "" {
		t.Errorf("a token of one process at another: %s, %+v", why, got)
	}
	if again := ask(t, two, post(form(a).Encode())); again.Error != "invalid_client" || !strings.Contains(again.About, "jti was used before") {
		t.Errorf("replayed at another process: %+v", again)
	}
	k.nc.Close()
	lost := ask(t, two, post(form(k.assertion(t, "2")).Encode()))
	if lost.status != 503 || lost.Error != "temporarily_unavailable" || lost.Token != "" {
		t.Errorf("without the shared bucket: %+v", lost)
	}
	if _, why := k.who(t, two, got.Token, ""); why != "unavailable" {
		t.Errorf("a token that nobody can look up: %s", why)
	}
}

// TestOfManyReplaysOneWins sends one assertion at once to two processes.
func TestOfManyReplaysOneWins(t *testing.T) {
	k := newKit(t)
	two := k.another(t)
	body := form(k.assertion(t, "1")).Encode()
	given := make(chan bool)
	for i := range 16 {
		go func() {
			s := k.Service
			if i%2 == 0 {
				s = two
			}
			w := httptest.NewRecorder()
			s.Token(w, post(body))
			given <- w.Code == http.StatusOK
		}()
	}
	n := 0
	for range 16 {
		if <-given {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d of 16 got a token by one assertion, want 1", n)
	}
}

// TestConfiguration reads the discovery document. SMART asks for JSON whatever Accept says.
func TestConfiguration(t *testing.T) {
	k := newKit(t)
	r := httptest.NewRequest(http.MethodGet, base+smart.ConfigurationPath, nil)
	r.Header.Set("Accept", "text/html")
	w := httptest.NewRecorder()
	if err := k.Configuration(w, r); err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("%v %v", w.Header(), err)
	}
	if want := (map[string]any{
		"token_endpoint":                                   endpoint,
		"token_endpoint_auth_methods_supported":            []any{"private_key_jwt"},
		"token_endpoint_auth_signing_alg_values_supported": []any{"ES384", "RS384"},
		"grant_types_supported":                            []any{"client_credentials"},
		"scopes_supported":                                 []any{"system/*.rs", "system/*.read", "system/Observation.rs", "system/Patient.rs", "system/Procedure.rs"},
		"code_challenge_methods_supported":                 []any{"S256"},
		"capabilities":                                     []any{"client-confidential-asymmetric", "permission-v1", "permission-v2"},
	}); !reflect.DeepEqual(got, want) {
		t.Errorf("%v", got)
	}
	if err := k.Configuration(w, post("")); err == nil || err.Error() != "this address can only be read, with GET or HEAD" {
		t.Errorf("with POST: %v", err)
	}
	// What is promised is kept.
	for i, scope := range got["scopes_supported"].([]any) {
		a := sign(t, jose.ES384, otherKey(), object{"kid": "other-1"}, k.claims(fmt.Sprint(i)).with(object{"iss": "other", "sub": "other"}))
		if g := ask(t, k.Service, post(form(a, "scope", scope.(string)).Encode())); g.status != 200 || g.Scope != scope {
			t.Errorf("%s: %+v", scope, g)
		}
	}
}

// TestManyAskAtOnce holds as many requests as are worked on at once, in the fetch of a key set, and asks once more.
func TestManyAskAtOnce(t *testing.T) {
	k := hosted(t)
	k.web.answers(address, setOf(ehrKey()), "")
	k.web.wait = make(chan struct{})
	body := form(k.assertion(t, "1")).Encode()
	done := make(chan int)
	for range 33 {
		go func() {
			w := httptest.NewRecorder()
			k.Token(w, post(body))
			done <- w.Code
		}()
	}
	if code := <-done; code != http.StatusServiceUnavailable {
		t.Errorf("one too many: %d", code)
	}
	close(k.web.wait)
	codes := map[int]int{}
	for range 32 {
		codes[<-done]++
	}
	// They were all the same assertion.
	if codes[http.StatusOK] != 1 || codes[http.StatusBadRequest] != 31 {
		t.Errorf("the others: %v", codes)
	}
}
