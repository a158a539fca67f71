package people

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// loginLife is how long a login may take.
const loginLife = 10 * time.Minute

// attempt is a login that was begun, as the browser keeps it until it returns. Nothing of it is kept here: who is not
// known cannot fill anything.
type attempt struct {
	State    string    `json:"state"`
	Nonce    string    `json:"nonce"`
	Verifier string    `json:"verifier"` // of PKCE (RFC 7636)
	To       string    `json:"to"`
	Began    time.Time `json:"began"`
}

// cookieOf is the name of an attempt's cookie: two tabs may log in at once.
func cookieOf(state string) string { return "login-" + digest(state)[:16] }

// since is the moment after which the issuer must have seen the person: the lock of the session that the browser shows,
// and never longer ago than the idle time. So no session of the issuer that somebody left open lets another in.
func (s *Service) since(h *held, p *access.People) time.Time {
	since := s.cfg.Now().Add(-p.Idle())
	if h != nil && h.Code == "" && h.condition(p, s.cfg.Now()) == locked && h.lockedAt(p).After(since) {
		since = h.lockedAt(p)
	}
	return since
}

// login sends the browser to the issuer.
func (s *Service) login(w http.ResponseWriter, r *http.Request, p *access.People) error {
	q, err := answer.Query(r, "to")
	if err != nil {
		return err
	}
	if err := s.answers(r.Context()); err != nil {
		return away(err)
	}
	provider, err := s.provider(r.Context(), p, false)
	if err != nil {
		return away(err)
	}
	config, err := s.oauth(p, provider)
	if err != nil {
		return err
	}
	h, err := s.of(r)
	if err != nil {
		return err
	}
	a := attempt{State: secret(), Nonce: secret(), Verifier: oauth2.GenerateVerifier(), To: s.own(q["to"]), Began: s.cfg.Now().UTC()}
	kept, err := json.Marshal(a)
	if err != nil {
		return err
	}
	age := max(0, int(s.cfg.Now().Sub(s.since(h, p))/time.Second))
	options := []oauth2.AuthCodeOption{oidc.Nonce(a.Nonce), oauth2.S256ChallengeOption(a.Verifier),
		oauth2.SetAuthURLParam("max_age", strconv.Itoa(age))}
	if h != nil {
		if c, err := h.secrets(); err == nil && c.Hint != "" {
			options = append(options, oauth2.SetAuthURLParam("login_hint", c.Hint))
		}
	}
	s.setCookie(w, cookieOf(a.State), base64.RawURLEncoding.EncodeToString(kept), loginLife)
	http.Redirect(w, r, config.AuthCodeURL(a.State, options...), http.StatusSeeOther)
	return nil
}

// away is the fault of an issuer that does not answer.
func away(err error) error {
	return fault.Wrap(fault.Unavailable, err, "the hospital's login does not answer, so nobody new can log in here",
		"try again in a minute; where a patient cannot wait, use a sealed code at "+glassPath)
}

// notAccepted is the fault of a login that is not right, whatever is wrong with it. The log has the cause.
func (s *Service) notAccepted(ctx context.Context, because string) error {
	s.cfg.Log.WarnContext(ctx, "a login was refused", "because", because)
	return fault.New(fault.Denied, "this login was not accepted", "begin again at the page that you wanted; if it stays, tell the "+
		"operator, whose log has the cause")
}

// begun returns the attempt that a request returns from, and takes it from the browser.
func (s *Service) begun(w http.ResponseWriter, r *http.Request, state string) (a attempt, because string) {
	cookies := r.CookiesNamed(s.cookieName(cookieOf(state)))
	if state == "" || len(cookies) != 1 {
		return a, "this browser began no login of this state"
	}
	s.setCookie(w, cookieOf(state), "", -1)
	text, err := base64.RawURLEncoding.DecodeString(cookies[0].Value)
	if err == nil {
		err = json.Unmarshal(text, &a)
	}
	switch now := s.cfg.Now(); {
	case err != nil || a.State != state || a.Nonce == "" || a.Verifier == "":
		return a, "the login's cookie is not its own"
	case now.After(a.Began.Add(loginLife)) || now.Before(a.Began.Add(-skew)):
		return a, "the login took too long"
	}
	return a, ""
}

// comeBack takes the answer of the issuer that the browser brings.
func (s *Service) comeBack(w http.ResponseWriter, r *http.Request, p *access.People) error {
	q, err := answer.Values(answer.OfURL, r.URL.RawQuery) // an issuer may add parameters
	if err != nil {
		return err
	}
	ctx := r.Context()
	a, because := s.begun(w, r, q.Get("state"))
	if because != "" {
		return s.notAccepted(ctx, because)
	}
	if !s.logins.AllowN(s.cfg.Now(), 1) {
		return fault.New(fault.Limited, "too many people log in at this moment", "open the page again in a few seconds")
	}
	if iss := q.Get("iss"); iss != "" && iss != p.Issuer { // RFC 9207
		return s.notAccepted(ctx, "the answer is another issuer's")
	}
	if q.Get("error") != "" {
		return s.notAccepted(ctx, "the issuer says "+q.Get("error"))
	}
	if err := s.cfg.Used.Create(ctx, "state."+digest(a.State), nil); errors.Is(err, bucket.ErrTaken) {
		return s.notAccepted(ctx, "the state was used before")
	} else if err != nil {
		return err
	}
	before, err := s.of(r)
	if err != nil {
		return err
	}
	one, c, err := s.exchange(ctx, p, a, q.Get("code"), s.since(before, p))
	if err != nil {
		return err
	}
	if err := s.known(ctx, &one, c.Name); err != nil {
		return err
	}
	if before != nil {
		if err := s.end(ctx, before); err != nil {
			return err
		}
	}
	cookie, err := s.create(ctx, one, c)
	if err != nil {
		return err
	}
	s.setCookie(w, "session", cookie, 0)
	s.cfg.Log.InfoContext(ctx, "a person logged in", "principal", access.PersonName(one.Issuer, one.Sub))
	http.Redirect(w, r, s.prefix+s.own(a.To), http.StatusSeeOther)
	return nil
}

