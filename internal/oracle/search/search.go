// Package search answers FHIR R4 searches a second time, slowly and plainly, from the
// words of https://hl7.org/fhir/R4/search.html and of nothing else. It shares no code with
// the view or the facade; tests compare the two. It keeps no index: a search walks the JSON
// of every resource, by the element paths of R4's own SearchParameters.
//
// Where the words of R4 leave something open or contradict each other, a comment that
// begins with "Reading:" says which meaning was taken. Where a server may do otherwise and
// says so, Readings has a switch.
package search

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"
)

// Resource is one resource as a client reads it.
type Resource struct {
	Type, ID string
	Body     map[string]any

	// What was worked out before: elements by path, values by parameter, dates by their text.
	found map[string][]any
	items map[*param][]item
	spans map[spanKey]dated
}

// Read reads a resource's JSON; numbers keep their digits.
func Read(body []byte) (*Resource, error) {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	r := &Resource{found: map[string][]any{}, items: map[*param][]item{}, spans: map[spanKey]dated{}}
	if err := d.Decode(&r.Body); err != nil {
		return nil, err
	}
	r.Type, _ = r.Body["resourceType"].(string)
	r.ID, _ = r.Body["id"].(string)
	if r.Type == "" || r.ID == "" {
		return nil, fmt.Errorf("no resource with an id: %.100s", body)
	}
	return r, nil
}

// Key is Type/id.
func (r *Resource) Key() string { return r.Type + "/" + r.ID }

// Corpus is what is searched.
type Corpus struct {
	// Base is the server's base URL: absolute references below it are local ones.
	Base string
	// Zone is where a resource's days were, since a day names no zone; nil is UTC.
	Zone func(*Resource) *time.Location
	// Survivor answers the id of the Patient into which one was merged, or the id itself.
	// R4 knows nothing of the kind; it is this server's rule for patient and subject.
	Survivor func(id string) string
	// Readings are the server's, where R4 leaves a choice; the zero value is R4's words.
	Readings Readings
	// Mutant misreads one rule.
	Mutant Mutant

	byType map[string][]*Resource
	byKey  map[string]*Resource
}

// Readings are the ways in which a server may differ from the words of R4 and say so.
type Readings struct {
	// PunctuationCounts compares strings with their punctuation and repeated spaces. R4:
	// these "should also be ignored".
	PunctuationCounts bool
	// OneDigitOfPower reads 1e2 as 95 to 105, as R4's table of examples does, and not as 50
	// to 150, as its sentence on significant digits does.
	OneDigitOfPower bool
	// LowerIsFolded takes letters as equal whose lower case is; Unicode's case folding goes
	// further: the long s is an s.
	LowerIsFolded bool
	// UnitIsCode compares number||unit with the unit's code only. R4: "either the code or the
	// stated human unit".
	UnitIsCode bool
	// ClosedCodes gives a code no meaning that its element can never have, by a required
	// binding or as a boolean. R4: it finds nothing.
	ClosedCodes bool
	// LogicalIsMissing takes a reference that is known by its identifier only for missing. R4:
	// missing "usually equates to not having the relevant element".
	LogicalIsMissing bool
	// Known answers the precision to which an element's time is known where its text says
	// more than that: R4 has no dateTime that ends with the minute. Nil takes the text.
	Known func(r *Resource, param, value string) time.Duration
}

// Add adds resources; one with the key of an earlier one takes its place.
func (c *Corpus) Add(list ...*Resource) {
	if c.byKey == nil {
		c.byKey, c.byType = map[string]*Resource{}, map[string][]*Resource{}
	}
	for _, r := range list {
		if old := c.byKey[r.Key()]; old != nil {
			c.byType[r.Type][slices.Index(c.byType[r.Type], old)] = r
		} else {
			c.byType[r.Type] = append(c.byType[r.Type], r)
		}
		c.byKey[r.Key()] = r
	}
}

