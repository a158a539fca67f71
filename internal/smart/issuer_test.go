package smart_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/access"
)

// access are the claims of a good access token of the issuer.
func (k *kit) access() object {
	return object{"iss": issuer, "aud": []string{"https://files.example", base}, "exp": k.at(time.Hour), "iat": k.at(0), "sub": "service-7",
		"client_id": "app", "scope": "openid system/Observation.rs system/Patient.rs"}
}

func TestTokensOfAnIssuer(t *testing.T) {
	k := newKit(t)
	head := object{"kid": "login-1", "typ": "at+jwt"}
	rs := func(changes object) string { return sign(t, jose.RS256, loginKey(), head, k.access().with(changes)) }
	for name, token := range map[string]string{
		"as RFC 9068 says":           rs(nil),
		"for us alone":               rs(object{"aud": base}),
		"with azp in the old manner": rs(object{"client_id": nil, "azp": "app"}),
		"of type JWT":                sign(t, jose.PS256, loginKey(), object{"kid": "login-1", "typ": "JWT"}, k.access()),
	} {
		// Patient is in the token, but not in the policy.
		p, why := k.who(t, k.Service, token, "/fhir/Observation")
		if p == nil || p.Name != "app" || !slices.Equal(p.FHIR, []string{"Observation"}) {
			t.Errorf("%s: %+v %s", name, p, why)
		}
	}
	if n := k.web.times("https://login.example/keys"); n != 1 {
		t.Errorf("its key set was fetched %d times for four tokens, want once", n)
	}
	for _, c := range []struct{ attack, token, why string }{
		{"expired", rs(object{"exp": k.at(-30 * time.Second)}), "it has expired: exp has passed; make a new one, and compare the clocks"},
		{"without an end", rs(object{"exp": nil}), "exp is missing; send when the token ends"},
		{"not valid yet", rs(object{"nbf": k.at(time.Minute)}), "nbf lies ahead; compare the clocks"},
		{"of another issuer", rs(object{"iss": "https://attacker.example"}), "the issuer of the token is not in the policy"},
		{"of an issuer that is written otherwise", rs(object{"iss": issuer + "/"}), "the issuer of the token is not in the policy"},
		{"of no issuer", rs(object{"iss": nil}), "the issuer of the token is not in the policy"},
		{"for another server", rs(object{"aud": "https://files.example"}), "the token is not for this service: its aud is another"},
		{"an ID token, for the client", rs(object{"aud": "app"}), "the token is not for this service: its aud is another"},
		{"for nobody", rs(object{"aud": nil}), "the token is not for this service: its aud is another"},
		{"of an unknown client", rs(object{"client_id": "nobody"}), "the client of the token is not in the policy with that issuer"},
		{"of a client that has keys of its own", rs(object{"client_id": "ehr"}), "the client of the token is not in the policy with that issuer"},
		{"of no client", rs(object{"client_id": nil}), "the client of the token is not in the policy with that issuer"},
		{"signed by a client", sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1"}, k.access()), "the registered key set has no key of this kid"},
		{"signed by a client under the issuer's kid", sign(t, jose.ES384, ehrKey(), head, k.access()), "the signature is not right"},
		{"algorithm none", unsigned(t, head, k.access()), "it is no JWT that is signed with one of ES384, RS384, ES256, RS256, PS256, PS384; sign it with one of these"},
		{"HS256 with the public key", sign(t, jose.HS256, setOf(loginKey()), head, k.access()), "it is no JWT that is signed with one of ES384, RS384, ES256, RS256, PS256, PS384; sign it with one of these"},
		{"a type of another purpose", sign(t, jose.RS256, loginKey(), object{"kid": "login-1", "typ": "logout+jwt"}, k.access()), `typ is "logout+jwt"; it must be at+jwt`},
		{"changed after signing", changed(rs(nil)), "the signature is not right"},
		{"oversized", rs(object{"more": strings.Repeat("m", 8<<10)}), "the access token is too long"},
	} {
		if p, why := k.who(t, k.Service, c.token, "/fhir/Observation"); why != c.why {
			t.Errorf("%s: %+v %s, want %s", c.attack, p, why, c.why)
		}
	}
}

// TestTheIssuerIsDown says how long the cached key set goes on, and that a lie about the issuer does not count.
func TestTheIssuerIsDown(t *testing.T) {
	k := newKit(t)
	token := func() string { return sign(t, jose.RS256, loginKey(), object{"kid": "login-1"}, k.access()) }
	if _, why := k.who(t, k.Service, token(), ""); why != "" {
		t.Fatal(why)
	}
	k.web.down("https://login.example/keys")
	for _, c := range []struct {
		after time.Duration
		good  bool
	}{{4 * time.Minute, true}, {2 * time.Minute, true}, {11 * time.Hour, true}, {time.Hour, false}} {
		k.clock.Advance(c.after)
		if _, why := k.who(t, k.Service, token(), ""); (why == "") != c.good || !c.good && why != "unavailable" {
			t.Errorf("%s later: %s", c.after, why)
		}
	}
	k.clock.Advance(time.Minute)
	k.web.answers("https://login.example/keys", setOf(loginKey()), "")
	k.web.answers(issuer+"/.well-known/openid-configuration", []byte(`{"issuer":"https://attacker.example","jwks_uri":"https://login.example/keys"}`), "")
	if _, why := k.who(t, k.Service, token(), ""); why != "unavailable" || !strings.Contains(k.log.String(), "its discovery document is not its own") {
		t.Errorf("a discovery document of another issuer: %s", why)
	}
	k.clock.Advance(time.Minute)
	k.web.answers(issuer+"/.well-known/openid-configuration", []byte(`{"issuer":"`+issuer+`","jwks_uri":"http://login.example/keys"}`), "")
	if _, why := k.who(t, k.Service, token(), ""); why != "unavailable" || !strings.Contains(k.log.String(), "is not an https address") {
		t.Errorf("a key set without TLS: %s", why)
	}
}

// TestCallersOfHooks has a row for each attack on CDS Hooks.
func TestCallersOfHooks(t *testing.T) {
	k := newKit(t)
	const path = "/cds-services/needle-advice"
	head := object{"kid": "hook-1", "typ": "JWT", "jku": "https://ehr.example/jwks"}
	claims := object{"iss": "https://ehr.example", "aud": hooks + path, "exp": k.at(5 * time.Minute), "iat": k.at(0), "jti": "x", "tenant": "north"}
	es := func(header, changes object) string {
		return sign(t, jose.ES384, hookKey(), head.with(header), claims.with(changes))
	}
	for name, raw := range map[string]string{
		"with a jku": es(nil, object{"jti": "1"}), "without": es(object{"jku": nil}, object{"jti": "2"}), "a list": es(nil, object{"jti": "3", "aud": []string{hooks + path}}),
	} {
		if p, why := k.who(t, k.Service, raw, path); p == nil || p.Name != "chart" || !p.Has(access.Hooks) {
			t.Errorf("%s: %+v %s", name, p, why)
		}
	}
	for _, c := range []struct{ attack, raw, why string }{
		{"expired", es(nil, object{"exp": k.at(-30 * time.Second)}), "it has expired: exp has passed; make a new one, and compare the clocks"},
		{"without an end", es(nil, object{"exp": nil}), "exp is missing; send when the token ends"},
		{"too long a life", es(nil, object{"exp": k.at(5*time.Minute + 31*time.Second)}), "exp lies more than 5 minutes ahead; make a token for each request"},
		{"made later", es(nil, object{"iat": k.at(31 * time.Second)}), "iat lies ahead; compare the clocks"},
		{"made never", es(nil, object{"iat": nil}), "iat is missing; send when the token was made"},
		{"no jti", es(nil, object{"jti": nil}), "jti is missing or has more than 256 bytes; send a new random one each time"},
		{"replayed", es(nil, object{"jti": "1"}), "jti was used before; send a new random one each time"},
		{"of another EHR", es(nil, object{"iss": "https://attacker.example"}), "the issuer of the call is not in the policy"},
		{"for another service", es(nil, object{"aud": hooks + "/cds-services"}), "aud must be " + hooks + path + " alone, the address that is called"},
		{"for two services", es(nil, object{"aud": []string{hooks + path, "https://other.example"}}), "aud must be " + hooks + path + " alone, the address that is called"},
		{"an assertion for the token endpoint", es(nil, object{"aud": endpoint}), "aud must be " + hooks + path + " alone, the address that is called"},
		{"a jku that is not registered", es(object{"jku": "https://attacker.example/jwks"}, nil), "jku is not the address that is registered"},
		{"an unknown kid", es(object{"kid": "hook-2"}, nil), "the registered key set has no key of this kid"},
		{"a foreign key", sign(t, jose.ES384, ehrKey(), head, claims), "the signature is not right"},
		{"algorithm none", unsigned(t, head, claims), "it is no JWT that is signed with one of ES384, RS384; sign it with one of these"},
		{"HS384 with the public key", sign(t, jose.HS384, setOf(hookKey()), head, claims), "it is no JWT that is signed with one of ES384, RS384; sign it with one of these"},
		{"an access token of ours", ask(t, k.Service, post(form(k.assertion(t, "a")).Encode())).Token, "it is no JWT that is signed with one of ES384, RS384; sign it with one of these"},
		{"oversized", es(nil, object{"more": strings.Repeat("m", 8<<10)}), "the JWT has more than 8192 bytes; send fewer claims"},
	} {
		if p, why := k.who(t, k.Service, c.raw, path); why != c.why {
			t.Errorf("%s: %+v %s, want %s", c.attack, p, why, c.why)
		}
	}
	for _, path := range []string{path, "/cds-services"} {
		if _, why := k.who(t, k.Service, es(nil, object{"jti": path, "aud": hooks + path}), path+"/"); why != "" {
			t.Errorf("without an attack at %s: %s", path, why)
		}
	}
	if p, why := k.who(t, k.Service, es(nil, object{"jti": "fhir"}), "/fhir/Patient"); p != nil {
		t.Errorf("the signature of a call reads FHIR: %+v %s", p, why)
	}
}