// exchange gets the tokens for a code, checks them and makes a session of them.
func (s *Service) exchange(ctx context.Context, p *access.People, a attempt, code string, since time.Time) (one session, c secrets,
	err error) {
	asks, cancel := s.asking(ctx)
	defer cancel()
	provider, err := s.provider(asks, p, false)
	if err != nil {
		return one, c, away(err)
	}
	config, err := s.oauth(p, provider)
	if err != nil {
		return one, c, err
	}
	token, err := config.Exchange(asks, code, oauth2.VerifierOption(a.Verifier))
	var no *oauth2.RetrieveError
	if errors.As(err, &no) && no.Response.StatusCode < http.StatusInternalServerError {
		return one, c, s.notAccepted(ctx, "the issuer gives no tokens for the code: "+no.ErrorCode)
	}
	if err != nil {
		s.heard(err)
		return one, c, away(err)
	}
	id, said, err := s.verify(asks, p, provider, token)
	switch {
	case err != nil:
		return one, c, s.notAccepted(ctx, err.Error())
	case id.Nonce != a.Nonce:
		return one, c, s.notAccepted(ctx, "the nonce is of another login")
	case said.AuthTime == nil:
		return one, c, s.notAccepted(ctx, "the ID token has no auth_time, which it must have because max_age was asked for")
	case time.Unix(*said.AuthTime, 0).Before(since.Add(-skew)):
		return one, c, s.notAccepted(ctx, "the issuer saw the person too long ago")
	}
	s.heard(nil)
	now := s.cfg.Now().UTC()
	one = session{Issuer: p.Issuer, Sub: said.Sub, Roles: said.Roles, Facilities: said.Facilities, Began: now, Seen: now, Checked: now}
	if said.Value != "" {
		one.System, one.Value = p.Claims.StaffSystem, said.Value
	}
	c = secrets{Refresh: token.RefreshToken, Name: said.Name, Hint: said.Hint}
	if c.Refresh == "" {
		c.Access = token.AccessToken
	}
	return one, c, nil
}

// logOut ends the session here and, where the issuer offers it, at the issuer.
func (s *Service) logOut(w http.ResponseWriter, r *http.Request, p *access.People) error {
	h, err := s.of(r)
	if err != nil {
		return err
	}
	if h != nil {
		if err := s.end(r.Context(), h); err != nil {
			return err
		}
	}
	s.setCookie(w, "session", "", -1)
	s.issuer.mu.Lock()
	to := s.issuer.logout
	s.issuer.mu.Unlock()
	if u, err := url.Parse(to); err == nil && to != "" && h != nil && h.Code == "" && checkIssuer(to) == nil {
		u.RawQuery = url.Values{"client_id": {p.ClientID}, "post_logout_redirect_uri": {s.cfg.Root + lockPath}}.Encode()
		http.Redirect(w, r, u.String(), http.StatusSeeOther)
		return nil
	}
	http.Redirect(w, r, s.prefix+lockPath, http.StatusSeeOther)
	return nil
}

// lock shows who is logged in and what they can do about it; sent, it locks the session.
func (s *Service) lock(w http.ResponseWriter, r *http.Request, p *access.People) error {
	q, err := answer.Query(r, "to")
	if err != nil {
		return err
	}
	h, err := s.of(r)
	if err != nil {
		return err
	}
	now := s.cfg.Now().UTC()
	if r.Method == http.MethodPost {
		if h != nil && h.Code != "" {
			err = s.end(r.Context(), h) // nobody could reopen it
		} else if h != nil {
			for done := false; !done && h != nil && err == nil; {
				if done, err = s.change(r.Context(), h, func(one *session) { one.LockedAt = now }); !done && err == nil {
					h, err = s.read(r.Context(), h.cookie)
				}
			}
		}
		if err != nil {
			return err
		}
		http.Redirect(w, r, s.prefix+lockPath+"?"+url.Values{"to": {s.own(q["to"])}}.Encode(), http.StatusSeeOther)
		return nil
	}
	page := lockPage{To: s.own(q["to"]), State: "out"}
	if h != nil {
		switch h.condition(p, now) {
		case locked:
			page.State = "locked"
		case open:
			page.State = "open"
			page.Glass = h.Code != ""
			if c, err := h.secrets(); err == nil {
				page.Name = c.Name
			}
			who := access.From(r.Context())
			page.Reviews = who.Has(access.Reviews)
			if who != nil && who.Person != nil {
				page.Roles = who.Person.Roles
			}
		}
	}
	return s.show(w, r, "lock", "Login", page)
}
