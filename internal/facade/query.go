package facade

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// maxValues is the greatest number of values in one search.
const maxValues = 200

// searching is a search while its parameters are read.
type searching struct {
	h       *Handler
	t       *Type
	base    string
	zone    *time.Location
	lenient bool

	query  view.Query
	used   url.Values // what was used, for the links; without the cursor
	cursor string
	values int
	silent bool     // no total
	merged []string // notices about merged patients
	passed []string // parameters that were ignored
}

// readSearch turns the parameters of a search into a query.
func (h *Handler) readSearch(r *request, t *Type) (*searching, error) {
	s := &searching{h: h, t: t, base: r.base, zone: h.zone(), lenient: lenient(r.Header), used: url.Values{}}
	s.query = view.Query{Type: t.Name, Count: min(DefaultCount, h.cfg.MaxCount)}
	names := make([]string, 0, len(r.params))
	for name := range r.params {
		names = append(names, name)
	}
	sort.Strings(names) // so that of several errors the same one is told
	for _, name := range names {
		if err := s.parameter(name, r.params[name]); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func (h *Handler) zone() *time.Location {
	if h.cfg.Zone != nil {
		if z := h.cfg.Zone(); z != nil {
			return z
		}
	}
	return time.UTC
}

func (s *searching) parameter(name string, values []string) error {
	if slices.Contains(resultParams(), name) {
		return s.shape(name, values)
	}
	base, modifier, modified := strings.Cut(name, ":")
	if strings.Contains(name, ".") {
		return notSupported(name, "%s: chained parameters are not offered; look the resource up first and search by its id", shown(name))
	}
	p := s.t.Param(base)
	if p == nil {
		if s.lenient {
			s.passed = append(s.passed, name)
			return nil
		}
		return notSupported(name, "%s is no search parameter of %s; there are %s; with Prefer: handling=lenient it would be ignored", shown(orNothing(name)), s.t.Name, s.allowed())
	}
	if modified && (p.Type != ReferenceParam || !slices.Contains(p.Targets, modifier)) {
		return notSupported(name, "%s: the modifier :%s is not offered%s", shown(base), shown(modifier), modifiers(p))
	}
	for _, value := range values {
		f, err := s.filter(p, modifier, value)
		if err != nil {
			return err
		}
		s.query.Filters = append(s.query.Filters, f)
		s.used.Add(name, value)
	}
	return nil
}

func modifiers(p *Param) string {
	if p.Type != ReferenceParam {
		return "; there are none for " + p.Name
	}
	return "; there is :" + strings.Join(p.Targets, ", :")
}

// allowed lists the parameters of the type.
func (s *searching) allowed() string {
	names := resultParams()
	for _, p := range s.t.Params {
		names = append(names, p.Name)
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

func (s *searching) filter(p *Param, modifier, value string) (view.Filter, error) {
	var f view.Filter
	for _, one := range splitValues(value) {
		if s.values++; s.values > maxValues {
			return nil, &problem{status: http.StatusBadRequest, code: "too-costly", expression: "http." + p.Name, text: fmt.Sprintf("the search has more than %d values; split it", maxValues)}
		}
		if one == "" {
			return nil, invalid(p.Name, "%s has an empty value; leave it out or give one", p.Name)
		}
		var c view.Condition
		var err error
		switch p.Type {
		case DateParam:
			c, err = s.date(p, one)
		case ReferenceParam:
			var list []view.Condition
			if list, err = s.reference(p, modifier, one); err == nil {
				f = append(f, list...)
				continue
			}
		case QuantityParam:
			c, err = s.quantity(p, one)
		default:
			c, err = s.token(p, one)
		}
		if err != nil {
			return nil, err
		}
		f = append(f, c)
	}
	return f, nil
}

// survivor answers the Patient that stands for the id and notes if that is another.
func (s *searching) survivor(id string) string {
	to := s.h.cfg.Survivor(id)
	if to == "" || to == id {
		return id
	}
	notice := mergedNotice(id, to)
	if !slices.Contains(s.merged, notice) {
		s.merged = append(s.merged, notice)
	}
	return to
}

func mergedNotice(id, to string) string {
	return fmt.Sprintf("Patient/%s was merged into Patient/%s; the answer is that of Patient/%s", id, to, to)
}

// shape reads a parameter that shapes the answer.
func (s *searching) shape(name string, values []string) error {
	v, err := single(name, values)
	if err != nil {
		return err
	}
	switch name {
	case paramCount:
		n, err := s.h.count(v)
		if err != nil {
			return err
		}
		s.query.Count = n
		if n == 0 {
			s.query.Total = true
		}
		v = strconv.Itoa(n)
	case paramSort:
		if v != paramLastUpdated {
			return notSupported(name, "_sort: %s is not offered; there is _lastUpdated, which is always used", shown(v))
		}
	case paramTotal:
		switch v {
		case "accurate", "estimate":
			s.query.Total = true
		case "none":
			s.silent = true
		default:
			return invalid(name, "_total: %s is not known; there are accurate, estimate, none", shown(v))
		}
	case paramSummary:
		switch v {
		case "count":
			s.query.Count, s.query.Total = 0, true
		case "false":
		default:
			return notSupported(name, "_summary: %s is not offered; there are count, false", shown(v))
		}
	case paramCursor:
		s.cursor = v
		return nil
	}
	s.used.Set(name, v)
	return nil
}

// single refuses parameters that are given twice or empty.
func single(name string, values []string) (string, error) {
	if len(values) != 1 {
		return "", invalid(name, "%s is given %d times; give it once", name, len(values))
	}
	if values[0] == "" {
		return "", invalid(name, "%s has an empty value; leave it out or give one", name)
	}
	return values[0], nil
}

// count reads a _count; what is above the greatest is cut, as FHIR allows.
func (h *Handler) count(v string) (int, error) {
	for _, c := range []byte(v) {
		if c < '0' || c > '9' {
			return 0, invalid(paramCount, "_count: %s is no whole number of 0 or more", shown(v))
		}
	}
	n, err := strconv.Atoi(v)
	if err != nil || n > h.cfg.MaxCount {
		return h.cfg.MaxCount, nil
	}
	return n, nil
}

// finish is called when all parameters are read: _summary=count wins over _count.
func (s *searching) finish() {
	if s.used.Get(paramSummary) == "count" {
		s.query.Count, s.query.Total = 0, true
	}
	if s.query.Count == 0 {
		s.silent = false
	} else if s.silent {
		s.query.Total = false
	}
}

// identity is the part of the query that a cursor is bound to.
func identity(path string, used url.Values) string {
	v := url.Values{}
	for k, list := range used {
		switch k {
		case paramCount, paramTotal, paramFormat:
		default:
			v[k] = list
		}
	}
	return path + "?" + v.Encode()
}

// notices are the entries that tell what the client should know about the answer.
func (s *searching) notices() []entry {
	var out []entry
	for _, m := range s.merged {
		out = append(out, outcomeEntry("information", "informational", m))
	}
	for _, name := range s.passed {
		out = append(out, outcomeEntry("warning", "not-supported",
			fmt.Sprintf("%s is no search parameter of %s and was ignored, as Prefer: handling=lenient asks; there are %s", shown(orNothing(name)), s.t.Name, s.allowed()), "http."+shown(name)))
	}
	return out
}

func outcomeEntry(severity, code, text string, where ...string) entry {
	return entry{body: fhir.OperationOutcome(severity, code, text, where...), mode: "outcome"}
}
