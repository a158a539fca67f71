package smart

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/fault"
)

// The paths below the base of FHIR. A gateway that passes the base on passes these on.
const (
	ConfigurationPath = "/.well-known/smart-configuration"
	TokenPath         = "/auth/token"
)

const (
	assertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
	clientGrant   = "client_credentials"
	maxForm       = 32 << 10
)

// TokenURL is the address of the token endpoint.
func (s *Service) TokenURL() string { return s.cfg.Base + TokenPath }

// refusal is an error of RFC 6749, section 5.2.
type refusal struct {
	status      int
	code        string
	description string
	challenge   string // of WWW-Authenticate
}

func (r *refusal) Error() string { return r.code + ": " + r.description }

func refuse(code, format string, a ...any) error {
	return &refusal{status: http.StatusBadRequest, code: code, description: fmt.Sprintf(format, a...)}
}

// The codes of RFC 6749.
const (
	invalidRequest   = "invalid_request"
	invalidClient    = "invalid_client"
	invalidScope     = "invalid_scope"
	unsupportedGrant = "unsupported_grant_type"
)

// Configuration answers the discovery document. It is JSON whatever Accept says, as SMART asks.
func (s *Service) Configuration(w http.ResponseWriter, r *http.Request) error {
	if err := answer.Allow(r, "this address can only be read, with GET or HEAD", http.MethodGet, http.MethodHead); err != nil {
		return err
	}
	scopes := []string{"system/*.rs", "system/*.read"}
	for _, t := range s.cfg.Types {
		scopes = append(scopes, "system/"+t+".rs")
	}
	// code_challenge_methods_supported is required, though only apps with a person before them use it.
	return answer.Value(w, r, http.StatusOK, map[string]any{
		"token_endpoint":                                   s.TokenURL(),
		"token_endpoint_auth_methods_supported":            []string{"private_key_jwt"},
		"token_endpoint_auth_signing_alg_values_supported": smartAlgorithms(),
		"grant_types_supported":                            []string{clientGrant},
		"scopes_supported":                                 scopes,
		"code_challenge_methods_supported":                 []string{"S256"},
		"capabilities":                                     []string{"client-confidential-asymmetric", "permission-v1", "permission-v2"},
	})
}

// Token answers a request at the token endpoint.
func (s *Service) Token(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Cache-Control", "no-store")
	head.Set("Pragma", "no-cache")
	head.Set("X-Content-Type-Options", "nosniff")
	out, err := s.token(r)
	status := http.StatusOK
	if err != nil {
		no := s.asRefusal(r.Context(), err)
		for name, value := range map[string]string{"WWW-Authenticate": no.challenge, "Allow": allowOf(no.status)} {
			if value != "" {
				head.Set(name, value)
			}
		}
		status, out = no.status, map[string]any{"error": no.code, "error_description": plain(no.description)}
	}
	body, err := json.Marshal(out)
	if err != nil {
		panic(err) // strings and a number
	}
	answer.Send(w, r, status, "application/json", body)
}

func allowOf(status int) string {
	if status == http.StatusMethodNotAllowed {
		return http.MethodPost
	}
	return ""
}

// plain leaves what RFC 6749 allows in a description: printable ASCII without the double quote and the backslash.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '"':
			return '\''
		case r < ' ' || r > '~' || r == '\\':
			return '?'
		}
		return r
	}, s)
}

// asRefusal decides how an error is answered, and logs it.
func (s *Service) asRefusal(ctx context.Context, err error) *refusal {
	if no, ok := errors.AsType[*refusal](err); ok {
		s.cfg.Log.InfoContext(ctx, "no access token was given", "error", no.code, "because", no.description)
		return no
	}
	p := answer.Of(ctx, s.cfg.Log, "the token endpoint failed", err)
	code := "server_error"
	if f := fault.As(err); f.Kind == fault.Unavailable {
		code = "temporarily_unavailable"
	}
	return &refusal{status: p.Status, code: code, description: p.Text}
}

