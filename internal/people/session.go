package people

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// KeepSessions is how long the bucket of sessions must keep a value at least.
const KeepSessions = access.MaxSession + time.Hour

const (
	// streamLook is how often an open stream asks whether its session still is: it ends within seconds.
	streamLook = 2 * time.Second
	// seenEvery spares a write at each request. So a session may be locked up to 20 seconds too early.
	seenEvery = 20 * time.Second
	// checkPause is the least time between two attempts to ask the issuer about a session.
	checkPause = time.Minute
)

// session is a record in the bucket.
type session struct {
	Issuer     string    `json:"issuer,omitempty"`
	Sub        string    `json:"sub,omitempty"`
	Roles      []string  `json:"roles,omitempty"`      // values of the claim
	Facilities []string  `json:"facilities,omitempty"` // likewise
	System     string    `json:"system,omitempty"`
	Value      string    `json:"value,omitempty"`
	Began      time.Time `json:"began"`
	Seen       time.Time `json:"seen"`              // the person's last request, about
	Checked    time.Time `json:"checked"`           // when the issuer last said that the person is there
	Tried      time.Time `json:"tried,omitzero"`    // when it was last asked
	LockedAt   time.Time `json:"lockedAt,omitzero"` // by hand
	Sealed     []byte    `json:"sealed,omitempty"`  // secrets
	// Code, Facility and Ends are of a session by a sealed code: the code's name, its facility, and when the session ends.
	Code     string    `json:"code,omitempty"`
	Facility string    `json:"facility,omitempty"`
	Ends     time.Time `json:"ends,omitzero"`
}

// secrets are what only who has the cookie can read.
type secrets struct {
	Refresh string `json:"refresh,omitempty"`
	Access  string `json:"access,omitempty"` // only without a refresh token
	Name    string `json:"name,omitempty"`
	Hint    string `json:"hint,omitempty"` // how the issuer knows the person at its login
}

// condition is what a session is now.
type condition int

const (
	over condition = iota
	locked
	open
)

// lockedAt is when the session was locked, or will be.
func (s *session) lockedAt(p *access.People) time.Time {
	at := s.Seen.Add(p.Idle())
	if !s.LockedAt.IsZero() && s.LockedAt.Before(at) {
		return s.LockedAt
	}
	return at
}

func (s *session) condition(p *access.People, now time.Time) condition {
	switch {
	case p == nil:
		return over
	case s.Code != "": // it is short, and nobody can reopen it
		if now.Before(s.Ends) {
			return open
		}
		return over
	case s.Issuer != p.Issuer, !now.Before(s.Began.Add(p.Longest())), !now.Before(s.Checked.Add(p.Check() + p.Outage())):
		return over
	case !now.Before(s.lockedAt(p)):
		return locked
	}
	return open
}

// principal is who the person is by the policy in force.
func (s *session) principal(p *access.Policy, name string) (*access.Principal, error) {
	person := access.Person{System: s.System, Value: s.Value, Said: name}
	if s.Code != "" {
		return p.Broken(s.Code, s.Facility, person)
	}
	return p.Human(s.Sub, s.Roles, s.Facilities, person)
}

// held is a session with what is needed to change it.
type held struct {
	session
	cookie   string
	key      string
	revision uint64
}

