package smart

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// Config is what a Service needs; all but HTTP must be given.
type Config struct {
	// Policy returns the policy in force.
	Policy func() *access.Policy
	Shared *bucket.Bucket // see KeepShared
	// Base is the public base of FHIR, with no slash at its end. It is never taken from a request: a token that is
	// for another server would be good here if the request named that one.
	Base string
	// Hooks is the public address below which the paths of CDS Hooks stand; empty if they have none.
	Hooks string
	// Types are the resource types that scopes may name.
	Types []string
	// Refused counts the tokens that do not count.
	Refused Refusals
	Now     func() time.Time
	Log     *slog.Logger
	HTTP    *http.Client // for key sets; nil is a plain one
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
	// asking holds a place for each request at the token endpoint. Who asks there is not known yet, so no limit of a
	// principal counts.
	asking chan struct{}
}

// maxAsking is how many requests the token endpoint works on at once.
const maxAsking = 32

// New makes a service.
func New(cfg Config) *Service {
	if cfg.HTTP == nil {
		cfg.HTTP = &http.Client{}
	}
	return &Service{cfg: cfg, keys: newFetcher(cfg.HTTP, cfg.Now), asking: make(chan struct{}, maxAsking)}
}

// Check refuses a policy whose key sets cannot be used. Addresses are not asked.
func Check(p *access.Policy) error {
	for _, one := range p.Issuers {
		if err := checkAddress(one.URL); err != nil {
			return fmt.Errorf("issuers: %w", err)
		}
	}
	for _, one := range p.Principals {
		var err error
		if one.Client != nil && one.Client.Issuer == "" {
			err = checkKeys(one.Client.KeySet)
		}
		if err == nil && one.Signer != nil {
			err = checkKeys(one.Signer.KeySet)
		}
		if err != nil {
			return fmt.Errorf("principal %s: %w", one.Name, err)
		}
	}
	return nil
}

// errToken says that a token does not count, and of which class the reason is. Why is for the log alone.
type errToken struct{ class, text string }

func (e errToken) Error() string { return e.text }

// Who returns the principal of a caller by its token: for a path of CDS Hooks by the signature of the call, else by an
// access token. The fault is access.Unknown whatever is wrong with the token, and Unavailable if nobody can tell.
func (s *Service) Who(ctx context.Context, c access.Caller, p *access.Policy) (*access.Principal, error) {
	by, use := s.bearer, useAccess
	if strings.HasPrefix(c.Path, hooksPath) {
		by, use = s.signer, useHook
	}
	who, err := by(ctx, c, p)
	if no, ok := errors.AsType[errToken](err); ok {
		s.cfg.Refused.add(use, no.class)
		s.cfg.Log.InfoContext(ctx, "a token was refused", "because", no.text)
		return nil, access.Unknown()
	}
	if err != nil {
		s.cfg.Refused.add(use, unchecked)
		return nil, err
	}
	return who, nil
}

// hooksPath begins the paths of CDS Hooks, as the standard names them.
const hooksPath = "/cds-services"

// name is a key of the bucket. It tells nothing of what it is made of.
func name(kind string, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return kind + "." + hex.EncodeToString(sum[:])
}

// once takes note that a token was used. It is refused a second time, at any process.
func (s *Service) once(ctx context.Context, kind, issuer, jti string) error {
	err := s.cfg.Shared.Create(ctx, name(kind, issuer, jti), nil)
	if errors.Is(err, bucket.ErrTaken) {
		return errToken{replayed, "jti was used before; send a new random one each time"}
	}
	return err
}

// issued is an access token of ours, as the bucket holds it.
type issued struct {
	Client string    `json:"client"`
	Scope  string    `json:"scope"`
	Ends   time.Time `json:"ends"`
}

// tokenLength is that of 32 bytes in base64.
const tokenLength = 43

// issue makes an access token.
func (s *Service) issue(ctx context.Context, client string, granted scopes) (string, error) {
	var random [32]byte
	_, _ = rand.Read(random[:]) // it never fails
	token := base64.RawURLEncoding.EncodeToString(random[:])
	value, err := json.Marshal(issued{client, granted.String(), s.cfg.Now().Add(maxLife).UTC()})
	if err != nil {
		return "", err
	}
	return token, s.cfg.Shared.Create(ctx, name("token", token), value)
}

