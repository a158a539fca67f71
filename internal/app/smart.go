package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/bucket"
	"cannulary/internal/eventlog"
	"cannulary/internal/facade"
	"cannulary/internal/smart"
)

// maxShared bounds the bucket of tokens. A token or a used jti takes about 300 bytes for eleven minutes.
const maxShared = 64 << 20

// openSmart opens what checks tokens, where the policy in force names who gets or signs some. Only an instance that is read
// needs it. Once open it stays so.
func (a *App) openSmart(ctx context.Context) error {
	a.opening.Lock()
	defer a.opening.Unlock()
	if !a.cfg.View || a.building || a.smart.Load() != nil || !tokens(a.door.Policy()) {
		return nil
	}
	shared, err := a.shared(ctx, "access", smart.KeepShared, maxShared)
	if err != nil {
		return err
	}
	base := a.tokenBase()
	a.smart.Store(smart.New(smart.Config{Policy: a.door.Policy, Shared: shared, Base: base, Hooks: site(base).Board, Types: typeNames(),
		Refused: a.tokensRefused, Now: a.cfg.Now, Log: a.cfg.Slog}))
	return nil
}

// shared opens a bucket that all processes share.
func (a *App) shared(ctx context.Context, what string, keep time.Duration, most int64) (*bucket.Bucket, error) {
	js, err := eventlog.JetStream(a.nc, a.cfg.NATSAPI)
	if err != nil {
		return nil, err
	}
	return bucket.Open(ctx, js, bucket.Config{Name: "cannulary-" + what + "-" + a.cfg.Shard, Replicas: a.cfg.Replicas, Keep: keep,
		MaxBytes: most})
}

// tokenBase is the public base of FHIR to which tokens are bound. Without one it is the address of the listener.
func (a *App) tokenBase() string {
	if a.cfg.PublicBase != "" {
		return strings.TrimRight(a.cfg.PublicBase, "/")
	}
	return a.URL() + facade.Path
}

// tokens reports whether a policy names principals that get or sign tokens.
func tokens(p *access.Policy) bool {
	return slices.ContainsFunc(p.Principals, func(one *access.Principal) bool { return one.Client != nil || one.Signer != nil })
}

// checkPolicy refuses a policy whose tokens could not be checked: they are bound to a public address.
func (a *App) checkPolicy(p *access.Policy) error {
	if !a.cfg.View {
		return nil
	}
	reads := a.addressed()
	calls := reads && (a.cfg.PublicBase == "" || site(a.cfg.PublicBase).Board != "")
	for _, one := range p.Principals {
		if one.Client != nil && !reads || one.Signer != nil && !calls {
			return fmt.Errorf("principal %s: its tokens are bound to the public address of this service; give it with --public-base, "+
				"ending in %s, for instance https://record.example%s", one.Name, facade.Path, facade.Path)
		}
	}
	return errors.Join(smart.Check(p), a.checkPeople(p))
}

// addressed reports whether the public address is known: by its flag, or because it is the listener's.
func (a *App) addressed() bool {
	host, _, _ := net.SplitHostPort(a.cfg.HTTP)
	ip := net.ParseIP(host)
	return a.cfg.PublicBase != "" || host != "" && (ip == nil || !ip.IsUnspecified())
}

// bearer is the principal of a token that does not stand in the policy.
func (a *App) bearer(ctx context.Context, c access.Caller, p *access.Policy) (*access.Principal, error) {
	s := a.smart.Load()
	if s == nil {
		return nil, access.Unknown()
	}
	return s.Who(ctx, c, p)
}

func typeNames() (out []string) {
	for _, t := range facade.Types() {
		out = append(out, t.Name)
	}
	return out
}

// tokenURL is the address of the token endpoint; empty if there is none.
func (a *App) tokenURL() string {
	s := a.smart.Load()
	if s == nil {
		return ""
	}
	return s.TokenURL()
}
