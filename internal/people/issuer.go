package people

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"cannulary/internal/access"
)

const (
	issuerTimeout = 5 * time.Second
	maxAnswer     = 256 << 10
	// keepIssuer is how long what the issuer says of itself, and its keys, are used before they are asked for again.
	keepIssuer = time.Hour
	// lookEvery is how often the issuer is asked for them, so that its absence is seen before somebody stands there.
	lookEvery = time.Minute
)

// algorithms are the asymmetric ones: none and HS256 are never taken, whatever an issuer says of itself.
func algorithms() []string {
	return []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.EdDSA}
}

// issuer is what is known of the issuer of logins.
type issuer struct {
	asking sync.Mutex // held by the one who asks

	mu       sync.Mutex
	of       string // the issuer's address
	provider *oidc.Provider
	logout   string // its end_session_endpoint; may be empty
	got      time.Time
	silent   time.Time // since when it does not answer; zero while it does
	heard    time.Time // when it was asked last
	why      string
}

// checkIssuer refuses an address that could be read or changed on the way. On this machine nothing is on the way.
func checkIssuer(address string) error {
	u, err := url.Parse(address)
	if err == nil {
		ip := net.ParseIP(u.Hostname())
		own := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
		if u.Host != "" && u.User == nil && u.Fragment == "" && u.RawQuery == "" && (u.Scheme == "https" || u.Scheme == "http" && own) {
			return nil
		}
	}
	return fmt.Errorf("people: issuer %.200q is not an https address; give for instance https://login.hospital.example", address)
}

// Check refuses a policy whose people could not log in. The issuer is not asked.
func Check(p *access.Policy) error {
	if p.People == nil {
		return nil
	}
	_, err := readSecret(p.People)
	return errors.Join(checkIssuer(p.People.Issuer), err)
}

func readSecret(p *access.People) (string, error) {
	if p.SecretFile == "" {
		return "", nil
	}
	text, err := os.ReadFile(p.SecretFile)
	if err != nil {
		return "", fmt.Errorf("people: client_secret_file: %w; name the file that holds the secret", err)
	}
	return strings.TrimSpace(string(text)), nil
}

// asking returns a context with the client by which the issuer is asked.
func (s *Service) asking(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), issuerTimeout)
	return oidc.ClientContext(ctx, s.client), cancel
}

// bounded bounds the answers of the issuer: the libraries read them whole.
type bounded struct{ next http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := b.next.RoundTrip(r)
	if err == nil {
		resp.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(resp.Body, maxAnswer), resp.Body}
	}
	return resp, err
}

func newClient() *http.Client {
	return &http.Client{Transport: bounded{http.DefaultTransport}, Timeout: issuerTimeout,
		// A redirect would leave the address that was configured.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// provider returns what is known of the issuer. It is asked again after an hour, or at once for fresh; while it does not
// answer, what it said before counts for the time of an outage.
func (s *Service) provider(ctx context.Context, p *access.People, fresh bool) (*oidc.Provider, error) {
	i := &s.issuer
	if known := i.known(p, s.cfg.Now().Add(-keepIssuer)); known != nil && !fresh {
		return known, nil
	}
	i.asking.Lock() // others wait for the same answer
	defer i.asking.Unlock()
	now := s.cfg.Now()
	if known := i.known(p, now.Add(-keepIssuer)); known != nil && !fresh {
		return known, nil
	}
	// The provider keeps its context for the keys that it fetches later.
	found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), s.client), p.Issuer)
	s.heard(err)
	if err != nil {
		if known := i.known(p, now.Add(-keepIssuer-p.Outage())); known != nil {
			return known, nil
		}
		return nil, err
	}
	var about struct {
		Logout string `json:"end_session_endpoint"`
	}
	_ = found.Claims(&about) // without one there is none
	i.mu.Lock()
	i.provider, i.of, i.logout, i.got = found, p.Issuer, about.Logout, now
	i.mu.Unlock()
	return found, nil
}

// known is what the issuer said of itself after a moment; nil where it said nothing since.
func (i *issuer) known(p *access.People, after time.Time) *oidc.Provider {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.provider == nil || i.of != p.Issuer || !i.got.After(after) {
		return nil
	}
	return i.provider
}

// heard notes whether the issuer answered.
func (s *Service) heard(err error) {
	i := &s.issuer
	i.mu.Lock()
	defer i.mu.Unlock()
	i.heard = s.cfg.Now()
	switch {
	case err == nil && !i.silent.IsZero():
		i.silent, i.why = time.Time{}, ""
		s.cfg.Log.Info("the issuer of logins answers again")
	case err != nil && i.why != err.Error():
		i.why = err.Error()
		s.cfg.Log.Warn("the issuer of logins does not answer as it should; sessions go on for the time of an outage", "err", err)
	}
	if err != nil && i.silent.IsZero() {
		i.silent = s.cfg.Now()
	}
}