// bearer returns the principal of an access token, with the rights that both the token and the policy give.
func (s *Service) bearer(ctx context.Context, c access.Caller, p *access.Policy) (*access.Principal, error) {
	switch {
	case len(c.Bearer) > maxJWT:
		return nil, errToken{malformed, "the access token is too long"}
	case strings.Count(c.Bearer, ".") == 2:
		return s.foreign(ctx, c.Bearer, p)
	case len(c.Bearer) != tokenLength: // nothing is looked up for what cannot be one
		return nil, errToken{unregistered, "the access token is not known, or no longer"}
	}
	value, err := s.cfg.Shared.Get(ctx, name("token", c.Bearer))
	if errors.Is(err, bucket.ErrMissing) {
		return nil, errToken{unregistered, "the access token is not known, or no longer"}
	}
	if err != nil {
		return nil, err
	}
	var t issued
	if err := json.Unmarshal(value, &t); err != nil {
		return nil, err
	}
	if !s.cfg.Now().Before(t.Ends) {
		return nil, errToken{untimely, "the access token has expired"}
	}
	client, ok := p.ClientOf(t.Client)
	if !ok || client.Client.Issuer != "" {
		return nil, errToken{unregistered, "the client of the access token is no longer in the policy"}
	}
	return client.Granted(knownScopes(t.Scope, s.cfg.Types).types()), nil
}

// foreign returns the principal of an access token of a configured issuer.
func (s *Service) foreign(ctx context.Context, raw string, p *access.Policy) (*access.Principal, error) {
	u, err := parse(raw, issuerAlgorithms(), "at+jwt", "JWT")
	if err != nil {
		return nil, err
	}
	issuer, ok := p.Issuer(u.claims.Issuer)
	if !ok {
		return nil, errToken{unregistered, "the issuer of the token is not in the policy"}
	}
	key, err := s.keys.ofIssuer(ctx, issuer.URL, u.kid)
	if err != nil {
		return nil, s.noKey(ctx, "the key set of an issuer cannot be had", issuer.URL, err)
	}
	c, err := u.verify(key)
	if err != nil {
		return nil, err
	}
	if err := c.checkTimes(s.cfg.Now()); err != nil {
		return nil, err
	}
	// Access tokens may be for several servers of the hospital: aud needs ours among them.
	if !c.Audience.Contains(issuer.Audience) {
		return nil, errToken{misdirected, "the token is not for this service: its aud is another"}
	}
	id := cmp.Or(c.ClientID, c.Party)
	client, ok := p.ClientOf(id)
	if !ok || client.Client.Issuer != issuer.URL {
		return nil, errToken{unregistered, "the client of the token is not in the policy with that issuer"}
	}
	return client.Granted(knownScopes(c.Scope, s.cfg.Types).types()), nil
}

// signer returns the principal that signed a call of CDS Hooks.
func (s *Service) signer(ctx context.Context, call access.Caller, p *access.Policy) (*access.Principal, error) {
	u, err := parse(call.Bearer, smartAlgorithms(), "JWT")
	if err != nil {
		return nil, err
	}
	who, ok := p.SignerOf(u.claims.Issuer)
	if !ok {
		return nil, errToken{unregistered, "the issuer of the call is not in the policy"}
	}
	if u.jku != "" && u.jku != who.Signer.URL {
		return nil, errToken{unregistered, "jku is not the address that is registered"}
	}
	key, err := s.keys.of(ctx, who.Signer.KeySet, u.kid, outage)
	if err != nil {
		return nil, s.noKey(ctx, "the key set of a caller of CDS Hooks cannot be had", who.Name, err)
	}
	c, err := u.verify(key)
	if err != nil {
		return nil, err
	}
	if err := c.checkOnce(s.cfg.Now()); err != nil {
		return nil, err
	}
	if c.IssuedAt == nil {
		return nil, errToken{malformed, "iat is missing; send when the token was made"}
	}
	if want := s.cfg.Hooks + strings.TrimSuffix(call.Path, "/"); !c.isFor(want) {
		return nil, errToken{misdirected, "aud must be " + want + " alone, the address that is called"}
	}
	return who, s.once(ctx, "hook", who.Signer.Issuer, c.ID)
}

// noKey is an error of the one who asks if the key set is there, and one of ours if it cannot be had.
func (s *Service) noKey(ctx context.Context, what, whose string, err error) error {
	if errors.Is(err, errNoKey) {
		return errNoKey
	}
	s.cfg.Log.WarnContext(ctx, what, "of", whose, "err", err)
	return fault.Wrap(fault.Unavailable, err, "who asks cannot be checked now: the key set for that is out of reach",
		"try again; if it stays, tell the operator, whose log has the cause")
}
