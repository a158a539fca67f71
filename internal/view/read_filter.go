package view

import (
	"strings"
	"time"
)

// Filter is a list of conditions of which one must hold. An empty one never holds.
type Filter []Condition

// Condition is one thing that a resource may be asked for.
type Condition interface {
	// holds writes an expression about the resource r.
	holds(c *clause)
	// rows writes a query for the rids of resources, of any type, among which are all of
	// which the condition holds. ok is false where no index leads to them; exact tells that
	// the condition holds of all of them.
	rows(c *clause) (ok, exact bool)
}

// clause gathers SQL text and the values bound to it. Values never become text.
type clause struct {
	typ  string
	text strings.Builder
	args []any
}

func (c *clause) add(text string, args ...any) {
	c.text.WriteString(text)
	c.args = append(c.args, args...)
}

// TokenIs asks for a token parameter.
type TokenIs struct {
	Param string
	// System is compared only if HasSystem is set; then empty means a token without one.
	System    string
	HasSystem bool
	Code      string // empty for any code of the system
}

func (t TokenIs) holds(c *clause) {
	if t.HasSystem && t.Code != "" {
		c.add(`EXISTS (SELECT 1 FROM token t WHERE t.param IN (?, ?, ?) AND t.code = ? AND t.system = ? AND t.rid = r.rid)`, append(three(t.Param), t.Code, t.System)...)
		return
	}
	// The signs keep SQLite from walking through all tokens of that parameter or code
	// for each resource.
	c.add(`EXISTS (SELECT 1 FROM token t WHERE t.rid = r.rid AND +t.param IN (?, ?, ?)`, three(t.Param)...)
	if t.Code != "" {
		c.add(` AND +t.code = ?`, t.Code)
	}
	if t.HasSystem {
		c.add(` AND +t.system = ?`, t.System)
	}
	c.add(`)`)
}

func (t TokenIs) rows(c *clause) (ok, exact bool) {
	if t.Code == "" {
		return false, false
	}
	c.add(`SELECT rid FROM token WHERE param IN (?, ?, ?) AND code = ?`, append(three(t.Param), t.Code)...)
	if t.HasSystem {
		c.add(` AND system = ?`, t.System)
	}
	return true, true
}

// three is a parameter and what it is composed of, as three values.
func three(param string) []any {
	p := parts(param)
	return []any{param, p[0], p[len(p)-1]}
}

// ReferenceIs asks for a reference parameter: to a resource of one of the types with the ID.
// A bare id may stand for a dozen types; as conditions of their own they would soon be more
// than SQLite joins in one statement (500 queries, a depth of 1000).
type ReferenceIs struct {
	Param string
	Types []string
	ID    string
}

func (f ReferenceIs) holds(c *clause) {
	c.add(`EXISTS (SELECT 1 FROM reference f WHERE f.param = ? AND f.rid = r.rid AND f.target IN `, f.Param)
	c.list(f.targets())
	c.add(`)`)
}

func (f ReferenceIs) rows(c *clause) (ok, exact bool) {
	c.add(`SELECT rid FROM reference WHERE param = ? AND target IN `, f.Param)
	c.list(f.targets())
	return true, true
}

func (f ReferenceIs) targets() []string {
	out := make([]string, 0, len(f.Types))
	for _, t := range f.Types {
		out = append(out, t+"/"+f.ID)
	}
	return out
}

// InCompartment asks for the resources of one patient.
type InCompartment struct{ Patient string }

func (p InCompartment) holds(c *clause) { c.add(`r.patient = ?`, p.Patient) }

// rows has none: resource_patient also gives the order.
func (InCompartment) rows(_ *clause) (ok, exact bool) { return false, false }

// IDIs asks for one resource by its id.
type IDIs struct{ ID string }

func (i IDIs) holds(c *clause) { c.add(`r.id = ?`, i.ID) }

func (i IDIs) rows(c *clause) (ok, exact bool) {
	c.add(`SELECT rid FROM resource WHERE type = ? AND id = ?`, c.typ, i.ID)
	return true, true
}

// Prefix is how a value is compared with a date or a quantity, as in FHIR R4 search.
type Prefix string

// The prefixes. A date is an interval, of the parameter [Low, High) and of the resource:
// Equal and NotEqual ask whether the parameter's contains the resource's; Greater and
// Less whether the resource's reaches beyond; GreaterEqual and LessEqual accept either;
// StartsAfter and EndsBefore ask that they do not overlap.
const (
	Equal        Prefix = "eq"
	NotEqual     Prefix = "ne"
	Greater      Prefix = "gt"
	Less         Prefix = "lt"
	GreaterEqual Prefix = "ge"
	LessEqual    Prefix = "le"
	StartsAfter  Prefix = "sa"
	EndsBefore   Prefix = "eb"
)

// Prefixes lists the prefixes.
func Prefixes() []Prefix {
	return []Prefix{Equal, NotEqual, Greater, Less, GreaterEqual, LessEqual, StartsAfter, EndsBefore}
}

// DateIs asks for a date parameter. Low and High are used to the millisecond.
type DateIs struct {
	Param     string
	Prefix    Prefix
	Low, High time.Time
	// Local says that Low and High are what clocks show, told as if they showed UTC: they
	// are compared with the clock on which each date is written.
	Local bool
}

