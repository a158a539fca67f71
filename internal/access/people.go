package access

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// People says who may log in with a browser, by OpenID Connect, and what they may do then. Its fields stand in
// the policy file as deploy/people.md describes them.
type People struct {
	Issuer     string            `yaml:"issuer"`
	ClientID   string            `yaml:"client_id"`
	SecretFile string            `yaml:"client_secret_file"` // empty for a public client
	Scopes     []string          `yaml:"scopes"`             // beside openid; empty is profile and offline_access
	Claims     Claims            `yaml:"claims"`
	Roles      map[string]string `yaml:"roles"` // value of the role claim → role
	// Views are the sets of facilities that a person may see; empty takes those of the policy's readers.
	Views [][]string `yaml:"views"`
	// A session is locked after Idle without a request of the person, and ends after Longest. The issuer is asked
	// every Check whether the person is still there; while it does not answer, a session goes on for Outage.
	// Minutes and hours.
	IdleMinutes  int `yaml:"idle_minutes"`
	LongestHours int `yaml:"longest_hours"`
	OutageHours  int `yaml:"outage_hours"`
	CheckMinutes int `yaml:"check_minutes"`
}

// Claims are the names of the claims that are read.
type Claims struct {
	Role string `yaml:"role"`
	// Staff names the claim with the identifier of the member of staff, StaffSystem is its system.
	Staff       string `yaml:"staff"`
	StaffSystem string `yaml:"staff_system"`
	// Facilities names the claim with the codes of the person's facilities. Empty gives everybody the one view.
	Facilities string `yaml:"facilities"`
}

// The roles of people.
const (
	Cannulator       = "cannulator"
	Lead             = "lead"
	InfectionControl = "infection-control"
	Auditor          = "auditor"
)

// rightsOf is what each role may do.
func rightsOf() map[string][]Right {
	return map[string][]Right{Cannulator: {Pages}, Lead: {Pages, Reports, Reviews}, InfectionControl: {Pages, Reports}, Auditor: {Audit}}
}

// Person is who stands behind a principal.
type Person struct {
	System, Value string   // identifier of the member of staff; empty where none is known
	Said          string   // the name that the issuer gave, or that the person wrote when the glass was broken
	Roles         []string // sorted
}

// The defaults are this project's own, but for the idle time: ten minutes is what tablets at chairs are commonly
// locked after, and the longest session is a long shift.
const (
	defaultIdle    = 10
	defaultLongest = 12
	defaultOutage  = 8
	defaultCheck   = 5

	maxIdle    = 60
	maxLongest = 24
	maxCheck   = 60
)

// MaxSession is the longest time that a session can last.
const MaxSession = maxLongest * time.Hour

// Idle is how long a session goes on without a request of the person.
func (p *People) Idle() time.Duration {
	return time.Duration(cmp.Or(p.IdleMinutes, defaultIdle)) * time.Minute
}

// Longest is how long a session lasts at most.
func (p *People) Longest() time.Duration {
	return time.Duration(cmp.Or(p.LongestHours, defaultLongest)) * time.Hour
}

// Outage is how long a session goes on while the issuer does not answer.
func (p *People) Outage() time.Duration {
	return time.Duration(cmp.Or(p.OutageHours, defaultOutage)) * time.Hour
}

// Check is how often the issuer is asked whether the person is still there.
func (p *People) Check() time.Duration {
	return time.Duration(cmp.Or(p.CheckMinutes, defaultCheck)) * time.Minute
}

// checkPeople refuses what cannot be meant.
func (p *Policy) checkPeople() error {
	l := p.People
	if l == nil {
		return nil
	}
	switch {
	case l.Issuer == "" || l.ClientID == "":
		return errors.New("people needs issuer and client_id, as the issuer of logins registered this service")
	case l.Claims.Role == "" || len(l.Roles) == 0:
		return errors.New("people needs claims.role, the name of a claim, and roles, what each of its values means")
	case (l.Claims.Staff == "") != (l.Claims.StaffSystem == ""):
		return errors.New("people: claims.staff and claims.staff_system go together; give both")
	case l.IdleMinutes < 0 || l.IdleMinutes > maxIdle || l.LongestHours < 0 || l.LongestHours > maxLongest || l.CheckMinutes < 0 ||
		l.CheckMinutes > maxCheck || l.OutageHours < 0 || l.OutageHours > maxLongest:
		return fmt.Errorf("people: idle_minutes and check_minutes are 1 to %d, longest_hours and outage_hours 1 to %d; leave one "+
			"out to take the default", maxIdle, maxLongest)
	}
	roles := rightsOf()
	for value, role := range l.Roles {
		if _, ok := roles[role]; !ok {
			return fmt.Errorf("people: roles says that %q is %q; use some of %v", shown(value), shown(role),
				slices.Sorted(maps.Keys(roles)))
		}
	}
	for i, v := range p.PeopleViews() {
		if len(v) == 0 || slices.Contains(v, "") || slices.Contains(v, Any) && len(v) > 1 {
			return fmt.Errorf(`people: views[%d] is no set of facilities; write codes, or ["*"] alone for all`, i)
		}
	}
	if n := len(p.PeopleViews()); n == 0 || n > 1 && l.Claims.Facilities == "" {
		return errors.New("people needs views, the sets of facilities that people may see; with more than one it also needs " +
			"claims.facilities, the name of the claim that says which is a person's")
	}
	return nil
}