// Get is the resource of that key, nil if there is none.
func (c *Corpus) Get(key string) *Resource { return c.byKey[key] }

// All are the resources of a type, in the order in which they were added.
func (c *Corpus) All(typ string) []*Resource { return c.byType[typ] }

// With is the corpus, misreading one rule.
func (c *Corpus) With(m Mutant) *Corpus {
	other := *c
	other.Mutant = m
	return &other
}

// resultParams shape the answer and filter nothing.
var resultParams = []string{"_count", "_cursor", "_elements", "_format", "_include", "_pretty", "_revinclude",
	"_sort", "_summary", "_total"}

// Search answers the keys of the resources of a type that match, sorted. It errs where R4
// gives the query no meaning; the error says why.
func (c *Corpus) Search(typ string, query url.Values) ([]string, error) {
	var all []filter
	for name, values := range query {
		if slices.Contains(resultParams, name) {
			continue
		}
		// A parameter that repeats is to hold each time.
		for _, v := range values {
			f, err := c.filter(typ, name, v)
			if err != nil {
				return nil, fmt.Errorf("%s=%s: %w", name, v, err)
			}
			all = append(all, f)
		}
	}
	out := []string{}
	for _, r := range c.byType[typ] {
		n := 0
		for _, f := range all {
			if f(r) {
				n++
			}
		}
		if n == len(all) || c.Mutant == RepeatsAreOr && n > 0 {
			out = append(out, r.Key())
		}
	}
	slices.Sort(out)
	return out, nil
}

// filter reports whether a resource matches.
type filter func(*Resource) bool

// filter reads one parameter with one value, which may be a list.
func (c *Corpus) filter(typ, name, value string) (filter, error) {
	name, rest, chained := strings.Cut(name, ".")
	name, modifier, _ := strings.Cut(name, ":")
	p, ok := lookup(typ, name)
	if !ok {
		return nil, fmt.Errorf("%s has no parameter %s", typ, name)
	}
	if chained {
		return c.chain(p, modifier, rest, value)
	}
	if modifier == "missing" && p.kind != Composite {
		return c.missing(p, value)
	}
	list, err := split(value, ',')
	if err != nil {
		return nil, err
	}
	var either []filter
	for _, v := range list {
		f, err := c.single(p, modifier, v)
		if err != nil {
			return nil, err
		}
		either = append(either, f)
	}
	return func(r *Resource) bool {
		n := 0
		for _, f := range either {
			if f(r) {
				n++
			}
		}
		if p.kind == Token && modifier == "not" {
			// "Resources that do not have a matching item": none of the list, and those with
			// no value at all.
			if c.Mutant == NotNeedsValue && len(c.elements(r, p)) == 0 {
				return false
			}
			if c.Mutant == NotOfAny {
				return n < len(either)
			}
			return n == 0
		}
		if c.Mutant == CommasAreAnd {
			return n == len(either)
		}
		return n > 0
	}, nil
}

// missing is :missing=true or false: whether there is no value of the parameter's type.
func (c *Corpus) missing(p *param, value string) (filter, error) {
	if value != "true" && value != "false" {
		return nil, fmt.Errorf(":missing is true or false")
	}
	return func(r *Resource) bool {
		n := 0
		for _, e := range c.elements(r, p) {
			if p.kind != Reference || !c.Readings.LogicalIsMissing || p.logical || c.local(e) != "" {
				n++
			}
		}
		return (n == 0) == (value == "true")
	}, nil
}

