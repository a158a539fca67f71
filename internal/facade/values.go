package facade

import (
	"fmt"
	"math"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// splitAt splits at a sign that is not escaped by a backslash; the escapes stay.
func splitAt(s string, sign byte) []string {
	var out []string
	start := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			i++
		case sign:
			out = append(out, s[start:i])
			start = i + 1
		}
	}
	return append(out, s[start:])
}

// unescape takes away the backslashes before the signs that FHIR search uses itself.
func unescape(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+1 < len(s) && strings.IndexByte(`\,|$`, s[i+1]) >= 0 {
			i++
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// escaped tells that every backslash stands before a sign that FHIR search uses itself.
func escaped(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			continue
		}
		if i++; i == len(s) || strings.IndexByte(`\,|$`, s[i]) < 0 {
			return false
		}
	}
	return true
}

// cutPrefix takes the prefix off a date or number, which both begin with a digit or sign.
func cutPrefix(param, s string) (view.Prefix, string, error) {
	if len(s) < 2 || s[0] < 'a' || s[0] > 'z' {
		return view.Equal, s, nil
	}
	for _, p := range view.Prefixes() {
		if rest, ok := strings.CutPrefix(s, string(p)); ok {
			return p, rest, nil
		}
	}
	return "", "", invalid(param, "%s: the prefix of %s is not known; use one of eq, ne, gt, lt, ge, le, sa, eb", shown(param), shown(s))
}

// datePattern is a date or time with any precision. The sign of an offset may be a space:
// that is what becomes of a plus sign in a URL that was not escaped.
var datePattern = regexp.MustCompile(`^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(Z|[+ -]\d\d:\d\d)?)?)?)?$`)

// span is what a date's text covers: the half-open interval that its precision implies.
type span struct {
	low, high time.Time
	// local says that the text has no zone: the interval is what clocks show, told in UTC.
	local bool
}

// readSpan reads a date or time.
func readSpan(s string) (out span, ok bool) {
	m := datePattern.FindStringSubmatch(s)
	if m == nil {
		return out, false
	}
	zone := time.UTC
	n := func(i, or int) int {
		if m[i] == "" {
			return or
		}
		v, _ := strconv.Atoi(m[i]) // digits only, at most four
		return v
	}
	year, month, day := n(1, 0), n(2, 1), n(3, 1)
	hour, minute, second := n(4, 0), n(5, 0), n(6, 0)
	if year < 1 || month < 1 || month > 12 || day < 1 || hour > 23 || minute > 59 || second > 59 {
		return out, false
	}
	out.local = m[8] == ""
	if z := m[8]; z != "" && z != "Z" {
		h, _ := strconv.Atoi(z[1:3])
		min, _ := strconv.Atoi(z[4:6])
		if h > 14 || min > 59 {
			return out, false
		}
		offset := h*3600 + min*60
		if z[0] == '-' {
			offset = -offset
		}
		zone = time.FixedZone("", offset)
	}
	if d := time.Date(year, time.Month(month), day, 12, 0, 0, 0, time.UTC); d.Day() != day {
		return out, false // 30 February
	}
	out.low = time.Date(year, time.Month(month), day, hour, minute, second, 0, zone)
	switch {
	case m[2] == "":
		out.high = time.Date(year+1, 1, 1, 0, 0, 0, 0, zone)
	case m[3] == "":
		out.high = time.Date(year, time.Month(month)+1, 1, 0, 0, 0, 0, zone)
	case m[4] == "":
		out.high = time.Date(year, time.Month(month), day+1, 0, 0, 0, 0, zone)
	case m[6] == "":
		out.high = out.low.Add(time.Minute)
	case m[7] == "":
		out.high = out.low.Add(time.Second)
	default:
		// Resources tell milliseconds: finer digits cannot be compared.
		digits := (m[7] + "00")[:3]
		ms, _ := strconv.Atoi(digits)
		out.low = out.low.Add(time.Duration(ms) * time.Millisecond)
		width := time.Millisecond
		for i := len(m[7]); i < 3; i++ {
			width *= 10
		}
		out.high = out.low.Add(width)
	}
	out.low, out.high = out.low.UTC(), out.high.UTC()
	return out, true
}

const dateForms = "a date is YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm[:ss[.fff]] with Z or an offset, after an optional prefix; " +
	"without either it is compared with the date and time as the resource writes them"

func (s *searching) date(p *Param, value string) (view.Condition, error) {
	prefix, rest, err := cutPrefix(p.Name, value)
	if err != nil {
		return nil, err
	}
	d, ok := readSpan(rest)
	if !ok {
		return nil, invalid(p.Name, "%s: %s is not a date; %s", p.Name, shown(orNothing(rest)), dateForms)
	}
	if p.Name == paramLastUpdated {
		// It is written in UTC, so that is the clock for a date without a zone too.
		return view.UpdatedIs{Prefix: prefix, Low: d.low, High: d.high}, nil
	}
	return view.DateIs{Param: p.Name, Prefix: prefix, Low: d.low, High: d.high, Local: d.local}, nil
}

