package search

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// token matches code, system|code, |code (no system) and system| (any code).
//
// Reading: R4 forbids the bar for booleans and has no use for it with ids; such a query has
// no meaning.
func (c *Corpus) token(p *param, value string) (matcher, error) {
	list, err := split(value, '|')
	if err != nil {
		return nil, err
	}
	if len(list) > 2 {
		return nil, fmt.Errorf("a token has one system and one code")
	}
	if as := p.elements[0].as; len(list) == 2 && (as == asBoolean || as == asID) {
		return nil, fmt.Errorf("%s has no systems", p.name)
	}
	code := c.literal(list[len(list)-1])
	system := ""
	scoped := len(list) == 2
	if scoped {
		system = c.literal(list[0])
	}
	if code == "" && system == "" {
		return nil, fmt.Errorf("a token without system and code")
	}
	if c.Readings.ClosedCodes {
		if err := possible(&p.elements[0], scoped, system, code); err != nil {
			return nil, err
		}
	}
	return func(_ *Resource, e item) bool {
		hasSystem, hasCode := e.coded()
		if code != "" && code != hasCode && (c.Mutant != CodeCaseIgnored || !strings.EqualFold(code, hasCode)) {
			return false
		}
		if !scoped || c.Mutant == SystemIgnored && system != "" || c.Mutant == BarIsAnySystem && system == "" {
			return true
		}
		return system == hasSystem
	}, nil
}

// possible reports whether an element could ever have the token.
func possible(e *element, scoped bool, system, code string) error {
	codes := bound[e.system]
	if e.as == asBoolean {
		codes = "true false"
	}
	if codes == "" || (code == "" || slices.Contains(strings.Fields(codes), code)) && (!scoped || system == e.system) {
		return nil
	}
	return fmt.Errorf("%s|%s is not in the value set of %s", system, code, e.path)
}

// coded is an element as system and code.
func (e item) coded() (system, code string) {
	m, _ := e.v.(map[string]any)
	switch e.el.as {
	case asConcept, asCoding:
		return str(m, "system"), str(m, "code")
	case asIdentifier:
		return str(m, "system"), str(m, "value")
	}
	// A code's system is that of its value set.
	return e.el.system, plain(e.v)
}

// reference matches id, Type/id and an absolute URL; with :Type an id of that type, with
// :identifier a token on Reference.identifier.
func (c *Corpus) reference(p *param, modifier, value string) (matcher, error) {
	if modifier == "identifier" {
		match, err := c.token(&param{elements: []element{{as: asIdentifier}}}, value)
		if err != nil {
			return nil, err
		}
		return func(r *Resource, e item) bool {
			m, _ := e.v.(map[string]any)
			id, ok := m["identifier"]
			return ok && c.Mutant != IdentifierIgnored && match(r, item{id, &element{as: asIdentifier}})
		}, nil
	}
	if _, err := split(value, ','); err != nil {
		return nil, err
	}
	value = c.literal(value)
	wantType, wantID := "", value
	if rest, ok := strings.CutPrefix(value, c.Base+"/"); ok && c.Base != "" {
		value = rest
	} else if strings.Contains(value, "://") || strings.HasPrefix(value, "urn:") {
		return func(_ *Resource, e item) bool {
			m, _ := e.v.(map[string]any)
			return str(m, "reference") == value || str(m, "canonical") == value
		}, nil
	}
	if t, id := parts(value); t != "" {
		wantType, wantID = t, id
	} else if strings.Contains(value, "/") {
		return nil, fmt.Errorf("no reference")
	}
	if modifier != "" {
		if !slices.Contains(p.targets, modifier) || wantType != "" && wantType != modifier {
			return nil, fmt.Errorf("no reference to %s", modifier)
		}
		wantType = modifier
	}
	if p.survivor && (wantType == "" || wantType == "Patient") && c.Survivor != nil && c.Mutant != SurvivorIgnored {
		wantID = c.Survivor(wantID)
	}
	return func(_ *Resource, e item) bool {
		typ, id := parts(c.local(e))
		return id != "" && id == wantID && (wantType == "" || wantType == typ || c.Mutant == TypeIgnored)
	}, nil
}

// local is a literal reference without the server's base and without a version, empty
// where the element has none.
func (c *Corpus) local(e item) string {
	m, _ := e.v.(map[string]any)
	ref := strings.TrimPrefix(str(m, "reference"), c.Base+"/")
	if typ, id := parts(ref); typ != "" {
		return typ + "/" + id
	}
	return ""
}

// parts takes Type/id or Type/id/_history/version apart; typ is empty where it is neither.
func parts(s string) (typ, id string) {
	list := strings.Split(s, "/")
	if len(list) != 2 && (len(list) != 4 || list[2] != "_history") {
		return "", ""
	}
	if list[0] == "" || list[1] == "" || list[0][0] < 'A' || list[0][0] > 'Z' {
		return "", ""
	}
	return list[0], list[1]
}

// text matches the beginning, without case and accents; :contains any part, :exact the
// whole as it is.
func (c *Corpus) text(modifier, value string) (matcher, error) {
	if _, err := split(value, ','); err != nil {
		return nil, err
	}
	value = c.literal(value)
	var match func(has, want string) bool
	switch modifier {
	case "":
		match = strings.HasPrefix
		if c.Mutant == StartsIsContains {
			match = strings.Contains
		}
	case "contains":
		match = strings.Contains
		if c.Mutant == ContainsIsStarts {
			match = strings.HasPrefix
		}
	case "exact":
		return func(_ *Resource, e item) bool {
			return plain(e.v) == value || c.Mutant == ExactFolds && c.fold(plain(e.v)) == c.fold(value)
		}, nil
	default:
		return nil, fmt.Errorf("no modifier :%s", modifier)
	}
	if value == "" {
		return nil, fmt.Errorf("no text")
	}
	return func(_ *Resource, e item) bool { return match(c.fold(plain(e.v)), c.fold(value)) }, nil
}

// fold leaves the base characters: no case, no combining characters, no punctuation and no
// repeated or other kinds of spaces.
func (c *Corpus) fold(s string) string {
	var b strings.Builder
	space := false
	for _, r := range norm.NFD.String(s) {
		switch {
		case unicode.Is(unicode.M, r) && c.Mutant != AccentsMatter:
			continue
		case !c.Readings.PunctuationCounts && unicode.IsPunct(r):
			continue
		case !c.Readings.PunctuationCounts && unicode.IsSpace(r):
			if space || b.Len() == 0 {
				continue
			}
			space, r = true, ' '
		default:
			space = false
		}
		if c.Mutant != CaseMatters {
			if !c.Readings.LowerIsFolded {
				r = unicode.ToUpper(r)
			}
			r = unicode.ToLower(r)
		}
		b.WriteRune(r)
	}
	return b.String()
}

// uri matches the whole, precisely.
func (c *Corpus) uri(value string) (matcher, error) {
	if _, err := split(value, ','); err != nil {
		return nil, err
	}
	value = c.literal(value)
	return func(_ *Resource, e item) bool {
		return plain(e.v) == value || c.Mutant == URIStarts && strings.HasPrefix(plain(e.v), value)
	}, nil
}
