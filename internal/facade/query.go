package facade

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/view"
)

// maxValues is the greatest number of values in one search.
const maxValues = 200

// searching is a search while its parameters are read.
type searching struct {
	ctx     context.Context
	h       *Handler
	t       *Type
	base    string
	lenient bool
	linked  bool // by the link of a page before, whose search was read then: see readCursor

	query  view.Query
	used   url.Values // what was used, for the links; without the cursor
	cursor string
	values int
	silent bool // no total
	part   part
	inner  bool     // the search is a chain's or a filter's of an export: no result parameters
	merged []string // notices about merged patients
	passed []string // parameters that were ignored
	doubts []doubt  // values that cannot be meant
}

// doubt is a code that finds nothing and probably should.
type doubt struct{ param, text string }

// readSearch turns the parameters of a search into a query.
func (h *Handler) readSearch(r *request, t *Type) (*searching, error) {
	s := &searching{ctx: r.Context(), h: h, t: t, base: r.base, lenient: lenient(r.Header), linked: r.params.Has(paramCursor),
		used: url.Values{}}
	s.query = view.Query{Type: t.Name, Count: min(defaultCount, h.cfg.MaxCount)}
	for _, name := range slices.Sorted(maps.Keys(r.params)) { // so that of several errors the same one is told
		if err := s.parameter(name, r.params[name]); err != nil {
			return nil, err
		}
	}
	if s.conditions() > maxConditions {
		return nil, &problem{Status: http.StatusBadRequest, Code: "too-costly",
			Text: fmt.Sprintf("the search asks for more than %d things, chains that lead over many resources included; split it",
				maxConditions)}
	}
	if s.part.summary == "text" && len(s.query.Includes)+len(s.query.RevIncludes) > 0 {
		return nil, invalid(paramSummary, "_summary=text cannot be joined with _include or _revinclude; leave one out")
	}
	return s, nil
}

// maxConditions bounds the conditions of one statement: a chain may bring 500 for one value,
// and SQLite takes no more than 32766 bound values.
const maxConditions = 1000

// conditions counts what the search asks for.
func (s *searching) conditions() int {
	n := 0
	for _, f := range s.query.Filters {
		for _, c := range f {
			if not, ok := c.(view.Not); ok {
				n += len(not.Of)
			} else {
				n++
			}
		}
	}
	return n
}

func (s *searching) parameter(name string, values []string) error {
	if slices.Contains(resultParams(), name) || strings.HasPrefix(name, paramInclude+":") || strings.HasPrefix(name, paramRevInclude+":") {
		if s.inner {
			return notSupported(name, "%s: parameters that shape an answer are not possible here; give search parameters of %s only",
				shown(name), s.t.Name)
		}
		return s.shape(name, values)
	}
	head, chained, chain := strings.Cut(name, ".")
	base, modifier, modified := strings.Cut(head, ":")
	p := s.t.Param(base)
	if p == nil {
		if s.lenient {
			s.passed = append(s.passed, name)
			return nil
		}
		return notSupported(name, "%s is not a search parameter of %s; use one of %s; with Prefer: handling=lenient it would be ignored",
			shown(orNothing(name)), s.t.Name, s.allowed())
	}
	if modified && !slices.Contains(p.Modifiers(), modifier) || chain && modified && !slices.Contains(p.Targets, modifier) {
		return notSupported(name, "%s: the modifier :%s is not offered%s", shown(base), shown(modifier), modifiers(p))
	}
	if !modified && p.Logical {
		return notSupported(name, "%s: %s is known by its identifier only; search by %s:identifier=system|value", p.Name,
			p.Targets[0], p.Name)
	}
	for _, value := range values {
		var f view.Filter
		var err error
		if chain {
			f, err = s.chain(p, name, chained, value)
		} else {
			f, err = s.filter(p, modifier, value)
		}
		if err != nil {
			return err
		}
		s.query.Filters = append(s.query.Filters, f)
		s.used.Add(name, value)
	}
	return nil
}

func modifiers(p *Param) string {
	list := p.Modifiers()
	if len(list) == 0 {
		return "; there are none for " + p.Name
	}
	return "; there is :" + strings.Join(list, ", :")
}

