package smart_test

import (
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/smart"
)

// What is counted says why tokens are refused, and nothing of whose they are.
func TestRefusedTokensAreCountedByTheirReason(t *testing.T) {
	k := newKit(t)
	assertion := func(changes object) {
		ask(t, k.Service, post(form(sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1"}, k.claims("x").with(changes))).Encode()))
	}
	access := func(changes object) {
		k.who(t, k.Service, sign(t, jose.RS256, loginKey(), object{"kid": "login-1"}, k.access().with(changes)), "/fhir/Patient")
	}
	hook := func(changes object) {
		claims := object{"iss": "https://ehr.example", "aud": hooks + "/cds-services", "exp": k.at(time.Minute), "iat": k.at(0), "jti": "h"}
		k.who(t, k.Service, sign(t, jose.ES384, hookKey(), object{"kid": "hook-1"}, claims.with(changes)), "/cds-services")
	}
	before := k.refused.Counts()
	if len(before) != 21 {
		t.Errorf("%d counters, want 3 uses of 7 reasons, all from the start", len(before))
	}
	for _, c := range []struct {
		what       string
		do         func()
		use, class string
	}{
		{"a good assertion", func() { assertion(nil) }, "", ""},
		{"an assertion again", func() { assertion(nil) }, "assertion", "replayed"},
		{"an assertion without an end", func() { assertion(object{"exp": nil}) }, "assertion", "malformed"},
		{"an assertion that ended", func() { assertion(object{"exp": k.at(-time.Hour)}) }, "assertion", "untimely"},
		{"an assertion for another server", func() { assertion(object{"aud": "https://other.example"}) }, "assertion", "misdirected"},
		{"an assertion of nobody", func() { assertion(object{"iss": "nobody", "sub": "nobody"}) }, "assertion", "unregistered"},
		{"an assertion with a foreign signature", func() {
			ask(t, k.Service, post(form(sign(t, jose.ES384, otherKey(), object{"kid": "ehr-1"}, k.claims("y"))).Encode()))
		}, "assertion", "forged"},
		{"an issuer's good token", func() { access(nil) }, "", ""},
		{"an issuer's token that ended", func() { access(object{"exp": k.at(-time.Hour)}) }, "access", "untimely"},
		{"an issuer's token for another server", func() { access(object{"aud": "https://files.example"}) }, "access", "misdirected"},
		{"a token that nobody gave", func() { k.who(t, k.Service, "none", "/fhir/Patient") }, "access", "unregistered"},
		{"a call of CDS Hooks", func() { hook(nil) }, "", ""},
		{"the same call again", func() { hook(nil) }, "hook", "replayed"},
		{"a call without iat", func() { hook(object{"iat": nil, "jti": "i"}) }, "hook", "malformed"},
		{"a call of an unknown EHR", func() { hook(object{"iss": "https://attacker.example", "jti": "j"}) }, "hook", "unregistered"},
		{"a call while its key set cannot be had", func() {
			k.web.down("https://ehr.example/jwks")
			k.clock.Advance(24 * time.Hour)
			hook(object{"exp": k.at(time.Minute), "iat": k.at(0), "jti": "k"})
		}, "hook", "unchecked"},
	} {
		c.do()
		after := k.refused.Counts()
		for which, n := range after {
			want := before[which]
			if which == (smart.Refusal{Use: c.use, Class: c.class}) {
				want++
			}
			if n != want {
				t.Errorf("%s: %v counts %d, want %d", c.what, which, n, want)
			}
		}
		before = after
	}
}
