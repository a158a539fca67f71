package smart_test

import (
	"crypto/elliptic"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/access"
	"cannulary/internal/smart"
)

const address = "https://ehr.example/keys"

// hosted is a kit whose client ehr hosts its key set.
func hosted(t *testing.T) *kit {
	k := newKit(t)
	k.policy.Principals[0].Client = &access.Client{KeySet: access.KeySet{URL: address}}
	return k
}

var jtis = func() func() string {
	n := 0
	return func() string { n++; return time.Duration(n).String() }
}()

// try asks for a token with a key, and says how it ended: given, refused or unavailable.
func (k *kit) try(t *testing.T, key pair) string {
	t.Helper()
	a := sign(t, jose.ES384, key, object{"kid": key.kid, "jku": address}, k.claims(jtis()))
	switch got := ask(t, k.Service, post(form(a).Encode())); {
	case got.status == 200:
		return "given"
	case got.status == 400 && got.Error == "invalid_client" && got.About == nobody:
		return "refused"
	case got.status == 503 && got.Error == "temporarily_unavailable":
		return "unavailable"
	default:
		t.Fatalf("%+v", got)
		return ""
	}
}

// TestAKeySetThatAClientHosts reports when it is fetched: as SMART says, never used longer than its server allows.
func TestAKeySetThatAClientHosts(t *testing.T) {
	old, fresh := curve("old", elliptic.P384()), curve("new", elliptic.P384())
	k := hosted(t)
	step := func(what string, after time.Duration, key pair, want string, fetched int) {
		t.Helper()
		k.clock.Advance(after)
		if got := k.try(t, key); got != want || k.web.times(address) != fetched {
			t.Errorf("%s: %s after %d fetches, want %s after %d", what, got, k.web.times(address), want, fetched)
		}
	}
	k.web.answers(address, setOf(old), "max-age=60")
	step("the first time", 0, old, "given", 1)
	step("while it is good", 59*time.Second, old, "given", 1)
	k.web.answers(address, setOf(fresh), "max-age=60")
	step("a key that is not known yet", 0, fresh, "given", 2)
	step("a key that went", 0, old, "refused", 2)
	step("an unknown key soon after the last fetch", 9*time.Second, old, "refused", 2)
	step("an unknown key later", time.Second, old, "refused", 3)
	k.web.down(address)
	step("its time is over and nobody answers", 61*time.Second, fresh, "unavailable", 4)
	step("soon after that", 9*time.Second, fresh, "unavailable", 4)
	k.web.answers(address, setOf(fresh), "no-store")
	step("it answers again", time.Second, fresh, "given", 5)
	step("it may not be kept: at most for the pause between two fetches", 9*time.Second, fresh, "given", 5)
	step("after the pause", time.Second, fresh, "given", 6)
	k.web.answers(address, setOf(fresh), "max-age=86400")
	step("for a day", 10*time.Second, fresh, "given", 7)
	step("but an hour at most", time.Hour, fresh, "given", 8)
	k.web.answers(address, setOf(fresh), "")
	step("nothing is said", time.Hour, fresh, "given", 9)
	step("then five minutes", 5*time.Minute-time.Second, fresh, "given", 9)
	step("and no longer", time.Second, fresh, "given", 10)
}

func TestWhatAnAddressMayNotAnswer(t *testing.T) {
	good := setOf(ehrKey())
	for name, p := range map[string]page{
		"a redirect":                 {to: "https://elsewhere.example/keys"},
		"too much":                   {body: append(good, strings.Repeat(" ", 64<<10)...)},
		"no JSON":                    {body: []byte("<html>")},
		"a set without a useful key": {body: []byte(`{"keys":[{"kty":"oct","kid":"1","k":"AAAA","use":"enc"},{"kty":"new"}]}`)},
	} {
		k := hosted(t)
		k.web.answers("https://elsewhere.example/keys", good, "")
		k.web.set(address, p)
		if got := k.try(t, ehrKey()); got != "unavailable" {
			t.Errorf("%s: %s", name, got)
		}
	}
}

