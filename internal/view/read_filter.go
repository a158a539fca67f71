package view

import (
	"slices"
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
	switch {
	case !own(t.Param):
		c.add(`r.shape IN (SELECT s.shape FROM shape_term s WHERE s.term IN `)
		t.terms(c)
		c.add(`)`)
	case t.Code != "":
		c.add(`EXISTS (SELECT 1 FROM link l WHERE l.rid = r.rid AND l.param = 0 AND l.target IN (SELECT -t.id FROM term t WHERE t.id IN `)
		t.terms(c)
		c.add(`))`)
	default: // Thousands may be of one system: its own are looked through.
		c.add(`EXISTS (SELECT 1 FROM json_each(r.links) j CROSS JOIN term t ON t.id = (j.value >> 10) - r.rid
			WHERE j.value & 1023 = 0 AND +t.param = ? AND +t.system = ?)`, t.Param, t.System)
	}
}

// terms writes the terms that are asked for.
func (t TokenIs) terms(c *clause) {
	c.add(`(SELECT id FROM term WHERE kind = 't' AND param IN (?, ?, ?)`, three(t.Param)...)
	if t.Code != "" {
		c.add(` AND code = ?`, t.Code)
	}
	if t.HasSystem {
		c.add(` AND system = ?`, t.System)
	}
	c.add(`)`)
}

func (t TokenIs) rows(c *clause) (ok, exact bool) {
	if t.Code == "" {
		return false, false
	}
	if own(t.Param) {
		c.add(`SELECT l.rid FROM link l WHERE l.param = 0 AND l.target IN (SELECT -t.id FROM term t WHERE t.id IN `)
	} else {
		c.add(`SELECT rid FROM resource WHERE shape IN (SELECT s.shape FROM shape_term s WHERE s.term IN `)
	}
	t.terms(c)
	c.add(`)`)
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
	c.add(`EXISTS (SELECT 1 FROM link l WHERE l.rid = r.rid AND l.param`+paramIs+` AND l.target IN `, f.Param)
	f.targets(c)
	c.add(`)`)
}

func (f ReferenceIs) rows(c *clause) (ok, exact bool) {
	c.add(`SELECT rid FROM link WHERE param`+paramIs+` AND target IN `, f.Param)
	f.targets(c)
	return true, true
}

// targets writes the rows that are meant, also of resources that are only referred to.
func (f ReferenceIs) targets(c *clause) {
	c.add(`(SELECT rid FROM resource WHERE id = ? AND abs(type) IN (SELECT id FROM word WHERE text IN `, idValue(f.ID))
	c.list(f.Types)
	c.add(`))`)
}

// paramIs compares with the number of a parameter, which is bound by its name.
const paramIs = ` = (SELECT id FROM param WHERE name = ?)`

// InCompartment asks for the resources of one patient.
type InCompartment struct{ Patient string }

func (p InCompartment) holds(c *clause) {
	c.add(`r.patient = coalesce(`)
	c.patients([]string{p.Patient})
	c.add(`, -1)`)
}

// patients writes the rows of Patients with those ids, also of those that are only referred to.
func (c *clause) patients(ids []string) {
	c.add(`(SELECT rid FROM resource WHERE id IN (`)
	for i, id := range ids {
		if i > 0 {
			c.add(`,`)
		}
		c.add(`?`, idValue(id))
	}
	c.add(`) AND abs(type)`+typeIs+`)`, "Patient")
}

// rows has none: resource_patient also gives the order.
func (InCompartment) rows(_ *clause) (ok, exact bool) { return false, false }

// IDIs asks for one resource by its id.
type IDIs struct{ ID string }

func (i IDIs) holds(c *clause) { c.add(`r.id = ?`, idValue(i.ID)) }

func (i IDIs) rows(c *clause) (ok, exact bool) {
	c.add(`SELECT rid FROM resource WHERE type`+typeIs+` AND id = ?`, c.typ, idValue(i.ID))
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
	// Local says that Low and High are what clocks show, given as if they showed UTC: they
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
	c.add(`EXISTS (SELECT 1 FROM dated p WHERE p.rid = r.rid AND +p.param`+paramIs+` AND `, d.Param)
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
		d.ending(c, ` AND high > ? AND high <= ?`, from, until)
	case Greater:
		d.ending(c, ` AND high > ?`, after)
		return true, !d.Local
	case StartsAfter:
		d.ending(c, ` AND high > ?`, after)
	case GreaterEqual:
		d.ending(c, ` AND high > ?`, from)
	default:
		return false, false
	}
	return true, false
}

// ending writes the rids of those that end in a range. The view of both tables would be made
// whole first.
func (d DateIs) ending(c *clause, when string, moments ...any) {
	c.add(`SELECT rid FROM (SELECT rid FROM resource WHERE date`+paramIs+when+
		` UNION ALL SELECT rid FROM period WHERE param`+paramIs+when+`)`,
		slices.Concat([]any{d.Param}, moments, []any{d.Param}, moments)...)
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
	c.add(`EXISTS (SELECT 1 FROM quantity q WHERE q.rid = r.rid AND `)
	q.compare(c)
	c.add(`)`)
}

// compare writes the comparison with a row q of quantity.
func (q QuantityIs) compare(c *clause) {
	c.add(`q.param IN (SELECT id FROM param WHERE name IN (?, ?, ?)) AND `, three(q.Param)...)
	switch q.Prefix {
	case NotEqual:
		c.add(`(q.value < ? OR q.value >= ?)`, q.Low, q.High)
	case Greater, StartsAfter:
		c.add(`q.value > ?`, q.Value)
	case Less, EndsBefore:
		c.add(`q.value < ?`, q.Value)
	case GreaterEqual:
		c.add(`q.value >= ?`, q.Value)
	case LessEqual:
		c.add(`q.value <= ?`, q.Value)
	default:
		c.add(`q.value >= ? AND q.value < ?`, q.Low, q.High)
	}
	if q.System != "" {
		c.add(` AND q.system`+typeIs, q.System)
	}
	switch {
	case q.Code != "" && q.System != "":
		c.add(` AND q.code`+typeIs, q.Code)
	case q.Code != "":
		c.add(` AND (q.code`+typeIs+` OR q.unit`+typeIs+`)`, q.Code, q.Code)
	}
}

func (QuantityIs) rows(_ *clause) (ok, exact bool) { return false, false }