func (s *searching) token(p *Param, value string) (view.Condition, error) {
	parts := splitAt(value, '|')
	t := view.TokenIs{Param: indexed(p)}
	if p.Type == URIParam {
		t.Code = unescape(value) // a | belongs to it
		return t, nil
	}
	switch len(parts) {
	case 1:
		t.Code = unescape(parts[0])
	case 2:
		t.System, t.HasSystem, t.Code = unescape(parts[0]), true, unescape(parts[1])
	default:
		return nil, invalid(p.Name, "%s: %s has more than one |; a token is code, system|code, |code or system|; write \\| for a | inside",
			p.Name, shown(value))
	}
	if t.Code == "" && t.System == "" {
		return nil, invalid(p.Name, "%s: %s names neither a system nor a code", p.Name, shown(orNothing(value)))
	}
	if p.Name == paramID {
		if t.HasSystem {
			return nil, invalid(p.Name, "_id: %s has a system; give the id alone", shown(value))
		}
		return view.IDIs{ID: t.Code}, nil
	}
	if p.Codes != nil {
		return t, s.closed(p, &t, value)
	}
	if p.Concept {
		return t, s.doubtful(p, &t)
	}
	return t, nil
}

// closed refuses what no resource can ever have: an empty answer to a slip of the pen reads
// as if there were nothing.
func (s *searching) closed(p *Param, t *view.TokenIs, value string) error {
	if (t.Code == "" || slices.Contains(p.Codes, t.Code)) && (!t.HasSystem || p.System != "" && t.System == p.System) {
		return nil
	}
	text := fmt.Sprintf("%s: %s is never a value here; use one of %s", p.Name, shown(value), p.codes())
	if s.lenient || s.linked {
		s.doubt(p.Name, text+"; it was still asked for, as Prefer: handling=lenient asks")
		return nil
	}
	return &problem{Status: http.StatusBadRequest, Code: "code-invalid", Expression: "http." + p.Name, Text: text}
}

// doubtful notes a code that is not in our code system and, where it may be of another, that
// no resource here was ever given.
func (s *searching) doubtful(p *Param, t *view.TokenIs) error {
	if t.Code == "" || t.HasSystem && t.System != fhir.System || ownCodes()[t.Code] {
		return nil
	}
	text := fmt.Sprintf("%s: there is no code %s in %s; its codes are in CodeSystem/cannulary", p.Name, shown(t.Code), fhir.System)
	if !t.HasSystem {
		known, err := s.h.cfg.Store.HasToken(s.ctx, p.Name, t.Code)
		if err != nil || known {
			return err
		}
		text += "; nor does any resource have it of another system"
	}
	s.doubt(p.Name, text)
	return nil
}

func (s *searching) doubt(param, text string) {
	d := doubt{param, text}
	if !slices.Contains(s.doubts, d) {
		s.doubts = append(s.doubts, d)
	}
}

// ownCodes are the codes of our code system.
var ownCodes = sync.OnceValue(func() map[string]bool {
	out := map[string]bool{}
	for _, c := range fhir.Codes() {
		out[c.Code] = true
	}
	return out
})

// text reads a string.
func text(p *Param, modifier, value string) view.Condition {
	c := view.StringIs{Param: p.Name, Value: unescape(value), Match: view.Begins}
	switch modifier {
	case modExact:
		c.Match = view.Exactly
	case modContains:
		c.Match = view.Contains
	}
	return c
}

var (
	idPattern   = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)
	typePattern = regexp.MustCompile(`^[A-Z][A-Za-z]*$`)
)

// reference reads Type/id, id, or an absolute URL below our base. only is the type that
// a modifier names; empty for none.
func (s *searching) reference(p *Param, only, value string) (view.Condition, error) {
	ref := unescape(value)
	if strings.Contains(ref, "://") {
		rest, ok := strings.CutPrefix(ref, s.base+"/")
		if !ok {
			rest, ok = strings.CutPrefix(ref, fhir.Base+"/") // of our own definitions
		}
		if !ok {
			return nil, invalid(p.Name, "%s: %s is not below %s; give Type/id", p.Name, shown(ref), shown(s.base))
		}
		ref = rest
	}
	typ, id, typed := strings.Cut(ref, "/")
	if !typed {
		typ, id = only, ref
	}
	if !idPattern.MatchString(id) || typed && !typePattern.MatchString(typ) {
		return nil, invalid(p.Name, "%s: %s is not a reference; write Type/id or id, without a version", p.Name, shown(orNothing(value)))
	}
	var types []string
	for _, target := range p.Targets {
		if (typ == "" || typ == target) && (only == "" || only == target) {
			types = append(types, target)
		}
	}
	if len(types) == 0 {
		return nil, invalid(p.Name, "%s: it refers to %s, not to %s", p.Name, strings.Join(p.Targets, " or "), shown(ref))
	}
	return s.refersTo(p, id, types...), nil
}

var numberPattern = regexp.MustCompile(`^[+-]?\d{1,30}(?:\.(\d{1,30}))?(?:[eE]([+-]?\d{1,2}))?$`)

func (s *searching) quantity(p *Param, value string) (view.Condition, error) {
	parts := splitAt(value, '|')
	if len(parts) != 1 && len(parts) != 3 {
		return nil, invalid(p.Name, "%s: %s is not a quantity; write number, number|system|code or number||code, after an optional prefix",
			p.Name, shown(value))
	}
	prefix, number, err := cutPrefix(p.Name, parts[0])
	if err != nil {
		return nil, err
	}
	m := numberPattern.FindStringSubmatch(number)
	if m == nil {
		return nil, invalid(p.Name, "%s: %s is not a number", p.Name, shown(orNothing(number)))
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return nil, invalid(p.Name, "%s: %s is out of range", p.Name, shown(number))
	}
	exponent, _ := strconv.Atoi(m[2]) // at most two digits
	half := math.Pow10(exponent-len(m[1])) / 2
	q := view.QuantityIs{Param: p.Name, Prefix: prefix, Value: v, Low: v - half, High: v + half}
	if len(parts) == 3 {
		q.System, q.Code = unescape(parts[1]), unescape(parts[2])
	}
	return q, nil
}
