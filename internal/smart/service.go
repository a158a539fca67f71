package smart

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// Client is a registered system that reads FHIR.
type Client struct {
	ID string
	// Keys are those with which it signs assertions. They are empty for a client that brings tokens of Issuer.
	Keys Keys
	// Issuer is the authorization server whose tokens it brings; empty for one that asks our token endpoint.
	Issuer string
	// Scopes are the most that it may have.
	Scopes Scopes
}

// Issuer is an authorization server whose access tokens count.
type Issuer struct {
	URL      string // its iss
	Audience string // what it calls this service in aud
}

// Caller is an EHR that calls CDS Hooks.
type Caller struct {
	Issuer string // its iss
	Keys   Keys
}

// Registry knows who is registered, as the policy is now.
type Registry interface {
	Client(id string) (Client, bool)
	Issuer(url string) (Issuer, bool)
	Caller(iss string) (Caller, bool)
}

// Config is what a Service needs; all but HTTP must be given.
type Config struct {
	Registry Registry
	Shared   *bucket.Bucket // see KeepShared
	// Base is the public base of FHIR, with no slash at its end. It is never taken from a request: a token that is
	// for another server would be good here if the request named that one.
	Base string
	// Hooks is the public address of the CDS services; empty if there is none.
	Hooks string
	// Types are the resource types that scopes may name.
	Types []string
	Now   func() time.Time
	Log   *slog.Logger
	HTTP  *http.Client // for key sets; nil is a plain one
}

// KeepShared is how long the shared bucket must keep a value at least: as long as any token that it tells of.
const KeepShared = 2 * (maxLife + skew)

// outage is how long the key sets of issuers and of callers go on while their addresses do not answer: the ward must
// read advice, and the EHR the record, while the hospital's authorization server is down.
const outage = 12 * time.Hour

// Service authenticates by token. It is safe for concurrent use, and by several processes that share a bucket.
type Service struct {
	cfg  Config
	keys *fetcher
}

// New makes a service.
func New(cfg Config) *Service {
	if cfg.HTTP == nil {
		cfg.HTTP = &http.Client{}
	}
	return &Service{cfg: cfg, keys: newFetcher(cfg.HTTP, cfg.Now)}
}

// Grant is what a token allows. Scopes of the token and of the policy must both allow it: what leaves the policy is
// lost at once.
type Grant struct {
	Client        string
	token, policy Scopes
}

// Allows reports whether the right to the type is granted.
func (g *Grant) Allows(typ string, r Right) bool {
	return g.token.Allows(typ, r) && g.policy.Allows(typ, r)
}

// issued is an access token of ours, as the bucket holds it.
type issued struct {
	Client string    `json:"client"`
	Scope  string    `json:"scope"`
	Ends   time.Time `json:"ends"`
}

// name is a key of the bucket. It tells nothing of what it is made of.
func name(kind string, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return kind + "." + hex.EncodeToString(sum[:])
}

// once takes note that a token was used. It is refused a second time, at any process.
func (s *Service) once(ctx context.Context, kind, issuer, jti string) error {
	err := s.cfg.Shared.Create(ctx, name(kind, issuer, jti), nil)
	if errors.Is(err, bucket.ErrTaken) {
		return errors.New("jti was used before; send a new random one each time")
	}
	return err
}

// issue makes an access token.
func (s *Service) issue(ctx context.Context, client string, scopes Scopes) (string, error) {
	var random [32]byte
	_, _ = rand.Read(random[:]) // it never fails
	token := base64.RawURLEncoding.EncodeToString(random[:])
	value, err := json.Marshal(issued{client, scopes.String(), s.cfg.Now().Add(maxLife).UTC()})
	if err != nil {
		return "", err
	}
	return token, s.cfg.Shared.Create(ctx, name("token", token), value)
}

// errToken says that a bearer token does not count. Why is for the log alone.
type errToken struct{ why string }

func (e errToken) Error() string { return e.why }

