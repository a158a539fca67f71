package door

import (
	"context"
	"net"
	"net/http"
	"os"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/answer"
)

// HTTP lets the requests to next in that may go on.
func (d *Door) HTTP(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !d.hosts[hostOf(r.Host)] {
			d.turnedAway.by[foreignHost].Add(1)
			refuse(w, r, &answer.Problem{Status: http.StatusMisdirectedRequest, Code: "security", Expression: "http.Host",
				Text: "this service does not answer to the name in the Host header; ask it by its own name, or let the operator add the " +
					"name with --host"})
			return
		}
		right := RightOf(Routes(), r.URL.Path)
		switch {
		case !d.Guarded():
			right = access.Open
		case r.Method == http.MethodOptions && right == access.Hooks && r.Header.Get("Access-Control-Request-Method") != "":
			right = access.Open // the question of a browser before it asks; it never carries credentials
		}
		ctx, done, err := d.enter(w, r, right)
		if err != nil {
			refuse(w, r, answer.Of(r.Context(), d.cfg.Slog, "a request was not let in", err))
			return
		}
		if ctx == nil {
			return // it was sent to the login
		}
		defer done()
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// Operator lets the requests to next in that come by the socket in the data folder. They are of the operator whatever they
// show, and nothing limits them; a caller for whom its connection did not vouch (see ByOperator) is nobody.
func (d *Door) Operator(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var who *access.Principal
		if vouched, _ := r.Context().Value(operatorKey{}).(bool); vouched {
			who = access.Operator()
			if d.cfg.Known != nil {
				d.cfg.Known(r.Context(), who)
			}
		}
		right := RightOf(Routes(), r.URL.Path)
		if err := who.Ask(right); err != nil {
			d.turnedAway.add(err, who, access.Caller{}, right)
			refuse(w, r, answer.Of(r.Context(), d.cfg.Slog, "a request was not let in", err))
			return
		}
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
	})
}

type operatorKey struct{}

// ByOperator vouches for a connection of the socket in the data folder if its other end is root or the user of this process.
// It is an http.Server's ConnContext.
func ByOperator(ctx context.Context, c net.Conn) context.Context {
	uid, err := peer(c)
	return context.WithValue(ctx, operatorKey{}, err == nil && mayOperate(uid, os.Geteuid()))
}

func mayOperate(peer, own int) bool { return peer == 0 || peer == own }

// enter is Enter for a request that may be a person's. The context is nil where the browser was sent to the login.
func (d *Door) enter(w http.ResponseWriter, r *http.Request, right access.Right) (ctx context.Context, done func(), err error) {
	c, people := callerOf(r), d.people()
	if people == nil {
		return d.Enter(r.Context(), c, right)
	}
	if c.Bearer == "" {
		if c.Person, err = people.Who(r); err != nil {
			d.turnedAway.add(err, nil, c, right)
			return nil, nil, err
		}
	}
	if address, ok := people.Login(r); ok && c.Person == nil && c.Bearer == "" && login(right) {
		if who, _ := d.Who(r.Context(), c); who == nil {
			w.Header().Set("Cache-Control", "no-store")
			w.Header().Set("Referrer-Policy", "no-referrer")
			http.Redirect(w, r, address, http.StatusSeeOther)
			return nil, nil, nil
		}
	}
	ctx, stop := r.Context(), context.CancelFunc(func() {})
	if c.Person != nil && r.URL.Path == live {
		ctx, stop = people.Until(r)
	}
	in, leave, err := d.Enter(ctx, c, right)
	if err != nil {
		stop()
		return nil, nil, err
	}
	return in, func() { leave(); stop() }, nil
}

// live is the path of the one answer that goes on.
const live = "/live"

func (d *Door) people() People {
	if d.cfg.People == nil || !d.Guarded() {
		return nil
	}
	return d.cfg.People()
}

// login reports whether a person who logs in could have the right.
func login(r access.Right) bool {
	return r == access.Pages || r == access.Reports || r == access.Audit || r == access.Reviews
}

// callerOf returns what a request shows of its sender.
func callerOf(r *http.Request) access.Caller {
	c := access.Caller{Bearer: Bearer(r.Header.Values("Authorization")), Path: r.URL.Path}
	if r.TLS != nil && len(r.TLS.VerifiedChains) > 0 {
		c.Certificate = r.TLS.VerifiedChains[0][0]
	}
	return c
}

// Bearer returns the token of the Authorization headers. What is no single bearer token is returned as
// it is, so that no principal has it.
func Bearer(headers []string) string {
	if len(headers) != 1 {
		return strings.Join(headers, ", ")
	}
	if scheme, token, ok := strings.Cut(headers[0], " "); ok && strings.EqualFold(scheme, "Bearer") {
		return strings.TrimSpace(token)
	}
	return headers[0]
}

// hostOf returns the name in a Host header, in small letters and without its port.
func hostOf(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

// refuse answers in the form of the path: an OperationOutcome, JSON, or a line for a browser.
func refuse(w http.ResponseWriter, r *http.Request, p *answer.Problem) {
	form := answer.JSON()
	switch right := RightOf(Routes(), r.URL.Path); {
	case right == access.FHIR || right == access.Audit || right == access.Hooks:
		form = answer.Outcome()
	case answer.Prefer(r.Header.Values("Accept"), "application/json", "text/html") == "text/html":
		form = answer.Text()
	}
	_ = answer.Refuse(w, r, p, form) // a Problem of texts can always be written
}
