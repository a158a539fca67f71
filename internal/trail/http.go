package trail

import (
	"crypto/sha256"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/answer"
	"cannulary/internal/trail/seen"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// PageHeader is the header by which a page that is kept open is asked for again; its value is seen.Page.
const PageHeader = "Cannulary-Page"

// HTTP keeps the trail of a handler. It stands before the door, so that who is not let in is in it too: the door
// says by seen.From(ctx).By who asks.
func (t *Trail) HTTP(next http.Handler) http.Handler {
	if t == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		rule := RuleOf(t.rules, r.URL.Path)
		if rule.Class == None {
			next.ServeHTTP(w, r)
			return
		}
		ctx, c := seen.Collect(r.Context())
		if page := r.Header.Get(PageHeader); page != "" && r.Method == http.MethodGet {
			c.Reopen(page)
		}
		a := &answering{ResponseWriter: w, trail: t, seen: c, class: rule.Class, request: r, broken: true}
		a.entry.At, a.entry.From = timestamppb.New(t.cfg.Now()), host(r.RemoteAddr)
		t.shape(&a.entry, rule, r)
		defer a.end()
		next.ServeHTTP(a, r.WithContext(ctx))
		a.broken = false
	})
}

// Guard refuses what cannot leave its entry now. It stands behind the door.
func (t *Trail) Guard(next http.Handler) http.Handler {
	if t == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c := RuleOf(t.rules, r.URL.Path).Class; c == Refused || c == Unnamed {
			if err := t.Takes(); err != nil {
				t.refuse(w, r, err)
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

func (t *Trail) refuse(w http.ResponseWriter, r *http.Request, err error) {
	p := answer.Of(r.Context(), t.cfg.Slog, "a request was refused for its entry in the trail", err)
	p.Header = map[string]string{"Retry-After": "5"}
	_ = answer.Refuse(w, r, p, answer.Outcome()) // an OperationOutcome can always be written
}

func host(addr string) string {
	if h, _, err := net.SplitHostPort(addr); err == nil {
		return h
	}
	return addr
}

// answering is an answer of which nothing leaves before its entry is safe.
type answering struct {
	http.ResponseWriter
	trail   *Trail
	seen    *seen.Collector
	class   Class
	request *http.Request
	entry   logv1.Access

	begun  bool // the status was sent
	silent bool // another answer was given instead: the rest is not sent
	broken bool // the handler has not ended in order
}

// Unwrap is for http.ResponseController.
func (a *answering) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// WriteHeader makes the entry safe, then sends the status, or a refusal.
func (a *answering) WriteHeader(status int) {
	if a.silent || status < http.StatusOK {
		if !a.silent {
			a.ResponseWriter.WriteHeader(status)
		}
		return
	}
	if !a.begun {
		a.begun = true
		if err := a.commit(status); err != nil {
			a.silent = true
			clear(a.Header())
			a.trail.refuse(a.ResponseWriter, a.request, err)
			return
		}
	}
	a.ResponseWriter.WriteHeader(status)
}

// Write makes an entry of patients who were named since the one before, then sends.
func (a *answering) Write(b []byte) (int, error) {
	if !a.begun {
		a.WriteHeader(http.StatusOK)
	}
	if a.silent {
		return len(b), nil
	}
	if a.seen.Has() {
		if err := a.more(); err != nil {
			return 0, err
		}
	}
	return a.ResponseWriter.Write(b)
}

// FlushError is for http.ResponseController: a flush sends the status.
func (a *answering) FlushError() error {
	if !a.begun {
		a.WriteHeader(http.StatusOK)
	}
	return http.NewResponseController(a.ResponseWriter).Flush()
}

// end makes the entry of an answer that the handler did not write.
func (a *answering) end() {
	switch {
	case a.begun:
	case a.broken:
		a.begun = true
		_ = a.commit(0) // nothing is sent any more
	default:
		a.WriteHeader(http.StatusOK)
	}
}

// commit makes the entry of the answer safe.
func (a *answering) commit(status int) error {
	e := &a.entry
	e.Status, e.Principal, e.Patients = uint32(status), a.seen.Principal(), a.seen.Take()
	if system, value := a.seen.Person(); value != "" {
		e.Person = &cannularyv1.StaffIdentifier{System: system, Value: value}
	}
	class := a.class
	if status >= http.StatusBadRequest || status == 0 {
		// It tells of no patient.
		class, e.Patients = Kept, nil
	}
	switch {
	case e.Principal == "" && (status >= http.StatusBadRequest || e.GetAction() == logv1.Action_ACTION_BREAK_GLASS),
		status == http.StatusUnauthorized, status == http.StatusTooManyRequests, status == http.StatusMisdirectedRequest,
		status == http.StatusServiceUnavailable && a.class != Kept && a.trail.Takes() != nil:
		a.trail.sum(e)
		if status == http.StatusServiceUnavailable {
			a.trail.counts[withheld].Add(1)
		}
		return nil
	case status == http.StatusOK:
		if page, given := a.seen.Opened(); page != "" {
			if !a.trail.pages.fresh(page, given, a, a.trail.cfg.Now()) {
				return nil
			}
		}
	}
	return a.trail.Record(a.request.Context(), e, class)
}

// more makes an entry of patients who are named later.
func (a *answering) more() error {
	if len(a.entry.GetRequest()) == 0 {
		a.entry.Request = newID()
	}
	e := proto.CloneOf(&a.entry)
	e.At, e.Patients = timestamppb.New(a.trail.cfg.Now()), a.seen.Take()
	return a.trail.Record(a.request.Context(), e, a.class)
}

// pages are the pages that are kept open, by their names.
type pages struct {
	mu sync.Mutex
	by map[string]*page
}

// page is a page as it was opened, and the patients who have an entry of it.
type page struct {
	who    string
	of     [sha256.Size]byte // method, path and query
	opened time.Time
	used   time.Time
	told   map[[seen.KeySize]byte]bool
}

const (
	// mostPages is how many pages are known; the one that was not asked for the longest goes first.
	mostPages = 2000
	// openFor is how long a page counts as open: a long shift.
	openFor = 12 * time.Hour
)

// fresh leaves in an answer's entry the patients who are new on the page, and reports whether there is anything to
// enter. A page of another name, of somebody else or of another address counts as opened now.
func (p *pages) fresh(name string, given bool, a *answering, now time.Time) bool {
	e := &a.entry
	of := sha256.Sum256([]byte(e.GetRoute() + "\n" + a.request.URL.RawQuery))
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.by == nil {
		p.by = map[string]*page{}
	}
	one := p.by[name]
	known := given && one != nil && one.who == e.GetPrincipal() && one.of == of && now.Sub(one.opened) < openFor
	if !known {
		if one == nil && len(p.by) >= mostPages {
			p.drop()
		}
		one = &page{who: e.GetPrincipal(), of: of, opened: now, told: map[[seen.KeySize]byte]bool{}}
		p.by[name] = one
	}
	one.used = now
	e.Patients = slices.DeleteFunc(e.GetPatients(), func(key []byte) bool { return one.told[[seen.KeySize]byte(key)] })
	for _, key := range e.GetPatients() {
		one.told[[seen.KeySize]byte(key)] = true
	}
	id := sha256.Sum256([]byte(name)) // who reads the trail must not learn a name that is in use
	e.Request = id[:16]
	return !known || len(e.GetPatients()) > 0
}

// drop forgets the page that was not asked for the longest.
func (p *pages) drop() {
	oldest := ""
	for name, one := range p.by {
		if oldest == "" || one.used.Before(p.by[oldest].used) {
			oldest = name
		}
	}
	delete(p.by, oldest)
}