// maxChained is how many resources a chain may lead over.
const maxChained = 500

// chain looks up which resources the part behind the dot finds, and asks for references to
// one of them.
func (s *searching) chain(p *Param, name, rest, value string) (view.Filter, error) {
	if s.inner || strings.Contains(rest, ".") {
		return nil, notSupported(name, "%s: chains of more than one step are not offered; look the resource up first and search by its id",
			shown(name))
	}
	if p.Type != ReferenceParam {
		return nil, notSupported(name, "%s: %s cannot be chained; it is not a reference", shown(name), p.Name)
	}
	if !p.Chains() {
		return nil, notSupported(name, "%s: %s cannot be chained; it may name %s; look the resource up first and search by its id",
			shown(name), p.Name, strings.Join(p.Targets, ", "))
	}
	target := s.h.typeNamed(p.Targets[0])
	if target != nil && !target.reads(access.From(s.ctx)) {
		return nil, access.Refused()
	}
	if target == nil {
		return nil, notSupported(name, "%s: there is no resource type %s here", shown(name), p.Targets[0])
	}
	inner := searching{ctx: s.ctx, h: s.h, t: target, base: s.base, used: url.Values{}, values: s.values, inner: true}
	inner.query = view.Query{Type: target.Name, Count: maxChained}
	if err := inner.parameter(rest, []string{value}); err != nil {
		if pr, ok := errors.AsType[*problem](err); ok {
			pr.Expression = "http." + shown(name)
		}
		return nil, err
	}
	s.values = inner.values
	s.noted(inner.merged...)
	s.doubts = append(s.doubts, inner.doubts...)
	page, err := s.h.cfg.Store.Search(s.ctx, inner.query)
	if err != nil {
		return nil, err
	}
	if page.More {
		return nil, &problem{Status: http.StatusBadRequest, Code: "too-costly", Expression: "http." + shown(name),
			Text: fmt.Sprintf("%s: more than %d resources of type %s match; ask for fewer", shown(name), maxChained, target.Name)}
	}
	var f view.Filter
	for i := range page.Rows {
		if rest != paramID && rest != "identifier" {
			// Only who the patient is stands for the survivor; what is said of a retired
			// identity, that it is not active, is not said of the survivor.
			f = append(f, plainly(p, page.Rows[i].ID, target.Name))
			continue
		}
		f = append(f, s.refersTo(p, page.Rows[i].ID, target.Name))
	}
	return f, nil
}

// refersTo asks for references to a resource of one of the types; a merged patient's are the
// survivor's.
func (s *searching) refersTo(p *Param, id string, types ...string) view.Condition {
	if p.Compartment {
		id = s.survivor(id)
	}
	return plainly(p, id, types...)
}

func plainly(p *Param, id string, types ...string) view.Condition {
	if p.Compartment {
		return view.InCompartment{Patient: id}
	}
	return view.ReferenceIs{Param: p.Name, Types: types, ID: id}
}