// Grant tells what the access token of a request allows. An error is of the shared store, or says that the token does
// not count.
func (s *Service) Grant(ctx context.Context, token string) (*Grant, error) {
	if len(token) > maxJWT {
		return nil, errToken{"the access token is too long"}
	}
	if strings.Count(token, ".") == 2 {
		return s.foreign(ctx, token)
	}
	value, err := s.cfg.Shared.Get(ctx, name("token", token))
	if errors.Is(err, bucket.ErrMissing) {
		return nil, errToken{"the access token is not known, or no longer"}
	}
	if err != nil {
		return nil, err
	}
	var t issued
	if err := json.Unmarshal(value, &t); err != nil {
		return nil, err
	}
	if !s.cfg.Now().Before(t.Ends) {
		return nil, errToken{"the access token has expired"}
	}
	c, ok := s.cfg.Registry.Client(t.Client)
	if !ok || c.Issuer != "" {
		return nil, errToken{"the client " + t.Client + " is no longer registered"}
	}
	return &Grant{c.ID, knownScopes(t.Scope, s.cfg.Types), c.Scopes}, nil
}

// foreign tells what the token of a configured issuer allows.
func (s *Service) foreign(ctx context.Context, raw string) (*Grant, error) {
	u, err := parse(raw, issuerAlgorithms(), "at+jwt", "JWT")
	if err != nil {
		return nil, errToken{err.Error()}
	}
	issuer, ok := s.cfg.Registry.Issuer(u.claims.Issuer)
	if !ok {
		return nil, errToken{"the issuer of the token is not in the policy"}
	}
	key, err := s.keys.at("issuer "+issuer.URL).key(ctx, u.kid, s.cfg.Now, outage, s.keys.ofIssuer(issuer.URL))
	if err != nil {
		return nil, s.noKey(ctx, "the key set of an issuer cannot be had", issuer.URL, err)
	}
	c, err := u.verify(key)
	if err != nil {
		return nil, errToken{"the signature of the token is not right"}
	}
	if err := c.checkTimes(s.cfg.Now()); err != nil {
		return nil, errToken{err.Error()}
	}
	// Access tokens may be for several servers of the hospital: aud needs ours among them.
	if !c.Audience.Contains(issuer.Audience) {
		return nil, errToken{"the token is not for this service: its aud is another"}
	}
	id := c.ClientID
	if id == "" {
		id = c.Party
	}
	client, ok := s.cfg.Registry.Client(id)
	if !ok || client.Issuer != issuer.URL {
		return nil, errToken{"the client of the token is not registered with that issuer"}
	}
	return &Grant{client.ID, knownScopes(c.Scope, s.cfg.Types), client.Scopes}, nil
}

// noKey is an error of the one who asks if the key set is there, and one of ours if it cannot be had.
func (s *Service) noKey(ctx context.Context, what, who string, err error) error {
	if errors.Is(err, errNoKey) {
		return errToken{"no key of the registered key set has this kid"}
	}
	s.cfg.Log.WarnContext(ctx, what, "of", who, "err", err)
	return fault.Wrap(fault.Unavailable, err, "who asks cannot be checked now: the key set that tells it is out of reach",
		"try again; if it stays, tell the operator, whose log has the cause")
}

// Caller tells which EHR called CDS Hooks at the path, by the JWT that it signed for this call.
func (s *Service) Caller(ctx context.Context, raw, path string) (iss string, err error) {
	u, err := parse(raw, smartAlgorithms(), "JWT")
	if err != nil {
		return "", errToken{err.Error()}
	}
	caller, ok := s.cfg.Registry.Caller(u.claims.Issuer)
	if !ok {
		return "", errToken{"the issuer of the call is not in the policy"}
	}
	if u.jku != "" && u.jku != caller.Keys.URL {
		return "", errToken{"jku is not the address that is registered"}
	}
	key, err := s.keys.key(ctx, caller.Keys, u.kid, outage)
	if err != nil {
		return "", s.noKey(ctx, "the key set of a caller of CDS Hooks cannot be had", caller.Issuer, err)
	}
	c, err := u.verify(key)
	if err != nil {
		return "", errToken{"the signature of the call is not right"}
	}
	if err := c.checkOnce(s.cfg.Now()); err != nil {
		return "", errToken{err.Error()}
	}
	if c.IssuedAt == nil {
		return "", errToken{"iat is missing; send when the token was made"}
	}
	if want := s.cfg.Hooks + path; !c.isFor(want) {
		return "", errToken{"aud must be " + want + " alone, the address that is called"}
	}
	if err := s.once(ctx, "hook", caller.Issuer, c.ID); err != nil {
		return "", asToken(err)
	}
	return caller.Issuer, nil
}

// asToken makes an error of the one who asks of what is no fault of ours.
func asToken(err error) error {
	var f *fault.Error
	if errors.As(err, &f) {
		return err
	}
	return errToken{err.Error()}
}
