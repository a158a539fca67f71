package smart_test

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/access"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
	"cannulary/internal/smart"
	"cannulary/internal/testkit"
)

const (
	base     = "https://record.example/fhir"
	hooks    = "https://record.example"
	endpoint = base + "/auth/token"
	issuer   = "https://login.example/realm"
	bearer   = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
)

// pair is a key pair with its kid.
type pair struct {
	kid    string
	secret crypto.Signer
}

func (p pair) public() jose.JSONWebKey { return jose.JSONWebKey{Key: p.secret.Public(), KeyID: p.kid} }

func curve(kid string, c elliptic.Curve) pair {
	k, err := ecdsa.GenerateKey(c, rand.Reader)
	if err != nil {
		panic(err)
	}
	return pair{kid, k}
}

func modulus(kid string, bits int) pair {
	k, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		panic(err)
	}
	return pair{kid, k}
}

// The keys of the tests. Making an RSA key takes a while.
var (
	ehrKey   = sync.OnceValue(func() pair { return curve("ehr-1", elliptic.P384()) })
	ehrRSA   = sync.OnceValue(func() pair { return modulus("ehr-2", 2048) })
	otherKey = sync.OnceValue(func() pair { return curve("other-1", elliptic.P384()) })
	loginKey = sync.OnceValue(func() pair { return modulus("login-1", 2048) })
	hookKey  = sync.OnceValue(func() pair { return curve("hook-1", elliptic.P384()) })
)

func setOf(pairs ...pair) []byte {
	var set jose.JSONWebKeySet
	for _, p := range pairs {
		set.Keys = append(set.Keys, p.public())
	}
	data, err := json.Marshal(set)
	if err != nil {
		panic(err)
	}
	return data
}