// Unreachable reports whether the issuer did not answer the last time.
func (s *Service) Unreachable() bool {
	s.issuer.mu.Lock()
	defer s.issuer.mu.Unlock()
	return !s.issuer.silent.IsZero() && s.cfg.Policy().People != nil
}

// answers returns nil if the issuer answers, as far as is known: one that was silent is asked again, but not more often than
// every ten seconds. A browser that is sent to a silent one would show an error that helps nobody.
func (s *Service) answers(ctx context.Context) error {
	i := &s.issuer
	i.mu.Lock()
	ask := !i.silent.IsZero() && !s.cfg.Now().Before(i.heard.Add(askPause))
	i.mu.Unlock()
	if ask {
		s.Look(ctx)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.silent.IsZero() {
		return nil
	}
	return errors.New(i.why)
}

const askPause = 10 * time.Second

// Look asks the issuer what it says of itself, so that its absence is noticed.
func (s *Service) Look(ctx context.Context) {
	if p := s.cfg.Policy().People; p != nil {
		_, _ = s.provider(ctx, p, true) // it is noted
	}
}

// Run looks at the issuer until ctx ends.
func (s *Service) Run(ctx context.Context) {
	t := time.NewTicker(lookEvery)
	defer t.Stop()
	for {
		s.Look(ctx)
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// oauth returns how this service asks the issuer for tokens.
func (s *Service) oauth(p *access.People, provider *oidc.Provider) (*oauth2.Config, error) {
	password, err := readSecret(p)
	if err != nil {
		return nil, err
	}
	scopes := p.Scopes
	if len(scopes) == 0 {
		scopes = []string{"profile", oidc.ScopeOfflineAccess}
	}
	return &oauth2.Config{ClientID: p.ClientID, ClientSecret: password, Endpoint: provider.Endpoint(), RedirectURL: s.cfg.Root + returnPath,
		Scopes: append([]string{oidc.ScopeOpenID}, scopes...)}, nil
}

// claims are what is read of an ID token, or of userinfo.
type claims struct {
	Sub        string
	Roles      []string
	Facilities []string
	Value      string
	Name       string
	Hint       string
	AuthTime   *int64
	Party      string
}

// errRefused says that the issuer refuses the person.
type errRefused string

func (e errRefused) Error() string { return string(e) }

// readClaims reads what the policy names.
func readClaims(p *access.People, from func(any) error) (out claims, err error) {
	var all map[string]json.RawMessage
	if err := from(&all); err != nil {
		return out, err
	}
	text := func(name string) (s string) {
		_ = json.Unmarshal(all[name], &s) // what is no text is none
		return s
	}
	out = claims{Sub: text("sub"), Roles: list(all[p.Claims.Role]), Value: text(p.Claims.Staff), Name: text("name"), Party: text("azp"),
		Facilities: list(all[p.Claims.Facilities])}
	for _, name := range []string{"preferred_username", "email"} {
		if out.Hint == "" {
			out.Hint = text(name)
		}
	}
	if at, ok := all["auth_time"]; ok {
		if err := json.Unmarshal(at, &out.AuthTime); err != nil {
			return out, errRefused("auth_time is no number")
		}
	}
	return out, nil
}

// list reads a claim that is a text or a list of texts.
func list(raw json.RawMessage) []string {
	var many []string
	if json.Unmarshal(raw, &many) == nil {
		return many
	}
	var one string
	if json.Unmarshal(raw, &one) == nil && one != "" {
		return []string{one}
	}
	return nil
}

// verify checks an ID token.
func (s *Service) verify(ctx context.Context, p *access.People, provider *oidc.Provider, token *oauth2.Token) (*oidc.IDToken, claims,
	error) {
	raw, _ := token.Extra("id_token").(string)
	if raw == "" {
		return nil, claims{}, errRefused("the issuer sent no ID token")
	}
	config := &oidc.Config{ClientID: p.ClientID, SupportedSigningAlgs: algorithms(), Now: s.cfg.Now}
	id, err := provider.VerifierContext(ctx, config).Verify(ctx, raw)
	if err != nil {
		return nil, claims{}, errRefused(err.Error())
	}
	c, err := readClaims(p, id.Claims)
	if err != nil {
		return nil, c, err
	}
	switch {
	case c.Sub == "":
		return nil, c, errRefused("the ID token names nobody")
	case len(id.Audience) > 1 && c.Party == "", c.Party != "" && c.Party != p.ClientID:
		return nil, c, errRefused("the ID token is for another service as well, or was given to another")
	case id.IssuedAt.After(s.cfg.Now().Add(skew)):
		return nil, c, errRefused("the ID token is of a time that has not come; compare the clocks")
	}
	if id.AccessTokenHash != "" {
		if err := id.VerifyAccessToken(token.AccessToken); err != nil {
			return nil, c, errRefused(err.Error())
		}
	}
	return id, c, nil
}

// skew is how far the issuer's clock may be from ours.
const skew = time.Minute

// check asks the issuer, when it is time, whether the person is still there. It reports false where the issuer says no; the
// session has ended then. Where the issuer does not answer, the session goes on until condition ends it.
func (s *Service) check(ctx context.Context, h *held, p *access.People) (bool, error) {
	now := s.cfg.Now()
	if now.Before(h.Checked.Add(p.Check())) || now.Before(h.Tried.Add(checkPause)) {
		return true, nil
	}
	// One process asks: a refresh token that rotates can be spent once.
	mine, err := s.change(ctx, h, func(one *session) { one.Tried = now })
	if !mine || err != nil {
		return true, err
	}
	said, c, err := s.stillThere(ctx, h, p)
	var no errRefused
	switch {
	case errors.As(err, &no):
		s.cfg.Log.InfoContext(ctx, "the issuer refuses a person; the session has ended", "principal",
			access.PersonName(h.Issuer, h.Sub), "because", string(no))
		return false, s.end(ctx, h)
	case err != nil:
		s.heard(err)
		return true, nil
	}
	s.heard(nil)
	if err := h.seal(c); err != nil {
		return true, err
	}
	sealed := h.Sealed
	for range 5 { // others may note at the same time that they saw the person
		again, err := s.read(ctx, h.cookie)
		if again == nil || err != nil {
			return again != nil, err
		}
		done, err := s.change(ctx, again, func(one *session) {
			one.Checked, one.Sealed = now, sealed
			if said != nil {
				one.Roles, one.Facilities, one.Value = said.Roles, said.Facilities, said.Value
			}
		})
		if done || err != nil {
			*h = *again
			return true, err
		}
	}
	return true, nil
}

// stillThere asks the issuer. said is nil where it gave no new claims.
func (s *Service) stillThere(ctx context.Context, h *held, p *access.People) (said *claims, c secrets, err error) {
	if c, err = h.secrets(); err != nil {
		return nil, c, err
	}
	ctx, cancel := s.asking(ctx)
	defer cancel()
	provider, err := s.provider(ctx, p, false)
	if err != nil {
		return nil, c, err
	}
	if c.Refresh == "" {
		info, err := provider.UserInfo(ctx, oauth2.StaticTokenSource(&oauth2.Token{AccessToken: c.Access}))
		if err != nil && (strings.HasPrefix(err.Error(), "401 ") || strings.HasPrefix(err.Error(), "403 ")) {
			err = errRefused("userinfo: " + err.Error())
		}
		if err == nil && info.Subject != h.Sub {
			err = errRefused("userinfo is somebody else's")
		}
		return nil, c, err
	}
	config, err := s.oauth(p, provider)
	if err != nil {
		return nil, c, err
	}
	token, err := config.TokenSource(ctx, &oauth2.Token{RefreshToken: c.Refresh}).Token()
	var no *oauth2.RetrieveError
	if errors.As(err, &no) && slices.Contains(refusals(), no.ErrorCode) {
		return nil, c, errRefused("refresh: " + no.ErrorCode)
	}
	if err != nil {
		return nil, c, err
	}
	if token.RefreshToken != "" {
		c.Refresh = token.RefreshToken
	}
	if token.Extra("id_token") == nil { // it may be left out (OpenID Connect Core 1.0, 12.2)
		return nil, c, nil
	}
	_, got, err := s.verify(ctx, p, provider, token)
	switch {
	case err != nil:
		// The issuer gave it for the refresh token, so the person is there. The old claims stay, and so does the new
		// refresh token.
		s.cfg.Log.WarnContext(ctx, "a new ID token cannot be used; the claims of the session stay", "because", err)
		return nil, c, nil
	case got.Sub != h.Sub:
		return nil, c, errRefused("the new ID token is somebody else's")
	}
	return &got, c, nil
}

// refusals are the errors by which an issuer refuses the person rather than this service: RFC 6749, 5.2, and OpenID
// Connect Core 1.0, 3.1.2.6. A client that it does not know any more is the operator's to mend, and no reason to go dark.
func refusals() []string {
	return []string{"invalid_grant", "access_denied", "login_required", "interaction_required", "account_selection_required",
		"consent_required"}
}