func TestAKeySetIsChecked(t *testing.T) {
	secret, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: ehrKey().secret, KeyID: "1"}}})
	if err != nil {
		t.Fatal(err)
	}
	shared := []byte(`{"keys":[{"kty":"oct","kid":"1","k":"c2VjcmV0LXNlY3JldC1zZWNyZXQ"}]}`)
	short, nameless, twice := modulus("short", 1024), curve("", elliptic.P384()), setOf(ehrKey(), ehrKey())
	missing := filepath.Join(t.TempDir(), "none.json")
	file := func(data []byte) access.KeySet { return access.KeySet{File: fileOf(t, data)} }
	for name, c := range map[string]struct {
		keys access.KeySet
		says string // what stands in the error; empty for none
	}{
		"good":              {file(setOf(ehrKey(), ehrRSA())), ""},
		"an address":        {access.KeySet{URL: address}, ""},
		"a secret key":      {file(secret), "key 1 is secret; publish public keys alone, and never use this one again"},
		"a shared secret":   {file(shared), "key 1 is secret; publish public keys alone, and never use this one again"},
		"a short RSA key":   {file(setOf(short)), "key 1 has 1024 bits; an RSA key needs at least 2048"},
		"a key without kid": {file(setOf(nameless)), "key 1 has no kid; give every key one of its own"},
		"a kid twice":       {file(twice), `kid "ehr-1" stands there twice; give every key one of its own`},
		"no set":            {file([]byte(`{}`)), `it is no JSON Web Key Set; it looks like {"keys":[{"kty":"EC","kid":"1","crv":"P-384","x":"…","y":"…"}]}`},
		"an empty set":      {file([]byte(`{"keys":[]}`)), "it holds no public key of type EC or RSA for signatures"},
		"no file":           {access.KeySet{File: missing}, "no such file or directory"},
		"no TLS":            {access.KeySet{URL: "http://ehr.example/keys"}, `address "http://ehr.example/keys" is not an https address; give for instance https://ehr.example/jwks.json`},
		"a password in it":  {access.KeySet{URL: "https://u:p@ehr.example/keys"}, "is not an https address"},
	} {
		for _, p := range []*access.Principal{{Name: "x", Client: &access.Client{KeySet: c.keys}}, {Name: "x", Signer: &access.Signer{KeySet: c.keys}}} {
			err := smart.Check(&access.Policy{Principals: []*access.Principal{p}})
			if (err == nil) != (c.says == "") || err != nil && (!strings.HasPrefix(err.Error(), "principal x: ") || !strings.Contains(err.Error(), c.says)) {
				t.Errorf("%s: %v, want %q", name, err, c.says)
			}
		}
	}
}

// TestWhatAKeyIsFor says that a key serves only what its set says of it.
func TestWhatAKeyIsFor(t *testing.T) {
	k := newKit(t)
	for name, c := range map[string]struct {
		change func(*jose.JSONWebKey)
		status int
	}{
		"nothing is said":       {func(*jose.JSONWebKey) {}, 200},
		"for signatures":        {func(j *jose.JSONWebKey) { j.Use, j.Algorithm = "sig", "ES384" }, 200},
		"for encryption":        {func(j *jose.JSONWebKey) { j.Use = "enc" }, 400},
		"for another algorithm": {func(j *jose.JSONWebKey) { j.Algorithm = "ES512" }, 400},
	} {
		key := ehrKey().public()
		c.change(&key)
		data, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{key, ehrRSA().public()}})
		if err != nil {
			t.Fatal(err)
		}
		k.policy.Principals[0].Client.File = fileOf(t, data)
		if got := ask(t, k.Service, post(form(k.assertion(t, name)).Encode())); got.status != c.status || c.status == 400 && got.About != nobody {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestANewFileCountsAtOnce changes a client's key set while the service runs.
func TestANewFileCountsAtOnce(t *testing.T) {
	k := newKit(t)
	file := k.policy.Principals[0].Client.File
	if got := ask(t, k.Service, post(form(k.assertion(t, "1")).Encode())); got.status != 200 {
		t.Fatal(got)
	}
	if err := os.WriteFile(file, setOf(ehrRSA()), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := ask(t, k.Service, post(form(k.assertion(t, "2")).Encode())); got.About != nobody {
		t.Errorf("a key that left the file: %+v", got)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if got := ask(t, k.Service, post(form(k.assertion(t, "3")).Encode())); got.status != 503 || strings.Contains(got.About, file) {
		t.Errorf("without the file: %+v", got)
	}
}