func digest(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

// secret is 256 random bits.
func secret() string {
	var random [32]byte
	_, _ = rand.Read(random[:]) // it never fails
	return base64.RawURLEncoding.EncodeToString(random[:])
}

const secretLength = 43

// cookieName is the name of the cookie of a session, or of an attempt to log in. The prefix has a browser take it from this
// host alone, over TLS alone, and for all its paths (RFC 6265bis, 4.1.3.2). Without TLS, on loopback, there is no prefix.
func (s *Service) cookieName(what string) string {
	if s.secure {
		return "__Host-cannulary-" + what
	}
	return "cannulary-" + what
}

func (s *Service) setCookie(w http.ResponseWriter, name, value string, life time.Duration) {
	c := &http.Cookie{Name: s.cookieName(name), Value: value, Path: "/", Secure: s.secure, HttpOnly: true, SameSite: http.SameSiteLaxMode}
	switch {
	case life < 0:
		c.MaxAge = -1
	case life > 0:
		c.MaxAge = int(life / time.Second)
	}
	http.SetCookie(w, c)
}

// of returns the session of a request, nil without one.
func (s *Service) of(r *http.Request) (*held, error) {
	cookies := r.CookiesNamed(s.cookieName("session"))
	if len(cookies) != 1 || len(cookies[0].Value) != secretLength {
		return nil, nil
	}
	return s.read(r.Context(), cookies[0].Value)
}

func (s *Service) read(ctx context.Context, cookie string) (*held, error) {
	h := &held{cookie: cookie, key: "session." + digest(cookie)}
	value, revision, err := s.cfg.Sessions.Read(ctx, h.key)
	if errors.Is(err, bucket.ErrMissing) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	h.revision = revision
	return h, json.Unmarshal(value, &h.session)
}

// create keeps a new session and returns its cookie. No cookie that a browser brought is ever used for it.
func (s *Service) create(ctx context.Context, one session, c secrets) (string, error) {
	h := &held{session: one, cookie: secret()}
	h.key = "session." + digest(h.cookie)
	if err := h.seal(c); err != nil {
		return "", err
	}
	value, err := json.Marshal(h.session)
	if err != nil {
		return "", err
	}
	return h.cookie, s.cfg.Sessions.Create(ctx, h.key, value)
}

// change changes a session, unless somebody else changed it since it was read. It reports whether it did.
func (s *Service) change(ctx context.Context, h *held, how func(*session)) (bool, error) {
	next := h.session
	how(&next)
	value, err := json.Marshal(next)
	if err != nil {
		return false, err
	}
	revision, err := s.cfg.Sessions.Replace(ctx, h.key, value, h.revision)
	switch {
	case errors.Is(err, bucket.ErrChanged):
		return false, nil
	case err != nil:
		return false, err
	}
	h.session, h.revision = next, revision
	return true, nil
}

// end ends a session, at every process.
func (s *Service) end(ctx context.Context, h *held) error { return s.cfg.Sessions.Forget(ctx, h.key) }

// sealing is the cipher of a cookie's secrets.
func sealing(cookie string) (cipher.AEAD, error) {
	key, err := hkdf.Key(sha256.New, []byte(cookie), nil, "cannulary session", 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}

func (h *held) seal(c secrets) error {
	aead, err := sealing(h.cookie)
	if err != nil {
		return err
	}
	text, err := json.Marshal(c)
	if err == nil {
		h.Sealed = aead.Seal(nil, nil, text, nil)
	}
	return err
}

func (h *held) secrets() (c secrets, err error) {
	aead, err := sealing(h.cookie)
	if err != nil {
		return c, err
	}
	text, err := aead.Open(nil, nil, h.Sealed, nil)
	if err != nil {
		return c, err
	}
	return c, json.Unmarshal(text, &c)
}

// byPage is the header of what a page asks by itself: no act of the person.
const byPage = "Cannulary-By-Page"

// Who returns the principal of a request by its session; nil without one that is open. The fault is Denied where the
// policy gives the person nothing any more, and where another site's page sent the request.
func (s *Service) Who(r *http.Request) (*access.Principal, error) {
	h, err := s.of(r)
	if h == nil || err != nil {
		return nil, err
	}
	if err := s.crossing.Check(r); err != nil {
		return nil, fault.New(fault.Denied, "this was sent by a page of another site", "open the page here and send it from there")
	}
	ctx := r.Context()
	if h, err = s.look(ctx, h); h == nil || err != nil {
		return nil, err
	}
	c, err := h.secrets()
	if err != nil {
		return nil, err
	}
	who, err := h.principal(s.cfg.Policy(), c.Name)
	if err != nil {
		return nil, err
	}
	now := s.cfg.Now()
	if r.URL.Path != "/live" && r.Header.Get(byPage) == "" && h.Code == "" && now.Sub(h.Seen) >= seenEvery {
		// Whoever changed it at the same time saw the person too.
		_, err = s.change(ctx, h, func(one *session) { one.Seen = now })
	}
	return who, err
}

// look returns the session if it is open and the issuer has nothing against the person, else nil.
func (s *Service) look(ctx context.Context, h *held) (*held, error) {
	p := s.cfg.Policy().People
	if h.condition(p, s.cfg.Now()) != open {
		return nil, nil
	}
	if h.Code == "" {
		there, err := s.check(ctx, h, p)
		if !there || err != nil {
			return nil, err
		}
	}
	return h, nil
}

// Until returns a context of a stream that ends when its session is not open any more, with
// access.Unknown as its cause.
func (s *Service) Until(r *http.Request) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancelCause(r.Context())
	go func() {
		t := time.NewTicker(streamLook)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
			h, err := s.of(r)
			if err == nil && h != nil {
				h, err = s.look(ctx, h)
			}
			// Where nobody can tell, the stream goes on: the ward must not go dark.
			if err == nil && h == nil {
				cancel(access.Unknown())
				return
			}
		}
	}()
	return ctx, func() { cancel(nil) }
}
