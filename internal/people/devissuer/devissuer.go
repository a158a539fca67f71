// Package devissuer is an issuer of OpenID Connect for the demo and for tests. It asks for no password: whoever reaches it
// is whom they choose. It therefore listens on this machine alone, and every page of it says what it is.
package devissuer

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

// Person is an invented person who can log in.
type Person struct {
	Sub        string   `json:"sub"`
	Name       string   `json:"name"`
	Roles      []string `json:"roles"`
	Staff      string   `json:"staff_number"`
	Facilities []string `json:"facilities"`
}

// People are invented persons, one of each role, who belong to the facilities.
func People(facilities ...string) []Person {
	return []Person{
		{"invented-1", "Cannulator (invented)", []string{"cannulator"}, "S-101", facilities},
		{"invented-2", "Lead (invented)", []string{"lead"}, "S-102", facilities},
		{"invented-3", "Infection control (invented)", []string{"infection-control"}, "S-103", facilities},
		{"invented-4", "Auditor (invented)", []string{"auditor"}, "S-104", facilities},
		{"invented-5", "Nobody here (invented)", nil, "S-105", facilities},
	}
}

// Client is the one client that the issuer knows. It has no secret.
const Client = "cannulary"

const (
	codeLife   = time.Minute
	accessLife = 5 * time.Minute
	idLife     = 5 * time.Minute
)

// Issuer is a running issuer.
type Issuer struct {
	now    func() time.Time
	key    *ecdsa.PrivateKey
	lis    net.Listener
	server *http.Server
	pages  *template.Template

	mu     sync.Mutex
	people []Person
	codes  map[string]*grant
	tokens map[string]*grant // refresh and access tokens
	gone   map[string]bool   // people who left, by sub
	change func(claims map[string]any)
	sign   func(claims map[string]any) string
	once   bool // no refresh tokens
}

// grant is what a code or a token stands for.
type grant struct {
	person          Person
	redirect, nonce string
	challenge       string
	authTime, until time.Time
	refresh, used   bool
}

//go:embed page
var files embed.FS

// Start listens on an address of this machine; port 0 takes a free one.
func Start(ctx context.Context, address string, people []Person, now func() time.Time) (*Issuer, error) {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	if err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("the development issuer asks for no password, so it listens on this machine alone, not on %q; "+
			"give for instance 127.0.0.1:0", address)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	i := &Issuer{now: now, key: key, people: people, codes: map[string]*grant{}, tokens: map[string]*grant{}, gone: map[string]bool{},
		pages: template.Must(template.ParseFS(files, "page/*.html"))}
	if i.lis, err = (&net.ListenConfig{}).Listen(ctx, "tcp", address); err != nil {
		return nil, fmt.Errorf("%w; choose another address, port 0 takes a free one", err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", i.discovery)
	mux.HandleFunc("GET /jwks", i.keys)
	mux.HandleFunc("GET /authorize", i.authorize)
	mux.HandleFunc("POST /authorize", i.chosen)
	mux.HandleFunc("POST /token", i.token)
	mux.HandleFunc("GET /userinfo", i.userinfo)
	mux.HandleFunc("GET /logout", i.logout)
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		i.show(w, http.StatusNotFound, "There is nothing here.", nil)
	})
	i.server = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = i.server.Serve(i.lis) }() // it ends by Stop
	return i, nil
}

// URL is the issuer's address.
func (i *Issuer) URL() string { return "http://" + i.lis.Addr().String() }

// Stop ends it at once.
func (i *Issuer) Stop() { _ = i.server.Close() }

// Depart has a person leave: tokens of theirs are refused from now on.
func (i *Issuer) Depart(sub string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.gone[sub] = true
}

// Change has the claims of ID tokens changed before they are signed, for tests; nil changes none.
func (i *Issuer) Change(how func(claims map[string]any)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.change = how
}

// Once has it give no refresh tokens, as some issuers do.
func (i *Issuer) Once() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.once = true
}

// Sign has ID tokens signed otherwise, for tests; nil signs as it should.
func (i *Issuer) Sign(how func(claims map[string]any) string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.sign = how
}

func answer(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // the client may be gone
}

