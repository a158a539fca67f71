// Package door stands before both listeners. It holds their certificates and the policy, reads both
// again while the process runs, finds the principal of each request, and asks the policy, by the tables
// in table.go, whether the request may go on. Without a policy everybody may do everything.
package door

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"cannulary/internal/access"
)

// Config says what to guard with. Now and Slog must be set; every other field may be zero.
type Config struct {
	// Policy is the policy file.
	Policy string
	// Certificate and Key are the PEM files of the listeners. Clients is the PEM file of the
	// authorities whose certificates clients may show.
	Certificate, Key, Clients string
	// Hosts are the names under which HTTP may be asked, beside those of this machine.
	Hosts []string
	// Types are the FHIR resource types that a policy may name.
	Types []string
	// Bearer returns the principal of a caller whose token the policy does not hold, by the policy in
	// force; nil knows no other tokens.
	Bearer func(ctx context.Context, c access.Caller, p *access.Policy) (*access.Principal, error)
	// People returns who finds people by their sessions; nil, or a nil answer, knows none.
	People func() People
	// Check refuses a policy for what only others than the door can read of it; nil refuses none.
	Check func(*access.Policy) error
	// Known hears of each request or call whose principal is known, whether it is let in or not; nil hears nothing.
	Known func(ctx context.Context, who *access.Principal)
	Now   func() time.Time
	Slog  *slog.Logger
}

// People finds people by the sessions of their browsers.
type People interface {
	// Who returns the principal of a request by its session; nil without one that is open.
	Who(r *http.Request) (*access.Principal, error)
	// Login returns where a browser is sent that asks for a page and shows nobody; not ok where it gets an answer.
	Login(r *http.Request) (address string, ok bool)
	// Until returns a context of a stream that ends with its session.
	Until(r *http.Request) (context.Context, context.CancelFunc)
}

// Door is safe for concurrent use.
type Door struct {
	cfg    Config
	policy *kept[access.Policy] // nil without a policy
	tls    *kept[tls.Config]    // nil without TLS
	hosts  map[string]bool
	shares access.Shares

	turnedAway turnedAway
}

// New reads the files and returns the door.
func New(cfg Config) (*Door, error) {
	d := &Door{cfg: cfg, turnedAway: newTurnedAway(cfg.Slog), hosts: map[string]bool{"localhost": true, "127.0.0.1": true, "::1": true}}
	for _, h := range cfg.Hosts {
		if h == "" || strings.ContainsAny(h, "/ ") || hostOf(h) != strings.ToLower(h) && net.ParseIP(h) == nil {
			return nil, fmt.Errorf("--host %q is not a name; give it without scheme and port, for instance cards.hospital.example", h)
		}
		d.hosts[strings.ToLower(h)] = true
	}
	if cfg.Policy != "" {
		d.policy = &kept[access.Policy]{what: "the policy", paths: []string{cfg.Policy}, slog: cfg.Slog,
			read: func(texts [][]byte) (*access.Policy, error) {
				p, err := access.Parse(texts[0], cfg.Types)
				if err == nil && cfg.Check != nil {
					err = cfg.Check(p)
				}
				return p, err
			}}
		if err := d.policy.look(); err != nil {
			return nil, fmt.Errorf("policy %s: %w", cfg.Policy, err)
		}
	}
	if (cfg.Certificate == "") != (cfg.Key == "") || cfg.Clients != "" && cfg.Certificate == "" {
		return nil, errors.New("TLS needs --tls-certificate and --tls-key, both; --tls-client-ca goes with them")
	}
	if cfg.Certificate != "" {
		paths := []string{cfg.Certificate, cfg.Key}
		if cfg.Clients != "" {
			paths = append(paths, cfg.Clients)
		}
		d.tls = &kept[tls.Config]{what: "the certificate", paths: paths, slog: cfg.Slog, read: readTLS}
		if err := d.tls.look(); err != nil {
			return nil, fmt.Errorf("TLS from %s: %w", strings.Join(paths, ", "), err)
		}
	}
	return d, nil
}

