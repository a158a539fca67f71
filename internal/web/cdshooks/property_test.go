package cdshooks_test

import (
	"fmt"
	"html"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"cannulary/fhir"
	"cannulary/internal/card"
	"cannulary/internal/track/rule"
	"cannulary/internal/web/cdshooks"
)

// nothingIsMissing checks that every hold and every standing finding of the chairside card is
// told: a hold and a finding that stops on the critical card, with place, rule and facts.
func nothingIsMissing(t reporter, c card.Card, cards []cdshooks.Card) {
	t.Helper()
	details := map[string]string{}
	for _, x := range cards {
		details[x.Indicator] += strings.ToLower(plain(x.Detail))
	}
	has := func(what, indicator, s string) {
		t.Helper()
		if s := strings.ToLower(unlinked(s)); !strings.Contains(details[indicator], s) {
			t.Errorf("%s: no %q on a card that is %s: %q", what, s, indicator, details[indicator])
		}
	}
	for _, h := range c.Holds {
		since := c.Time(h.Since)
		if h.Day != "" {
			since = h.Day
		}
		for _, s := range []string{h.ID, fhir.RuleName(h.Rule), h.Seen, since} {
			has("hold "+h.ID, cdshooks.Critical, s)
		}
		for _, p := range append(slices.Clone(h.Tracks), h.Accesses...) {
			has("hold "+h.ID, cdshooks.Critical, p)
		}
	}
	all := slices.Clone(c.Findings)
	for _, a := range c.Accesses {
		all = append(all, a.Findings...)
	}
	for _, x := range c.Tracks {
		all = append(all, x.Findings...)
	}
	for _, f := range all {
		indicator := map[string]string{string(rule.Stop): cdshooks.Critical, string(rule.Note): cdshooks.Info}[f.Severity]
		if indicator == "" {
			indicator = cdshooks.Warning
		}
		// A scab kept only that entry away: with nothing graver it is a warning once another needle comes next.
		if f.Rule == rule.ScabIncomplete && details[cdshooks.Critical] == "" {
			indicator = cdshooks.Warning
		}
		for _, x := range append([]string{fhir.RuleName(f.Rule), f.Seen, f.Scope}, f.Facts...) {
			has("finding "+f.ID, indicator, x)
		}
	}
	for _, n := range c.Notices {
		found := false
		for _, x := range cards {
			found = found || strings.Contains(plain(x.Detail), unlinked(n))
		}
		if !found {
			t.Errorf("the notice %q is missing", n)
		}
	}
}

var escaped = regexp.MustCompile("\\\\([!-/:-@\\[-`{-~])")

// plain takes back what was escaped, as a renderer of Markdown does (CommonMark, sections 2.4
// and 2.5).
func plain(markdown string) string {
	return html.UnescapeString(escaped.ReplaceAllString(markdown, "$1"))
}

// words are texts that people record, and such as nobody should.
func words() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.SampledFrom([]string{"redness", "no thrill", "pus at the site of A1", "<script>alert(1)</script>", "[call](http://evil.example)", "a\n\n# b", "![x](//evil.example/x.png)",
			"| a | b |", "```", "\u202etxet", "www.evil.example", "&lt;b&gt;", "1. one", "- two", "*x* _y_ ~~z~~", "(a) (b"}),
		rapid.String(), rapid.StringN(100, 400, -1))
}

// anyCard is a card as no history would give it: whatever holds, findings and tracks.
func anyCard() *rapid.Generator[card.Card] {
	return rapid.Custom(func(t *rapid.T) card.Card {
		since := time.Date(2025, 3, 5, 7, 40, 0, 0, time.UTC)
		places := []string{"A1", "V1", "A<b>2</b>", "x_y"}
		place := rapid.SampledFrom(places)
		rules := rapid.SampledFrom([]string{rule.SiteInfection, rule.ThrillAbsent, rule.Person, rule.SpacingShort, rule.GapLong, rule.Rescue, "a-rule-of-tomorrow"})
		n := 0
		finding := func(scope string) card.Finding {
			n++
			f := card.Finding{ID: fmt.Sprint("f", n), Rule: rules.Draw(t, "rule"), Severity: rapid.SampledFrom([]string{"stop", "caution", "note", "unheard-of"}).Draw(t, "severity"), Scope: scope,
				Since: since.AddDate(0, 0, rapid.IntRange(0, 1).Draw(t, "day")), Seen: words().Draw(t, "seen"), Facts: []string{fmt.Sprintf("%032x.0", n)}}
			f.Text = f.Seen + " (" + words().Draw(t, "asked") + ")"
			return f
		}
		some := func(scope string) (out []card.Finding) {
			for range rapid.IntRange(0, 2).Draw(t, "findings") {
				out = append(out, finding(scope))
			}
			return out
		}
		c := card.Card{Patient: card.Patient{ID: "p"}, Lagging: rapid.Bool().Draw(t, "lagging"), Quarantined: rapid.IntRange(0, 2).Draw(t, "quarantined"), Findings: some("")}
		for range rapid.IntRange(0, 3).Draw(t, "holds") {
			n++
			h := card.Hold{ID: fmt.Sprintf("%032x", n), Rule: rules.Draw(t, "rule"), Since: since, Seen: words().Draw(t, "seen"), Ground: fmt.Sprintf("%032x.1", n)}
			for range rapid.IntRange(0, 5).Draw(t, "held") {
				h.Tracks = append(h.Tracks, place.Draw(t, "track"))
			}
			h.Accesses = []string{place.Draw(t, "access")}
			h.Scope = "access " + h.Accesses[0]
			for _, x := range h.Tracks {
				h.Scope += ", track " + x
			}
			c.Holds = append(c.Holds, h)
		}
		c.Accesses = []card.Access{{Name: "F1", Findings: some("access F1")}}
		for i := range rapid.IntRange(0, 7).Draw(t, "tracks") {
			x := card.Track{ID: fmt.Sprint("t", i), Name: place.Draw(t, "name"), Access: "F1", Stage: rapid.SampledFrom([]string{"forming", "established", "retired"}).Draw(t, "stage"),
				Next: card.Next{Needle: rapid.SampledFrom([]string{"sharp", "blunt", "none"}).Draw(t, "needle"), Why: words().Draw(t, "why")}}
			x.Findings = append(some("track "+x.Name), c.Accesses[0].Findings...)
			c.Tracks = append(c.Tracks, x)
		}
		for range rapid.IntRange(0, 3).Draw(t, "notices") {
			c.Notices = append(c.Notices, words().Draw(t, "notice"))
		}
		return c
	})
}

// Whatever the chairside card says: no hold and no finding is lost, every card conforms, and
// the same card gives the same answer, ids included.
func TestNothingOfACardIsLost(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		c := anyCard().Draw(r, "card")
		cards := cdshooks.Advice(c, site)
		conforms(r, cards)
		nothingIsMissing(r, c, cards)
		if again := cdshooks.Advice(c, site); !reflect.DeepEqual(cards, again) {
			r.Errorf("the same card gives another answer")
		}
		if len(c.Holds) > 0 && cards[0].Indicator != cdshooks.Critical {
			r.Errorf("a hold is open and the first card is %s", cards[0].Indicator)
		}
	})
}
