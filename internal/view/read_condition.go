package view

import "strings"

// Match is how a string is compared.
type Match string

// The matches. Begins and Contains do not regard case and accents.
const (
	Begins   Match = "begins"
	Contains Match = "contains"
	Exactly  Match = "exactly"
)

// StringIs asks for a string parameter.
type StringIs struct {
	Param, Value string
	Match        Match
}

func (s StringIs) holds(c *clause) {
	c.add(`EXISTS (SELECT 1 FROM string s WHERE s.rid = r.rid AND +s.param = ? AND `, s.Param)
	folded := foldText(s.Value)
	switch s.Match {
	case Exactly:
		c.add(`s.value = ?)`, s.Value)
	case Contains:
		c.add(`instr(s.folded, ?) > 0)`, folded)
	default:
		c.add(`substr(s.folded, 1, length(?)) = ?)`, folded, folded)
	}
}

// Matches reports whether a value is what is asked for.
func (s StringIs) Matches(value string) bool {
	switch s.Match {
	case Exactly:
		return value == s.Value
	case Contains:
		return strings.Contains(foldText(value), foldText(s.Value))
	}
	return strings.HasPrefix(foldText(value), foldText(s.Value))
}

func (s StringIs) rows(c *clause) (ok, exact bool) {
	c.add(`SELECT rid FROM string WHERE param = ?`, s.Param)
	return true, false
}

// Not holds where none of the conditions does.
type Not struct{ Of Filter }

func (n Not) holds(c *clause) {
	c.add(`NOT `)
	n.Of.holds(c)
}

func (Not) rows(_ *clause) (ok, exact bool) { return false, false }

// Missing asks for resources that have no value of a parameter, or with Some for those
// that have one.
type Missing struct {
	Param string
	// Compartment tells that the parameter names the patient in whose compartment it is.
	Compartment, Some bool
}

func (m Missing) holds(c *clause) {
	if !m.Some {
		c.add(`NOT `)
	}
	if m.Compartment {
		c.add(`(r.patient <> 0)`)
		return
	}
	c.add(`r.shape IN (SELECT s.shape FROM shape_term s JOIN term t ON t.id = s.term WHERE t.kind = 'p' AND t.param IN (?, ?, ?, ?))`,
		append(three(m.Param), m.Param+":identifier")...)
}

func (Missing) rows(_ *clause) (ok, exact bool) { return false, false }

// ComponentIs asks for one component that has both the code and the value.
type ComponentIs struct {
	Code  TokenIs
	Value Condition // TokenIs or QuantityIs
}

func (p ComponentIs) holds(c *clause) {
	switch v := p.Value.(type) {
	case TokenIs:
		c.add(`r.shape IN (SELECT k.shape FROM shape_term k JOIN shape_term v ON v.shape = k.shape AND v.part = k.part WHERE k.part > 0
			AND k.term IN `)
		p.Code.terms(c)
		c.add(` AND v.term IN `)
		v.terms(c)
		c.add(`)`)
	case QuantityIs:
		c.add(`EXISTS (SELECT 1 FROM quantity q JOIN shape_term k ON k.shape = r.shape AND k.part = q.part WHERE q.rid = r.rid
			AND q.part > 0
			AND k.term IN `)
		p.Code.terms(c)
		c.add(` AND `)
		v.compare(c)
		c.add(`)`)
	default:
		c.add(`0`)
	}
}

// rows takes what leads to the value, else to the code: which of them belong together it
// does not tell.
func (p ComponentIs) rows(c *clause) (ok, exact bool) { return first(c, p.Value, p.Code) }

// first writes the rows of the first condition that has some. They are exact for it, and so
// never for all of several.
func first(c *clause, list ...Condition) (ok, exact bool) {
	for _, cond := range list {
		if ok, exact = cond.rows(c); ok {
			break
		}
	}
	return ok, exact && len(list) < 2
}

// Both holds where both conditions do.
type Both struct{ A, B Condition }

func (b Both) holds(c *clause) {
	c.add(`(`)
	b.A.holds(c)
	c.add(` AND `)
	b.B.holds(c)
	c.add(`)`)
}

func (b Both) rows(c *clause) (ok, exact bool) { return first(c, b.B, b.A) }

// overlapsCare asks for resources without a clinical date, and for those whose clinical
// date reaches into [low, high) on the clock on which it is written.
type overlapsCare struct{ low, high int64 }

// careDates are the parameters that tell when something happened to the patient.
var careDates = []string{"date", "identified"}

func (o overlapsCare) holds(c *clause) {
	c.add(`(NOT EXISTS (SELECT 1 FROM dated p WHERE p.rid = r.rid AND +p.param IN (SELECT id FROM param WHERE name IN `)
	c.list(careDates)
	c.add(`)) OR EXISTS (SELECT 1 FROM dated p WHERE p.rid = r.rid AND +p.param IN (SELECT id FROM param WHERE name IN `)
	c.list(careDates)
	c.add(`) AND p.low + p.low_shift < ? AND p.high + p.high_shift > ?))`, o.high, o.low)
}

// holds writes that one of the filter's conditions holds.
func (f Filter) holds(c *clause) {
	c.add(`(0`)
	for _, cond := range f {
		c.add(` OR `)
		cond.holds(c)
	}
	c.add(`)`)
}