// PeopleViews are the sets of facilities that people may see: as the policy lists them, or those of its readers.
func (p *Policy) PeopleViews() [][]string {
	if p.People == nil || len(p.People.Views) > 0 {
		return p.People.views()
	}
	out := p.Views()
	if slices.ContainsFunc(p.Principals, func(one *Principal) bool { return one.ReadsPatients() && one.Everywhere() }) {
		out = append(out, []string{Any})
	}
	return out
}

// views are the sets that are listed; none where nobody logs in.
func (p *People) views() [][]string {
	if p == nil {
		return nil
	}
	return p.Views
}

// within reports whether each facility of a view is one of those.
func within(view, facilities []string) bool {
	return !slices.ContainsFunc(view, func(f string) bool { return !slices.Contains(facilities, f) })
}

// larger compares views by what they hold.
func larger(a, b []string) bool {
	return slices.Contains(a, Any) && !slices.Contains(b, Any) || !slices.Contains(b, Any) && len(a) > len(b)
}

// Human returns the principal of a person whom the issuer calls sub, by the values of their claims. Who has no role, or no
// view, is nobody: the fault says what the operator must do.
func (p *Policy) Human(sub string, roles, facilities []string, person Person) (*Principal, error) {
	if p.People == nil { // the policy was read again meanwhile
		return nil, Unknown()
	}
	out := &Principal{Name: PersonName(p.People.Issuer, sub), Person: &person}
	person.Roles = nil
	rights := rightsOf()
	for _, v := range roles {
		role, ok := p.People.Roles[v]
		if !ok || slices.Contains(person.Roles, role) {
			continue
		}
		person.Roles = append(person.Roles, role)
		for _, r := range rights[role] {
			if !slices.Contains(out.May, r) {
				out.May = append(out.May, r)
			}
		}
	}
	slices.Sort(person.Roles)
	if len(out.May) == 0 {
		return nil, noRole(p.People.Claims.Role)
	}
	for _, v := range p.PeopleViews() {
		if (p.People.Claims.Facilities == "" || within(v, facilities)) && (out.Facilities == nil || larger(v, out.Facilities)) {
			out.Facilities = v
		}
	}
	if out.Facilities == nil {
		return nil, noView(p.People.Claims.Facilities)
	}
	return out, nil
}

// Broken returns the principal of who broke the glass at a facility: a cannulator in the smallest view that holds it.
func (p *Policy) Broken(id, facility string, person Person) (*Principal, error) {
	if p.People == nil {
		return nil, Unknown()
	}
	out := &Principal{Name: "break-glass:" + id, May: rightsOf()[Cannulator], Person: &person}
	person.Roles = []string{Cannulator}
	for _, v := range p.PeopleViews() {
		if holds(v, facility) && (out.Facilities == nil || larger(out.Facilities, v)) {
			out.Facilities = v
		}
	}
	if out.Facilities == nil {
		return nil, noView(p.People.Claims.Facilities)
	}
	return out, nil
}

// PersonName is the name of a person's principal. It names nobody to who does not know the issuer's sub.
func PersonName(issuer, sub string) string {
	sum := sha256.Sum256([]byte(issuer + "\x00" + sub))
	return "person:" + hex.EncodeToString(sum[:8])
}

// check refuses what no display can be.
func (d *Display) check(p *Principal) error {
	switch {
	case d == nil:
		return nil
	case d.Names != NamesShort && d.Names != NamesNone:
		return fmt.Errorf("display: names is %q; use short or none", shown(d.Names))
	case len(p.Certificates) == 0 || len(p.Tokens) > 0 || !slices.Equal(p.May, []Right{Pages}) || p.Has(Send) || p.Has(FHIR):
		return errors.New("a display has certificates, and may: [pages]; nothing else")
	}
	return nil
}
