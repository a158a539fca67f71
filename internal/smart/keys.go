package smart

import (
	"context"
	"crypto/ecdsa"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/access"
)

// checkKeys reads the file of a key set, or looks at its address without asking there.
func checkKeys(k access.KeySet) error {
	if k.URL != "" {
		return checkAddress(k.URL)
	}
	_, err := readKeys(k.File)
	return err
}

// checkAddress refuses what could be read or changed on the way.
func checkAddress(address string) error {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || u.Fragment != "" {
		return fmt.Errorf("address %.200q is not an https address; give for instance https://ehr.example/jwks.json", address)
	}
	return nil
}

const (
	maxKeySet    = 64 << 10
	minRSABits   = 2048
	fetchTimeout = 5 * time.Second
	// fetchPause is the least time between two attempts at one address, whatever the reason: an unknown kid, an
	// old key set, or a failure. So nobody can make this service ask there more often.
	fetchPause = 10 * time.Second
	// keepDefault is how long a key set is good if its server does not say so; keepMost is how long at most.
	keepDefault = 5 * time.Minute
	keepMost    = time.Hour
)

// keySet holds public keys by kid.
type keySet map[string]jose.JSONWebKey

func readKeys(file string) (keySet, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("key set: %w", err)
	}
	keys, err := parseKeys(data)
	if err != nil {
		return nil, fmt.Errorf("key set %s: %w", file, err)
	}
	return keys, nil
}

// parseKeys reads a JSON Web Key Set. Keys that cannot sign, or that this service does not know, are left out, as RFC
// 7517 section 5 asks. A secret in it is an error: whoever published it must learn of it.
func parseKeys(data []byte) (keySet, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(data, &set); err != nil || set.Keys == nil {
		return nil, errors.New(`it is no JSON Web Key Set; it looks like {"keys":[{"kty":"EC","kid":"1","crv":"P-384","x":"…","y":"…"}]}`)
	}
	out := keySet{}
	for i, raw := range set.Keys {
		var k jose.JSONWebKey
		if json.Unmarshal(raw, &k) != nil {
			continue
		}
		if !k.IsPublic() {
			return nil, fmt.Errorf("key %d is secret; publish public keys alone, and never use this one again", i+1)
		}
		if k.Use != "" && k.Use != "sig" {
			continue
		}
		switch p := k.Key.(type) {
		case *ecdsa.PublicKey:
		case *rsa.PublicKey:
			if p.N.BitLen() < minRSABits {
				return nil, fmt.Errorf("key %d has %d bits; an RSA key needs at least %d", i+1, p.N.BitLen(), minRSABits)
			}
		default:
			continue
		}
		if k.KeyID == "" {
			return nil, fmt.Errorf("key %d has no kid; give every key one of its own", i+1)
		}
		if _, twice := out[k.KeyID]; twice {
			return nil, fmt.Errorf("kid %.60q stands there twice; give every key one of its own", k.KeyID)
		}
		out[k.KeyID] = k
	}
	if len(out) == 0 {
		return nil, errors.New("it holds no public key of type EC or RSA for signatures")
	}
	return out, nil
}

// errNoKey says that the key set does not hold the key.
var errNoKey = errToken{unregistered, "the registered key set has no key of this kid"}

// fetcher gets and keeps the key sets of addresses.
type fetcher struct {
	client *http.Client
	now    func() time.Time

	mu   sync.Mutex
	sets map[string]*fetched
}

// fetched is what an address gave.
type fetched struct {
	asking sync.Mutex // held by the one who asks
	mu     sync.Mutex
	keys   keySet
	until  time.Time // the keys are good until then
	tried  time.Time
	err    error // of the last attempt
}

func newFetcher(client *http.Client, now func() time.Time) *fetcher {
	own := *client
	own.Timeout = fetchTimeout
	// A redirect would leave the address that was configured.
	own.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &fetcher{client: &own, now: now, sets: map[string]*fetched{}}
}

// of finds a key of a key set. outage is how long the keys of an address are used after their time while the address
// does not answer.
func (f *fetcher) of(ctx context.Context, from access.KeySet, kid string, outage time.Duration) (jose.JSONWebKey, error) {
	if from.URL != "" {
		return f.at(from.URL).key(ctx, kid, f.now, outage, func(ctx context.Context) (keySet, time.Duration, error) {
			return f.fetchKeys(ctx, from.URL)
		})
	}
	keys, err := readKeys(from.File) // small and seldom: a new file counts at once
	if err != nil {
		return jose.JSONWebKey{}, err
	}
	k, ok := keys[kid]
	if !ok {
		return k, errNoKey
	}
	return k, nil
}