func (s *Service) token(r *http.Request) (map[string]any, error) {
	form, err := readForm(r)
	if err != nil {
		return nil, err
	}
	switch grant := form.Get("grant_type"); grant {
	case clientGrant:
	case "":
		return nil, refuse(invalidRequest, "grant_type is missing; send %s", clientGrant)
	default:
		return nil, refuse(unsupportedGrant, "grant_type must be %s", clientGrant)
	}
	if r.Header.Get("Authorization") != "" {
		// RFC 6749 wants a challenge of the scheme that was tried.
		return nil, &refusal{http.StatusUnauthorized, invalidClient, "clients are known by a signed assertion in the body alone; send no " +
			"header Authorization", `Basic realm="cannulary"`}
	}
	select {
	case s.asking <- struct{}{}:
		defer func() { <-s.asking }()
	default:
		return nil, fault.New(fault.Unavailable, "too many clients ask for tokens at once", "try again in a second")
	}
	client, err := s.client(r.Context(), form)
	if err != nil {
		return nil, err
	}
	asked, err := parseScopes(form.Get("scope"), s.cfg.Types)
	if err != nil {
		return nil, refuse(invalidScope, "%v", err)
	}
	for _, one := range asked {
		if !client.Reads(one.typ) {
			return nil, refuse(invalidScope, "scope %.60q is more than this client may have", one.text)
		}
	}
	token, err := s.issue(r.Context(), client.ClientID(), asked)
	if err != nil {
		return nil, err
	}
	return map[string]any{"access_token": token, "token_type": "bearer", "expires_in": int(maxLife / time.Second),
		"scope": asked.String()}, nil
}

// client reports which client asks, by its assertion. Until the signature is checked, all errors that rest on who is
// registered are the same one.
func (s *Service) client(ctx context.Context, form url.Values) (*access.Principal, error) {
	if form.Get("client_assertion_type") != assertionType || form.Get("client_assertion") == "" {
		return nil, refuse(invalidClient, "client_assertion is missing, or client_assertion_type is not %s", assertionType)
	}
	bad := func(err error) error {
		if no, ok := errors.AsType[errToken](err); ok {
			s.cfg.Refused.add(useAssertion, no.class)
			return refuse(invalidClient, "client_assertion: %s", no.text)
		}
		if err != nil {
			s.cfg.Refused.add(useAssertion, unchecked)
		}
		return err
	}
	unknown := func(class, why string) error {
		s.cfg.Refused.add(useAssertion, class)
		s.cfg.Log.WarnContext(ctx, "a client assertion was refused", "because", why)
		return refuse(invalidClient, "client_assertion: no registered client of this iss has a key of this kid that signed it; "+
			"compare iss, sub, kid and jku with the registration")
	}
	u, err := parse(form.Get("client_assertion"), smartAlgorithms(), "JWT", "client-authentication+jwt")
	if err != nil {
		return nil, bad(err)
	}
	id := u.claims.Issuer
	client, ok := s.cfg.Policy().ClientOf(id)
	switch given := form.Get("client_id"); {
	case !ok || client.Client.Issuer != "":
		return nil, unknown(unregistered, "no client of this iss is in the policy with a key set")
	case u.claims.Subject != id:
		return nil, unknown(unregistered, "sub is not iss")
	case given != "" && given != id:
		return nil, unknown(unregistered, "client_id is not iss")
	case u.jku != "" && u.jku != client.Client.URL:
		return nil, unknown(unregistered, "jku is not the address that is registered")
	}
	key, err := s.keys.of(ctx, client.Client.KeySet, u.kid, 0)
	if errors.Is(err, errNoKey) {
		return nil, unknown(errNoKey.class, errNoKey.text)
	}
	if err != nil {
		return nil, bad(s.noKey(ctx, "the key set of a client cannot be had", client.Name, err))
	}
	c, err := u.verify(key)
	if err != nil {
		return nil, unknown(forged, err.Error())
	}
	if err := c.checkOnce(s.cfg.Now()); err != nil {
		return nil, bad(err)
	}
	if !c.isFor(s.TokenURL()) {
		return nil, bad(tokenError(misdirected, "aud must be %s alone", s.TokenURL()))
	}
	return client, bad(s.once(ctx, "assertion", id, c.ID))
}

// readForm reads the parameters of a request: in the body alone, each at most once.
func readForm(r *http.Request) (url.Values, error) {
	if r.Method != http.MethodPost {
		return nil, &refusal{http.StatusMethodNotAllowed, invalidRequest, "a token is asked for with POST", ""}
	}
	if r.URL.RawQuery != "" {
		return nil, refuse(invalidRequest, "the parameters stand in the body, and none in the address")
	}
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/x-www-form-urlencoded" {
		return nil, refuse(invalidRequest, "the body must be application/x-www-form-urlencoded")
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxForm))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return nil, refuse(invalidRequest, "the body has more than %d bytes", maxForm)
	}
	if err != nil {
		return nil, refuse(invalidRequest, "the body was cut off; send it again")
	}
	form, err := answer.Values("the body", string(body))
	if err != nil {
		return nil, refuse(invalidRequest, "%v", err)
	}
	for name, values := range form {
		if len(values) > 1 {
			return nil, refuse(invalidRequest, "%.60q is given %d times; give it once", name, len(values))
		}
	}
	return form, nil
}