func fileOf(t *testing.T, data []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// object is the header or the claims of a JWT.
type object map[string]any

func (o object) with(changes object) object {
	out := maps.Clone(o)
	for k, v := range changes {
		if v == nil {
			delete(out, k)
		} else {
			out[k] = v
		}
	}
	return out
}

// sign makes a JWT of exactly these claims. key is a pair, or the bytes of a shared secret.
func sign(t *testing.T, alg jose.SignatureAlgorithm, key any, header, claims object) string {
	t.Helper()
	payload, err := json.Marshal(claims)
	if err != nil {
		t.Fatal(err)
	}
	return signRaw(t, alg, key, header, payload)
}

func signRaw(t *testing.T, alg jose.SignatureAlgorithm, key any, header object, payload []byte) string {
	t.Helper()
	if p, ok := key.(pair); ok {
		key = p.secret
	}
	opts := &jose.SignerOptions{ExtraHeaders: map[jose.HeaderKey]any{}}
	for k, v := range header {
		opts.ExtraHeaders[jose.HeaderKey(k)] = v
	}
	s, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, opts)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := s.Sign(payload)
	if err != nil {
		t.Fatal(err)
	}
	text, err := signed.CompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// unsigned makes a JWT of the algorithm none.
func unsigned(t *testing.T, header, claims object) string {
	t.Helper()
	var parts []string
	for _, o := range []object{header.with(object{"alg": "none"}), claims} {
		data, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		parts = append(parts, base64.RawURLEncoding.EncodeToString(data))
	}
	return strings.Join(parts, ".") + "."
}

// kit is a service with a clock that stands still, and a policy that a test may change.
type kit struct {
	*smart.Service
	clock   *testkit.Clock
	policy  *access.Policy
	nc      *nats.Conn
	web     *web
	log     *strings.Builder
	refused smart.Refusals
	slog    *slog.Logger // writes to log
}

func newKit(t *testing.T) *kit {
	t.Helper()
	k := &kit{clock: testkit.NewClock(testkit.Noon()), web: &web{}, log: &strings.Builder{}, refused: smart.NewRefusals(),
		nc: testkit.Connect(t, testkit.Server(t, t.TempDir()))}
	k.slog = slog.New(slog.NewTextHandler(k.log, nil))
	k.policy = policyOf(t, fmt.Sprintf(`
issuers:
  - {url: %q, audience: %q}
principals:
  - {name: ehr, facilities: ["*"], fhir: [Observation, Patient], client: {keys_file: %q}, may: [pages]}
  - {name: other-system, facilities: ["*"], fhir: ["*"], client: {id: other, keys_file: %q}}
  - {name: app, facilities: ["*"], fhir: [Observation], client: {issuer: %q}}
  - {name: chart, facilities: ["*"], may: [hooks], hooks: {issuer: "https://ehr.example", keys_url: "https://ehr.example/jwks"}}
`, issuer, base, fileOf(t, setOf(ehrKey(), ehrRSA())), fileOf(t, setOf(otherKey())), issuer))
	k.web.answers("https://ehr.example/jwks", setOf(hookKey()), "")
	k.web.answers(issuer+"/.well-known/openid-configuration", []byte(`{"issuer":"`+issuer+`","jwks_uri":"https://login.example/keys"}`), "")
	k.web.answers("https://login.example/keys", setOf(loginKey()), "")
	k.Service = k.another(t)
	return k
}

func types() []string { return []string{"Observation", "Patient", "Procedure"} }

func policyOf(t *testing.T, text string) *access.Policy {
	t.Helper()
	p, err := access.Parse([]byte(text), types())
	if err == nil {
		err = smart.Check(p)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// another is one more process that shares the bucket.
func (k *kit) another(t *testing.T) *smart.Service {
	t.Helper()
	js, err := jetstream.New(k.nc)
	if err != nil {
		t.Fatal(err)
	}
	shared, err := bucket.Open(testkit.Context(t), js, bucket.Config{Name: "access", Replicas: 1, Keep: smart.KeepShared, MaxBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	return smart.New(smart.Config{Policy: func() *access.Policy { return k.policy }, Shared: shared, Base: base, Hooks: hooks,
		Types: types(), Refused: k.refused, Now: k.clock.Now, Log: k.slog, HTTP: &http.Client{Transport: k.web}})
}

// who asks with a token for a path, and returns what a policy would let them read, or why they were refused as the log
// has it. Whoever is refused is told the same.
func (k *kit) who(t *testing.T, s *smart.Service, token, path string) (p *access.Principal, why string) {
	t.Helper()
	k.log.Reset()
	p, err := s.Who(testkit.Context(t), access.Caller{Bearer: token, Path: path}, k.policy)
	var f *fault.Error
	switch {
	case err == nil:
		return p, ""
	case p != nil || !errors.As(err, &f):
		t.Fatalf("%+v %v", p, err)
	case f.Kind == fault.Unavailable:
		return nil, "unavailable"
	case err.Error() != access.Unknown().Error():
		t.Fatalf("the caller is told %v", err)
	}
	_, line, _ := strings.Cut(k.log.String(), "because=")
	why = strings.TrimSpace(line)
	if unquoted, err := strconv.Unquote(why); err == nil {
		why = unquoted
	}
	return nil, why
}

// claims are those of a good assertion.
func (k *kit) claims(jti string) object {
	return object{"iss": "ehr", "sub": "ehr", "aud": endpoint, "jti": jti, "exp": k.at(4 * time.Minute), "iat": k.at(0)}
}

// at is a moment as claims write it.
func (k *kit) at(d time.Duration) int64 { return k.clock.Now().Add(d).Unix() }

func (k *kit) assertion(t *testing.T, jti string) string {
	t.Helper()
	return sign(t, jose.ES384, ehrKey(), object{"kid": "ehr-1", "typ": "JWT"}, k.claims(jti))
}

// form is a good request, but for its changes.
func form(assertion string, changes ...string) url.Values {
	f := url.Values{"grant_type": {"client_credentials"}, "client_assertion_type": {bearer}, "client_assertion": {assertion},
		"scope": {"system/Observation.rs"}}
	for i := 0; i < len(changes); i += 2 {
		f.Set(changes[i], changes[i+1])
		if changes[i+1] == "" {
			f.Del(changes[i])
		}
	}
	return f
}

func post(body string) *http.Request {
	r := httptest.NewRequest(http.MethodPost, endpoint, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return r
}

// told is an answer of the token endpoint.
type told struct {
	status int
	header http.Header
	Token  string `json:"access_token"`
	Type   string `json:"token_type"`
	Ends   int    `json:"expires_in"`
	Scope  string `json:"scope"`
	Error  string `json:"error"`
	About  string `json:"error_description"`
}

func ask(t *testing.T, s *smart.Service, r *http.Request) told {
	t.Helper()
	w := httptest.NewRecorder()
	s.Token(w, r)
	out := told{status: w.Code, header: w.Header()}
	if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil || w.Header().Get("Content-Type") != "application/json" ||
		w.Header().Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v %s: %v", w.Code, w.Header(), w.Body, err)
	}
	return out
}

// web is the hospital's network: what each address answers, and how often it was asked.
type web struct {
	mu    sync.Mutex
	pages map[string]page
	asked map[string]int
	wait  chan struct{} // nil answers at once
}

type page struct {
	body  []byte
	cache string
	to    string // a redirect
}

func (w *web) answers(address string, body []byte, cacheControl string) {
	w.set(address, page{body: body, cache: cacheControl})
}

func (w *web) set(address string, p page) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.pages == nil {
		w.pages, w.asked = map[string]page{}, map[string]int{}
	}
	w.pages[address] = p
}

// down makes an address answer no more.
func (w *web) down(address string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.pages, address)
}

func (w *web) times(address string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.asked[address]
}

func (w *web) RoundTrip(r *http.Request) (*http.Response, error) {
	w.mu.Lock()
	p, ok := w.pages[r.URL.String()]
	w.asked[r.URL.String()]++
	w.mu.Unlock()
	if w.wait != nil {
		<-w.wait
	}
	rec := httptest.NewRecorder()
	switch {
	case !ok:
		rec.WriteHeader(http.StatusBadGateway)
	case p.to != "":
		rec.Header().Set("Location", p.to)
		rec.WriteHeader(http.StatusFound)
	default:
		if p.cache != "" {
			rec.Header().Set("Cache-Control", p.cache)
		}
		_, _ = rec.Write(p.body)
	}
	resp := rec.Result()
	resp.Request = r
	return resp, nil
}