func (i *Issuer) discovery(w http.ResponseWriter, _ *http.Request) {
	u := i.URL()
	answer(w, http.StatusOK, map[string]any{
		"issuer": u, "authorization_endpoint": u + "/authorize", "token_endpoint": u + "/token", "jwks_uri": u + "/jwks",
		"userinfo_endpoint": u + "/userinfo", "end_session_endpoint": u + "/logout",
		"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"},
		"id_token_signing_alg_values_supported": []string{"ES256"}, "code_challenge_methods_supported": []string{"S256"},
		"grant_types_supported": []string{"authorization_code", "refresh_token"}, "token_endpoint_auth_methods_supported": []string{"none"},
	})
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: i.key.Public(), KeyID: "1", Algorithm: "ES256", Use: "sig"}}})
}

// page is what a page says.
type page struct {
	Says   string
	People []Person
	Hidden url.Values
}

func (i *Issuer) show(w http.ResponseWriter, status int, says string, p *page) {
	if p == nil {
		p = &page{}
	}
	p.Says = says
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = i.pages.ExecuteTemplate(w, "page.html", p) // the client may be gone
}

// asked checks what an authorization request asks for. Where it cannot be sent back, the page says why.
func asked(q url.Values) error {
	u, err := url.Parse(q.Get("redirect_uri"))
	if err != nil {
		return err
	}
	ip := net.ParseIP(u.Hostname())
	switch {
	case q.Get("client_id") != Client:
		return fmt.Errorf("client_id is not %s", Client)
	case u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) || u.Fragment != "":
		return errors.New("redirect_uri is not on this machine")
	case q.Get("response_type") != "code":
		return errors.New("response_type is not code")
	case q.Get("code_challenge_method") != "S256" || len(q.Get("code_challenge")) != 43:
		return errors.New("code_challenge is missing, or not by S256")
	case !slices.Contains(strings.Fields(q.Get("scope")), "openid"):
		return errors.New("scope has no openid")
	}
	return nil
}

// authorize asks who it is. There is no session here: everybody is asked each time, whatever max_age says.
func (i *Issuer) authorize(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if err := asked(q); err != nil {
		i.show(w, http.StatusBadRequest, "This request cannot be answered: "+err.Error()+".", nil)
		return
	}
	i.mu.Lock()
	people := slices.Clone(i.people)
	i.mu.Unlock()
	hint := q.Get("login_hint")
	slices.SortStableFunc(people, func(a, b Person) int {
		return map[bool]int{true: -1}[a.Sub == hint] - map[bool]int{true: -1}[b.Sub == hint]
	})
	i.show(w, http.StatusOK, "Choose who you are.", &page{People: people, Hidden: q})
}

// chosen sends the browser back with a code.
func (i *Issuer) chosen(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil || asked(r.PostForm) != nil {
		i.show(w, http.StatusBadRequest, "This form cannot be read.", nil)
		return
	}
	q := r.PostForm
	i.mu.Lock()
	defer i.mu.Unlock()
	at := slices.IndexFunc(i.people, func(p Person) bool { return p.Sub == q.Get("sub") })
	back, _ := url.Parse(q.Get("redirect_uri"))
	answer := back.Query()
	answer.Set("state", q.Get("state"))
	answer.Set("iss", i.URL())
	if at < 0 || i.gone[q.Get("sub")] {
		answer.Set("error", "access_denied")
	} else {
		code := rand.Text()
		i.codes[code] = &grant{person: i.people[at], redirect: q.Get("redirect_uri"), nonce: q.Get("nonce"),
			challenge: q.Get("code_challenge"), authTime: i.now(), until: i.now().Add(codeLife)}
		answer.Set("code", code)
	}
	back.RawQuery = answer.Encode()
	http.Redirect(w, r, back.String(), http.StatusSeeOther)
}

func refuse(w http.ResponseWriter, code string) {
	answer(w, http.StatusBadRequest, map[string]string{"error": code})
}