// allowed lists the parameters of the type.
func (s *searching) allowed() string {
	names := resultParams()
	for _, p := range s.t.Params {
		names = append(names, p.Name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

func (s *searching) filter(p *Param, modifier, value string) (view.Filter, error) {
	var f view.Filter
	for _, one := range splitAt(value, ',') {
		if s.values++; s.values > maxValues {
			return nil, &problem{Status: http.StatusBadRequest, Code: "too-costly", Expression: "http." + p.Name,
				Text: fmt.Sprintf("the search has more than %d values; split it", maxValues)}
		}
		if one == "" {
			return nil, invalid(p.Name, "%s has an empty value; leave it out or give one", p.Name)
		}
		if !escaped(one) {
			return nil, invalid(p.Name,
				`%s: in %s a backslash stands before something else than , | $ or \; write \\ for a backslash itself`, p.Name, shown(one))
		}
		list, err := s.conditionsOf(p, modifier, one)
		if err != nil {
			return nil, err
		}
		f = append(f, list...)
	}
	if modifier == modNot {
		// :not=a,b asks for what is neither.
		return view.Filter{view.Not{Of: f}}, nil
	}
	return f, nil
}

// conditionsOf reads one value; one of the conditions must hold.
func (s *searching) conditionsOf(p *Param, modifier, value string) ([]view.Condition, error) {
	if modifier == modMissing {
		if value != "true" && value != "false" {
			return nil, invalid(p.Name, "%s:missing: %s is neither true nor false", p.Name, shown(value))
		}
		return []view.Condition{view.Missing{Param: indexed(p), Compartment: p.Compartment, Some: value == "false"}}, nil
	}
	if p.Type == CompositeParam {
		return s.composite(p, value)
	}
	c, err := s.condition(p, modifier, value)
	return []view.Condition{c}, err
}

// indexed is the name under which the values stand in the index.
func indexed(p *Param) string {
	if p.Logical {
		return p.Name + ":" + modIdentifier
	}
	return p.Name
}

func (s *searching) condition(p *Param, modifier, value string) (view.Condition, error) {
	if p.Type == ReferenceParam && !p.Logical {
		return s.reference(p, modifier, value)
	}
	switch p.Type {
	case DateParam:
		return s.date(p, value)
	case QuantityParam:
		return s.quantity(p, value)
	case StringParam:
		return text(p, modifier, value), nil
	}
	return s.token(p, value)
}

// composite reads first$second.
func (s *searching) composite(p *Param, value string) ([]view.Condition, error) {
	halves := splitAt(value, '$')
	if len(halves) != 2 || halves[0] == "" || halves[1] == "" {
		return nil, invalid(p.Name, "%s: %s is not of the form code$value; write \\$ for a $ inside", p.Name, shown(value))
	}
	var out []view.Condition
	for _, pair := range p.Pairs {
		a, b := s.t.Param(pair[0]), s.t.Param(pair[1])
		first, err := s.token(a, halves[0])
		if err != nil {
			return nil, renamed(err, p.Name)
		}
		second, err := s.condition(b, "", halves[1])
		if err != nil {
			return nil, renamed(err, p.Name)
		}
		if code, ok := first.(view.TokenIs); ok && strings.HasPrefix(a.Name, "component-") {
			out = append(out, view.ComponentIs{Code: code, Value: second})
		} else {
			out = append(out, view.Both{A: first, B: second})
		}
	}
	return out, nil
}

// renamed tells of an error in a part under the name that the client wrote.
func renamed(err error, name string) error {
	if p, ok := errors.AsType[*problem](err); ok {
		p.Expression = "http." + name
		p.Text = name + ": " + p.Text
	}
	return err
}

// survivor answers the Patient that stands for the id and notes if that is another.
func (s *searching) survivor(id string) string {
	to := s.h.cfg.Survivor(id)
	if to == "" || to == id {
		return id
	}
	s.noted(mergedNotice(id, to))
	return to
}

// noted keeps notices, each once.
func (s *searching) noted(notices ...string) {
	for _, n := range notices {
		if !slices.Contains(s.merged, n) {
			s.merged = append(s.merged, n)
		}
	}
}

func mergedNotice(id, to string) string {
	return fmt.Sprintf("Patient/%s was merged into Patient/%s; the answer is that of Patient/%s", id, to, to)
}

// shape reads a parameter that shapes the answer.
func (s *searching) shape(name string, values []string) error {
	if head, _, _ := strings.Cut(name, ":"); head == paramInclude || head == paramRevInclude {
		return s.includes(name, values)
	}
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
		by, descending := strings.CutPrefix(v, "-")
		p := s.t.Param(by)
		if len(s.sorts()) == 0 {
			return notSupported(name, "_sort is not offered for %s; they come by their ids", s.t.Name)
		}
		if p == nil || p.Type != DateParam {
			return notSupported(name, "_sort: %s is not offered; there is one of %s, or the same with - before it", shown(v),
				strings.Join(s.sorts(), ", "))
		}
		s.query.Order.Descending = descending
		if by != paramLastUpdated {
			s.query.Order.Date = by
		}
	case paramTotal:
		switch v {
		case "accurate", "estimate":
			s.query.Total = true
		case "none":
			s.silent = true
		default:
			return invalid(name, "_total: %s is not known; use one of accurate, estimate, none", shown(v))
		}
	case paramSummary:
		switch v {
		case "count":
			s.query.Count, s.query.Total = 0, true
		case "true", "text", "data":
			s.part.summary = v
		case "false":
		default:
			return invalid(name, "_summary: %s is not known; use one of count, data, false, text, true", shown(v))
		}
	case paramElements:
		if s.part.elements, err = readElements(v); err != nil {
			return err
		}
	case paramCursor:
		s.cursor = v
		return nil
	}
	s.used.Set(name, v)
	return nil
}

// sorts lists by what can be sorted.
func (s *searching) sorts() []string {
	var out []string
	for i := range s.t.Params {
		if s.t.Params[i].Type == DateParam {
			out = append(out, s.t.Params[i].Name)
		}
	}
	return out
}

// maxIncluded is how many resources may be included in a page.
const maxIncluded = 2000

// includes reads _include and _revinclude: Type:parameter, or Type:parameter:Target.
func (s *searching) includes(name string, values []string) error {
	if strings.Contains(name, ":") {
		return notSupported(name, "%s: the modifier is not offered; what is included is not followed further", shown(name))
	}
	s.query.MaxIncluded = maxIncluded
	for _, v := range values {
		list := strings.Split(v, ":")
		if len(list) < 2 || len(list) > 3 {
			return invalid(name, "%s: %s is not of the form Type:parameter or Type:parameter:Target", name, shown(orNothing(v)))
		}
		target := ""
		if len(list) == 3 {
			target = list[2]
		}
		if !s.include(name == paramInclude, list[0], list[1], target) {
			offered := RevIncludes(s.h.types, s.t.Name)
			if name == paramInclude {
				offered = nil
				for _, p := range s.t.Includes() {
					offered = append(offered, s.t.Name+":"+p)
				}
			}
			return notSupported(name, "%s: %s is not offered for %s; use one of %s", name, shown(v), s.t.Name,
				orNothing(strings.Join(offered, ", ")))
		}
		s.used.Add(name, v)
	}
	return s.mayInclude()
}

// mayInclude refuses to include resources of a type that the principal may not read.
func (s *searching) mayInclude() error {
	who := access.From(s.ctx)
	var types []string
	for _, x := range s.query.RevIncludes {
		types = append(types, x.Type)
	}
	for _, x := range s.query.Includes {
		if x.Target != "" {
			types = append(types, x.Target)
		} else {
			types = append(types, s.t.Param(x.Param).Targets...)
		}
	}
	for _, name := range types {
		if t := s.h.typeNamed(name); t != nil && !t.reads(who) {
			return access.Refused()
		}
	}
	return nil
}

// include adds what an _include or _revinclude asks for; it answers false where the table
// does not offer it.
func (s *searching) include(forward bool, typ, param, target string) bool {
	if !forward {
		if !slices.Contains(RevIncludes(s.h.types, s.t.Name), typ+":"+param) || target != "" && target != s.t.Name {
			return false
		}
		s.query.RevIncludes = with(s.query.RevIncludes, view.RevInclude{Type: typ, Param: param})
		return true
	}
	if typ != s.t.Name || !slices.Contains(s.t.Includes(), param) {
		return false
	}
	p := s.t.Param(param)
	if target != "" && !slices.Contains(p.Targets, target) {
		return false
	}
	s.query.Includes = with(s.query.Includes, view.Include{Param: p.Name, Target: target, Compartment: p.Compartment})
	return true
}

// with adds what is not there yet: each include is a statement of its own, however often a
// client writes it.
func with[T comparable](list []T, x T) []T {
	if slices.Contains(list, x) {
		return list
	}
	return append(list, x)
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
			return 0, invalid(paramCount, "_count: %s is not a whole number of 0 or more", shown(v))
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
		case paramCount, paramTotal, paramFormat, paramPretty:
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
			fmt.Sprintf("%s is not a search parameter of %s and was ignored, as Prefer: handling=lenient asks; use one of %s",
				shown(orNothing(name)), s.t.Name, s.allowed()), "http."+shown(name)))
	}
	for _, d := range s.doubts {
		out = append(out, outcomeEntry("warning", "code-invalid", d.text, "http."+d.param))
	}
	return out
}