// ofIssuer finds a key of an issuer.
func (f *fetcher) ofIssuer(ctx context.Context, issuer, kid string) (jose.JSONWebKey, error) {
	return f.at("issuer "+issuer).key(ctx, kid, f.now, outage, func(ctx context.Context) (keySet, time.Duration, error) {
		return f.discover(ctx, issuer)
	})
}

func (f *fetcher) at(address string) *fetched {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.sets[address]
	if s == nil {
		s = &fetched{}
		f.sets[address] = s
	}
	return s
}

type fetch func(context.Context) (keys keySet, good time.Duration, err error)

func (s *fetched) key(ctx context.Context, kid string, now func() time.Time, outage time.Duration, get fetch) (jose.JSONWebKey, error) {
	if k, ok := s.known(kid, now(), 0); ok {
		return k, nil
	}
	s.asking.Lock()
	defer s.asking.Unlock()
	// Somebody else may have asked in the meantime.
	if k, ok := s.known(kid, now(), 0); ok {
		return k, nil
	}
	if s.mayAsk(now()) {
		keys, good, err := get(ctx)
		s.note(keys, good, err, now())
	}
	if k, ok := s.known(kid, now(), outage); ok {
		return k, nil
	}
	if s.err != nil {
		return jose.JSONWebKey{}, s.err
	}
	return jose.JSONWebKey{}, errNoKey
}

// known returns the key if the keys are good. While no new attempt may be made, those of the last one are.
func (s *fetched) known(kid string, now time.Time, outage time.Duration) (jose.JSONWebKey, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k, ok := s.keys[kid]
	good := now.Before(s.until.Add(outage)) || s.err == nil && now.Before(s.tried.Add(fetchPause))
	return k, ok && good
}

func (s *fetched) mayAsk(now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tried.IsZero() || !now.Before(s.tried.Add(fetchPause))
}

func (s *fetched) note(keys keySet, good time.Duration, err error, now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tried, s.err = now, err
	if err == nil {
		s.keys, s.until = keys, now.Add(good)
	}
}

// fetchKeys asks for a key set, and how long it is good.
func (f *fetcher) fetchKeys(ctx context.Context, address string) (keySet, time.Duration, error) {
	data, good, err := f.get(ctx, address)
	if err != nil {
		return nil, 0, err
	}
	keys, err := parseKeys(data)
	if err != nil {
		return nil, 0, fmt.Errorf("key set at %s: %w", address, err)
	}
	return keys, good, nil
}

// discover asks an issuer where its key set is, and fetches it.
func (f *fetcher) discover(ctx context.Context, issuer string) (keySet, time.Duration, error) {
	data, _, err := f.get(ctx, strings.TrimSuffix(issuer, "/")+"/.well-known/openid-configuration")
	if err != nil {
		return nil, 0, err
	}
	var about struct {
		Issuer string `json:"issuer"`
		Keys   string `json:"jwks_uri"`
	}
	if err := json.Unmarshal(data, &about); err != nil || about.Issuer != issuer {
		return nil, 0, fmt.Errorf("issuer %s: its discovery document is not its own: it names %.200q", issuer, about.Issuer)
	}
	if err := checkAddress(about.Keys); err != nil {
		return nil, 0, fmt.Errorf("issuer %s: jwks_uri: %w", issuer, err)
	}
	return f.fetchKeys(ctx, about.Keys)
}

func (f *fetcher) get(ctx context.Context, address string) (body []byte, good time.Duration, err error) {
	// Who waits for the answer may go away; others wait too.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), fetchTimeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, 0, err
	}
	req.Header.Set("Accept", "application/json")
	resp, err := f.client.Do(req)
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return nil, 0, fmt.Errorf("%s answered %s", address, resp.Status)
	}
	body, err = io.ReadAll(io.LimitReader(resp.Body, maxKeySet+1))
	if err == nil && len(body) > maxKeySet {
		err = fmt.Errorf("%s answered more than %d bytes", address, maxKeySet)
	}
	return body, goodFor(resp.Header.Get("Cache-Control")), err
}

// goodFor reads how long an answer may be kept.
func goodFor(cacheControl string) time.Duration {
	for _, d := range strings.Split(strings.ToLower(cacheControl), ",") {
		name, value, _ := strings.Cut(strings.TrimSpace(d), "=")
		switch name {
		case "no-store", "no-cache":
			return 0
		case "max-age":
			if n, err := strconv.ParseInt(strings.Trim(value, `"`), 10, 32); err == nil && n >= 0 {
				return min(time.Duration(n)*time.Second, keepMost)
			}
			return 0
		}
	}
	return keepDefault
}