// token gives tokens for a code, once, or for a refresh token, once.
func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		refuse(w, "invalid_request")
		return
	}
	client := r.PostForm.Get("client_id")
	if user, _, ok := r.BasicAuth(); ok {
		client = user
	}
	if client != Client {
		refuse(w, "invalid_client")
		return
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	var g *grant
	switch r.PostForm.Get("grant_type") {
	case "authorization_code":
		g = i.codes[r.PostForm.Get("code")]
		sum := sha256.Sum256([]byte(r.PostForm.Get("code_verifier")))
		if g == nil || g.used || i.now().After(g.until) || g.redirect != r.PostForm.Get("redirect_uri") ||
			base64.RawURLEncoding.EncodeToString(sum[:]) != g.challenge {
			g = nil
		}
	case "refresh_token":
		if g = i.tokens[r.PostForm.Get("refresh_token")]; g != nil && (g.used || !g.refresh) {
			g = nil
		}
	default:
		refuse(w, "unsupported_grant_type")
		return
	}
	if g == nil || i.gone[g.person.Sub] {
		refuse(w, "invalid_grant")
		return
	}
	g.used = true
	access, refresh := rand.Text(), rand.Text()
	i.tokens[access] = &grant{person: g.person, until: i.now().Add(accessLife)}
	i.tokens[refresh] = &grant{person: g.person, nonce: g.nonce, authTime: g.authTime, refresh: true}
	id, err := i.idToken(g)
	if err != nil {
		answer(w, http.StatusInternalServerError, map[string]string{"error": "server_error"})
		return
	}
	said := map[string]any{"access_token": access, "token_type": "Bearer", "expires_in": int(accessLife / time.Second), "id_token": id}
	if !i.once {
		said["refresh_token"] = refresh
	}
	answer(w, http.StatusOK, said)
}

// idToken makes an ID token. The caller holds the mutex.
func (i *Issuer) idToken(g *grant) (string, error) {
	now := i.now()
	c := map[string]any{"iss": i.URL(), "sub": g.person.Sub, "aud": Client, "iat": now.Unix(), "exp": now.Add(idLife).Unix(),
		"nonce": g.nonce, "auth_time": g.authTime.Unix(), "name": g.person.Name, "roles": g.person.Roles, "staff_number": g.person.Staff,
		"facilities": g.person.Facilities, "preferred_username": g.person.Sub}
	if i.change != nil {
		i.change(c)
	}
	if i.sign != nil {
		return i.sign(c), nil
	}
	return Signed(i.key, jose.ES256, c)
}

// Signed is a JWT of claims, by a key under the issuer's kid.
func Signed(key any, by jose.SignatureAlgorithm, claims map[string]any) (string, error) {
	s, err := jose.NewSigner(jose.SigningKey{Algorithm: by, Key: key}, (&jose.SignerOptions{}).WithType("JWT").WithHeader("kid", "1"))
	if err != nil {
		return "", err
	}
	return jwt.Signed(s).Claims(claims).Serialize()
}

func (i *Issuer) userinfo(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	g := i.tokens[strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")]
	if g == nil || g.refresh || i.now().After(g.until) || i.gone[g.person.Sub] {
		w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`)
		answer(w, http.StatusUnauthorized, map[string]string{"error": "invalid_token"})
		return
	}
	answer(w, http.StatusOK, g.person)
}

// logout sends the browser back. There is no session to end.
func (i *Issuer) logout(w http.ResponseWriter, r *http.Request) {
	to, err := url.Parse(r.URL.Query().Get("post_logout_redirect_uri"))
	if err != nil {
		to = &url.URL{}
	}
	ip := net.ParseIP(to.Hostname())
	if to.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		i.show(w, http.StatusOK, "You are logged out.", nil)
		return
	}
	http.Redirect(w, r, to.String(), http.StatusSeeOther)
}

// Policy is the section people of a policy by which a service takes this issuer's logins.
func (i *Issuer) Policy(views ...[]string) string {
	var sets []string
	for _, v := range views {
		var codes []string
		for _, f := range v {
			codes = append(codes, strconv.Quote(f))
		}
		sets = append(sets, "["+strings.Join(codes, ", ")+"]")
	}
	return fmt.Sprintf("people:\n  issuer: %s\n  client_id: %s\n  claims: {role: roles, staff: staff_number, "+
		"staff_system: 'https://cannulary.example/invented/staff', facilities: facilities}\n"+
		"  roles: {cannulator: cannulator, lead: lead, infection-control: infection-control, auditor: auditor}\n  views: [%s]\n",
		i.URL(), Client, strings.Join(sets, ", "))
}