// widest is more than any clock was ever ahead of or behind UTC, in milliseconds: offsets
// that FHIR can write go to 14 hours, the local mean times of the tz database to 16.
const widest = 16 * 3600 * 1000

// ends are expressions for when a period p begins and ends.
func (d DateIs) ends() (low, high string) {
	if d.Local {
		return `p.low + p.low_shift`, `p.high + p.high_shift`
	}
	return `p.low`, `p.high`
}

func (d DateIs) holds(c *clause) {
	// The sign keeps SQLite from walking through all periods of that parameter for each resource.
	c.add(`EXISTS (SELECT 1 FROM period p WHERE p.rid = r.rid AND +p.param = ? AND `, d.Param)
	low, high := millis(d.Low), millis(d.High)
	from, to := d.ends()
	within := from + ` >= ? AND ` + to + ` <= ?`
	switch d.Prefix {
	case NotEqual:
		c.add(`NOT (`+within+`)`, low, high)
	case Greater:
		c.add(to+` > ?`, high)
	case Less:
		c.add(from+` < ?`, low)
	case GreaterEqual:
		c.add(`(`+to+` > ? OR `+within+`)`, high, low, high)
	case LessEqual:
		c.add(`(`+from+` < ? OR `+within+`)`, low, low, high)
	case StartsAfter:
		c.add(from+` >= ?`, high)
	case EndsBefore:
		c.add(to+` <= ?`, low)
	default:
		c.add(within, low, high)
	}
	c.add(`)`)
}

// rows finds those that end late enough, and early enough where the prefix asks for it. The
// index knows moments only: for what clocks show it is asked for all that could be meant.
func (d DateIs) rows(c *clause) (ok, exact bool) {
	low, high := millis(d.Low), millis(d.High)
	from, after, until := low, high, high
	if d.Local {
		from, after, until = low-widest, high-widest, high+widest
	}
	switch d.Prefix {
	case Equal:
		c.add(`SELECT rid FROM period WHERE param = ? AND high > ? AND high <= ?`, d.Param, from, until)
	case Greater:
		c.add(`SELECT rid FROM period WHERE param = ? AND high > ?`, d.Param, after)
		return true, !d.Local
	case StartsAfter:
		c.add(`SELECT rid FROM period WHERE param = ? AND high > ?`, d.Param, after)
	case GreaterEqual:
		c.add(`SELECT rid FROM period WHERE param = ? AND high > ?`, d.Param, from)
	default:
		return false, false
	}
	return true, false
}

// UpdatedIs asks for meta.lastUpdated, which is known to the millisecond.
type UpdatedIs struct {
	Prefix    Prefix
	Low, High time.Time
}

func (u UpdatedIs) holds(c *clause) {
	low, high := millis(u.Low), millis(u.High)
	switch u.Prefix {
	case NotEqual:
		c.add(`(r.updated < ? OR r.updated >= ?)`, low, high)
	case Greater, StartsAfter:
		c.add(`r.updated >= ?`, high)
	case Less, EndsBefore:
		c.add(`r.updated < ?`, low)
	case GreaterEqual:
		c.add(`r.updated >= ?`, low)
	case LessEqual:
		c.add(`r.updated < ?`, high)
	default:
		c.add(`(r.updated >= ? AND r.updated < ?)`, low, high)
	}
}

// rows has none: the order of the answer leads to them.
func (UpdatedIs) rows(_ *clause) (ok, exact bool) { return false, false }

// QuantityIs asks for a quantity parameter. Equal and NotEqual compare with [Low, High),
// what the digits of the value imply; the others with Value itself.
type QuantityIs struct {
	Param            string
	Prefix           Prefix
	Value, Low, High float64
	// System and Code are empty for any. Without a system Code is the code or the unit in words.
	System, Code string
}

func (q QuantityIs) holds(c *clause) {
	c.add(`EXISTS (SELECT 1 FROM quantity q WHERE q.rid = r.rid AND +q.param IN (?, ?, ?) AND `, three(q.Param)...)
	q.compare(c, `q.value`, `q.system`, `q.code`, `q.unit`)
	c.add(`)`)
}

// compare writes the comparison with expressions for a value and its unit.
func (q QuantityIs) compare(c *clause, value, system, code, unit string) {
	switch q.Prefix {
	case NotEqual:
		c.add(`(`+value+` < ? OR `+value+` >= ?)`, q.Low, q.High)
	case Greater, StartsAfter:
		c.add(value+` > ?`, q.Value)
	case Less, EndsBefore:
		c.add(value+` < ?`, q.Value)
	case GreaterEqual:
		c.add(value+` >= ?`, q.Value)
	case LessEqual:
		c.add(value+` <= ?`, q.Value)
	default:
		c.add(value+` >= ? AND `+value+` < ?`, q.Low, q.High)
	}
	if q.System != "" {
		c.add(` AND `+system+` = ?`, q.System)
	}
	switch {
	case q.Code != "" && q.System != "":
		c.add(` AND `+code+` = ?`, q.Code)
	case q.Code != "":
		c.add(` AND (`+code+` = ? OR `+unit+` = ?)`, q.Code, q.Code)
	}
}

func (QuantityIs) rows(_ *clause) (ok, exact bool) { return false, false }