// readTLS reads certificate, key and, if given, the authorities of clients.
func readTLS(texts [][]byte) (*tls.Config, error) {
	pair, err := tls.X509KeyPair(texts[0], texts[1])
	if err != nil {
		return nil, fmt.Errorf("certificate and key: %w; give both in PEM form, the key of this certificate", err)
	}
	// Without tickets a new connection always shows its certificate to the authorities of today.
	c := &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}, SessionTicketsDisabled: true}
	if len(texts) > 2 {
		c.ClientCAs, c.ClientAuth = x509.NewCertPool(), tls.VerifyClientCertIfGiven
		if !c.ClientCAs.AppendCertsFromPEM(texts[2]) {
			return nil, errors.New("the file of the authorities for clients holds no certificate in PEM form")
		}
	}
	return c, nil
}

// TLS returns the configuration of a listener for the protocols, nil without TLS. A new connection
// gets the certificate of today; running ones go on.
func (d *Door) TLS(protocols ...string) *tls.Config {
	if d.tls == nil {
		return nil
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: protocols,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			c := d.tls.value.Load().Clone()
			c.NextProtos = protocols
			return c, nil
		}}
}

// Guarded reports whether a policy is in force.
func (d *Door) Guarded() bool { return d.policy != nil }

// Look reads the files again that have changed. What is wrong with them is logged, and told by Refused.
func (d *Door) Look() {
	if d.policy != nil {
		_ = d.policy.look()
	}
	if d.tls != nil {
		_ = d.tls.look()
	}
}

// Refused tells of each kind of file whether it was changed and cannot be used.
func (d *Door) Refused() map[string]bool {
	return map[string]bool{"policy": d.policy != nil && d.policy.refused(), "certificate": d.tls != nil && d.tls.refused()}
}

// Who returns the principal of a caller by the policy in force. The error is access.Unknown.
func (d *Door) Who(ctx context.Context, c access.Caller) (*access.Principal, error) {
	if d.policy == nil {
		return access.Everybody(), nil
	}
	if c.Certificate != nil && d.cfg.Now().After(c.Certificate.NotAfter) {
		c.Certificate = nil // it ended while the connection was open
	}
	p := d.policy.value.Load()
	// A person at a device with a certificate asks as that person. Who shows a token is a program.
	if c.Person != nil && c.Bearer == "" {
		return c.Person, nil
	}
	who, err := p.Who(c)
	if err == nil || c.Bearer == "" || d.cfg.Bearer == nil {
		return who, err
	}
	if who, err = d.cfg.Bearer(ctx, c, p); err != nil {
		return nil, err
	}
	// With a certificate of a principal and the token of another it is neither.
	if by, _ := p.Who(access.Caller{Certificate: c.Certificate}); by != nil && by.Name != who.Name {
		return nil, access.Unknown()
	}
	return who, nil
}

// Policy returns the policy in force; one without principals if there is none.
func (d *Door) Policy() *access.Policy {
	if d.policy == nil {
		return &access.Policy{}
	}
	return d.policy.value.Load()
}

// Enter lets a request in that asks for a right: it returns the context of its principal. done must be
// called when the request has ended.
func (d *Door) Enter(ctx context.Context, c access.Caller, r access.Right) (in context.Context, done func(), err error) {
	who, err := d.Who(ctx, c)
	if who != nil && d.cfg.Known != nil {
		d.cfg.Known(ctx, who)
	}
	if r == access.Open {
		return access.With(ctx, who), func() {}, nil // a nil principal is nobody
	}
	if err == nil {
		err = who.Ask(r)
	}
	done = func() {}
	if err == nil && d.Guarded() {
		done, err = d.shares.Begin(who, d.cfg.Now())
	}
	if err != nil {
		d.turnedAway.add(err, who, c, r)
		return nil, nil, err
	}
	return access.With(ctx, who), done, nil
}

// Next lets in one more message of a request that goes on, as the policy is now. It waits where the
// principal has used its share.
func (d *Door) Next(ctx context.Context, c access.Caller, r access.Right) (context.Context, error) {
	who, err := d.Who(ctx, c)
	if err == nil {
		err = who.Ask(r)
	}
	if err != nil {
		d.turnedAway.add(err, who, c, r)
		return ctx, err
	}
	if !d.Guarded() {
		return access.With(ctx, who), nil
	}
	if wait := d.shares.Next(who, d.cfg.Now()); wait > 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
			return ctx, ctx.Err()
		}
	}
	return access.With(ctx, who), nil
}
