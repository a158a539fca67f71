package cdshooks_test

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"unicode/utf16"

	"cannulary/internal/card"
	"cannulary/internal/web/cdshooks"
)

var uuid = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`)

// reporter is a test, of the standard library or of rapid.
type reporter interface {
	Helper()
	Errorf(format string, a ...any)
}

// conforms checks cards against the table "Card Attributes" of CDS Hooks 2.0
// (https://cds-hooks.hl7.org/2.0/#card-attributes), and against what this project asks of
// every card: the caution, the order and no more cards than can be read.
func conforms(t reporter, cards []cdshooks.Card) {
	t.Helper()
	order := []string{"critical", "warning", "info"}
	last := 0
	ids := map[string]bool{}
	if len(cards) == 0 || len(cards) > 8 {
		t.Errorf("there are %d cards", len(cards))
	}
	for i, c := range cards {
		if n := len(utf16.Encode([]rune(c.Summary))); n == 0 || n >= 140 {
			t.Errorf("card %d: a summary of %d characters: %q", i, n, c.Summary)
		}
		if strings.ContainsAny(c.Summary, "<>\n\r") {
			t.Errorf("card %d: the summary is not one plain line: %q", i, c.Summary)
		}
		at := slices.Index(order, c.Indicator)
		if at < last {
			t.Errorf("card %d: indicator %q after %q", i, c.Indicator, order[last])
		}
		last = at
		if !uuid.MatchString(c.UUID) || ids[c.UUID] {
			t.Errorf("card %d: uuid %q is none or not the only one", i, c.UUID)
		}
		ids[c.UUID] = true
		if c.Source.Label != "Cannulary" {
			t.Errorf("card %d: source %q", i, c.Source.Label)
		}
		if !strings.HasSuffix(c.Detail, card.Caution) {
			t.Errorf("card %d does not end with the caution: %q", i, c.Detail)
		}
		if !strings.Contains(c.Detail, "ule") { // "Rule …", "by rule …", "No rule …"
			t.Errorf("card %d names no rule: %q", i, c.Detail)
		}
		for _, l := range c.Links {
			if u, err := url.Parse(l.URL); err != nil || !u.IsAbs() || l.Type != "absolute" || l.Label == "" {
				t.Errorf("card %d: link %+v", i, l)
			}
		}
	}
}