// single is one value of a parameter.
func (c *Corpus) single(p *param, modifier, value string) (filter, error) {
	if p.kind == Composite {
		if modifier != "" {
			return nil, fmt.Errorf("modifiers are not used on composite parameters")
		}
		return c.composite(p, value)
	}
	match, err := c.matcher(p, modifier, value)
	if err != nil {
		return nil, err
	}
	if c.Mutant == NotEqualIsNone && (p.kind == Date || p.kind == Quantity) && strings.HasPrefix(value, "ne") {
		return func(r *Resource) bool {
			list := c.elements(r, p)
			return len(list) > 0 && !slices.ContainsFunc(list, func(e item) bool { return !match(r, e) })
		}, nil
	}
	return func(r *Resource) bool {
		return slices.ContainsFunc(c.elements(r, p), func(e item) bool { return match(r, e) })
	}, nil
}

// matcher reports whether one element has the value.
type matcher func(*Resource, item) bool

func (c *Corpus) matcher(p *param, modifier, value string) (matcher, error) {
	switch p.kind {
	case Token:
		if modifier != "" && modifier != "not" {
			return nil, fmt.Errorf("no modifier :%s", modifier)
		}
		return c.token(p, value)
	case Reference:
		return c.reference(p, modifier, value)
	case String:
		return c.text(modifier, value)
	}
	if modifier != "" {
		return nil, fmt.Errorf("no modifier :%s", modifier)
	}
	switch p.kind {
	case Date:
		return c.date(p, value)
	case Quantity:
		return c.quantity(value)
	}
	return c.uri(value)
}

// chain is reference.parameter: a referred resource, of any of the reference's types or of
// the one that the modifier names, matches.
//
// Reading: by this server's rule on merged patients their ids and identifiers stand for the
// survivor; nothing else that is said of a merged patient is said of the survivor.
func (c *Corpus) chain(p *param, modifier, name, value string) (filter, error) {
	if p.kind != Reference {
		return nil, fmt.Errorf("only references are chained")
	}
	types := p.targets
	if modifier != "" {
		if !slices.Contains(types, modifier) {
			return nil, fmt.Errorf("no reference to %s", modifier)
		}
		types = []string{modifier}
	}
	inner := map[string]filter{}
	var last error
	for _, t := range types {
		f, err := c.filter(t, name, value)
		if err != nil {
			last = err
			continue
		}
		inner[t] = f
	}
	if len(inner) == 0 {
		return nil, last
	}
	merged := map[string]bool{}
	if p.survivor && c.Survivor != nil && c.Mutant != SurvivorIgnored && (name == "_id" || name == "identifier") {
		for _, x := range c.byType["Patient"] {
			if f := inner["Patient"]; f != nil && c.Survivor(x.ID) != x.ID && f(x) {
				merged["Patient/"+c.Survivor(x.ID)] = true
			}
		}
	}
	return func(r *Resource) bool {
		for _, e := range c.elements(r, p) {
			if merged[c.local(e)] {
				return true
			}
			target := c.byKey[c.local(e)]
			if target == nil {
				continue
			}
			if f := inner[target.Type]; f != nil && (f(target) || c.Mutant == ChainNeedsAny) {
				return true
			}
		}
		return false
	}, nil
}

// composite is a sequence of values joined by $ that must all hold on the same element.
func (c *Corpus) composite(p *param, value string) (filter, error) {
	values, err := split(value, '$')
	if err != nil {
		return nil, err
	}
	if len(values) != len(p.parts) {
		return nil, fmt.Errorf("%d values, not %d", len(values), len(p.parts))
	}
	match := make([]matcher, len(values))
	for i := range values {
		if match[i], err = c.matcher(&p.parts[i], "", values[i]); err != nil {
			return nil, err
		}
	}
	return func(r *Resource) bool {
		held := make([]bool, len(match))
		for _, on := range p.on {
			for _, at := range r.at(on) {
				n := 0
				for i := range match {
					if slices.ContainsFunc(c.below(at, &p.parts[i]), func(e item) bool { return match[i](r, e) }) {
						n++
						held[i] = true
					}
				}
				if n == len(match) || c.Mutant == PairsAreAny && n > 0 {
					return true
				}
			}
		}
		return c.Mutant == PairsFromAnywhere && !slices.Contains(held, false)
	}, nil
}
