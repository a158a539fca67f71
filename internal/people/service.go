package people

import (
	"context"
	"html/template"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"golang.org/x/time/rate"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// The paths of this package.
const (
	loginPath  = "/login"
	returnPath = "/login/return"
	logoutPath = "/logout"
	lockPath   = "/lock"
	glassPath  = "/break-glass"
	reviewPath = "/break-glass/review"
)

// Paths lists the paths that a Service answers.
func Paths() []string {
	return []string{loginPath, returnPath, logoutPath, lockPath, glassPath, reviewPath}
}

// Config is what a Service needs.
type Config struct {
	// Policy returns the policy in force.
	Policy   func() *access.Policy
	Sessions *bucket.Bucket // see KeepSessions
	Used     *bucket.Bucket // what was used once; it must keep a value for loginLife
	Glass    *bucket.Bucket // codes and uses of break-glass; it keeps them
	// Root is the public address below which the pages stand, with no slash at its end. It is never taken from a request.
	Root string
	Now  func() time.Time
	Log  *slog.Logger
	// Known hears who logged in or broke the glass; nil hears nothing.
	Known func(ctx context.Context, who *access.Principal)
}

// Service is safe for concurrent use, and by several processes that share buckets.
type Service struct {
	cfg      Config
	client   *http.Client
	secure   bool   // the pages are reached over TLS
	prefix   string // path of the pages, as a browser sees them
	issuer   issuer
	crossing *http.CrossOriginProtection
	pages    *template.Template
	logins   *rate.Limiter // returns of logins: who returns is not known yet
	glass    glass
}

// A ward of fifty logs in within a minute at the change of shifts.
const (
	loginsPerSecond = 10
	loginsAtOnce    = 50
)

// New makes a service. It panics if its templates, which are compiled in, cannot be read.
func New(cfg Config) *Service {
	s := &Service{cfg: cfg, client: newClient(), crossing: http.NewCrossOriginProtection(), pages: readPages(),
		logins: rate.NewLimiter(loginsPerSecond, loginsAtOnce), glass: newGlass()}
	if u, err := url.Parse(cfg.Root); err == nil {
		s.secure, s.prefix = u.Scheme == "https", strings.TrimRight(u.Path, "/")
	}
	return s
}

// Login returns where a browser is sent that asks for a page and shows nobody. A script that asks is not sent: its answer
// must not be the login's.
func (s *Service) Login(r *http.Request) (address string, ok bool) {
	mode := r.Header.Get("Sec-Fetch-Mode")
	if s.cfg.Policy().People == nil || r.Method != http.MethodGet && r.Method != http.MethodHead || mode != "" && mode != "navigate" ||
		answer.Prefer(r.Header.Values("Accept"), "application/json", "text/html") != "text/html" {
		return "", false
	}
	to := loginPath
	if h, err := s.of(r); err == nil && h != nil && h.condition(s.cfg.Policy().People, s.cfg.Now()) == locked {
		to = lockPath // one touch away: nobody is sent to the issuer by a page that lies open
	}
	return s.prefix + to + "?" + url.Values{"to": {s.own(r.URL.RequestURI())}}.Encode(), true
}

// own returns an address of this service that a person asked for, or the first page where it is none: whatever could lead
// elsewhere. A browser reads a backslash as a slash, and leaves out tabs and line ends.
func (s *Service) own(to string) string {
	if s.prefix != "" && strings.HasPrefix(to, s.prefix+"/") {
		to = strings.TrimPrefix(to, s.prefix) // a script knows the address as the browser sees it
	}
	u, err := url.Parse(to)
	if err != nil || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\t\r\n") || u.Scheme != "" ||
		u.Host != "" || u.User != nil || strings.HasPrefix(u.Path, "//") || strings.Contains(u.Path, "\\") || len(to) > maxTo {
		return "/"
	}
	if slices.Contains(Paths(), u.Path) {
		return "/"
	}
	return to
}

// maxTo is the longest address that a person comes back to.
const maxTo = 1000

// ServeHTTP answers the paths of this package.
func (s *Service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Content-Security-Policy", s.contentPolicy())
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
	head.Set("Cache-Control", "no-store")
	if err := s.serve(w, r); err != nil {
		s.fail(w, r, err)
	}
}

func (s *Service) serve(w http.ResponseWriter, r *http.Request) error {
	reads := []string{http.MethodGet, http.MethodHead}
	form := append(reads, http.MethodPost)
	methods := map[string][]string{loginPath: reads, returnPath: {http.MethodGet},
		logoutPath: {http.MethodPost}, lockPath: form, glassPath: form, reviewPath: form}[r.URL.Path]
	if err := answer.Allow(r, "this address does not take that method; open it with a browser", methods...); err != nil {
		return err
	}
	if err := s.crossing.Check(r); err != nil {
		return fault.New(fault.Denied, "this was sent by a page of another site", "open the page here and send it from there")
	}
	p := s.cfg.Policy().People
	if p == nil {
		return fault.New(fault.NotFound, "nobody logs in here: the policy has no people",
			"the operator adds them as deploy/people.md describes")
	}
	switch r.URL.Path {
	case loginPath:
		return s.login(w, r, p)
	case returnPath:
		return s.comeBack(w, r, p)
	case logoutPath:
		return s.logOut(w, r, p)
	case lockPath:
		return s.lock(w, r, p)
	case glassPath:
		return s.breakGlass(w, r)
	}
	return s.review(w, r)
}

// contentPolicy lets a page load the style and send its forms here, and be sent on to the issuer by the logout; nothing else.
func (s *Service) contentPolicy() string {
	forms := "'self'"
	s.issuer.mu.Lock()
	if u, err := url.Parse(s.issuer.logout); err == nil && u.Host != "" {
		forms += " " + u.Scheme + "://" + u.Host
	}
	s.issuer.mu.Unlock()
	return "default-src 'none'; style-src 'self'; img-src 'self'; form-action " + forms + "; base-uri 'none'; frame-ancestors 'none'"
}

// known reports who a session is of.
func (s *Service) known(ctx context.Context, one *session, said string) error {
	who, err := one.principal(s.cfg.Policy(), said)
	if err == nil && s.cfg.Known != nil {
		s.cfg.Known(ctx, who)
	}
	return err
}
