package cdshooks

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"cannulary/internal/card"
)

// label names the source of every card.
const label = "Cannulary"

// Indicators, in the order of the standard's urgency.
const (
	Info     = "info"
	Warning  = "warning"
	Critical = "critical"
)

// Card is a card of CDS Hooks 2.0, with the attributes that are used here.
type Card struct {
	// UUID is made from the patient and the content: the same advice for the same patient
	// has the same one.
	UUID      string `json:"uuid"`
	Summary   string `json:"summary"` // fewer than 140 characters, plain
	Detail    string `json:"detail"`  // GitHub-flavoured Markdown
	Indicator string `json:"indicator"`
	Source    Source `json:"source"`
	Links     []Link `json:"links,omitempty"`
}

// Source says where a card comes from.
type Source struct {
	Label string `json:"label"`
	URL   string `json:"url,omitempty"`
}

// Link leads to a page.
type Link struct {
	Label string `json:"label"`
	URL   string `json:"url"`
	Type  string `json:"type"` // "absolute"
}

// Site is where this service is found from outside. Its zero value gives no addresses.
type Site struct {
	// Source is the address that the source of a card leads to.
	Source string
	// Board is the address below which the pages are, with no slash at its end.
	Board string
}

// draft is a card before it is closed.
type draft struct {
	indicator, summary string
	parts              []string // paragraphs and lists, in Markdown
}

func (d *draft) say(parts ...string) {
	for _, p := range parts {
		if p != "" {
			d.parts = append(d.parts, p)
		}
	}
}

// finish closes drafts: most severe first, each with the caution, source and id. subject
// tells patients apart whose cards say the same; key, where there is one, is the patient key
// by which the pages show the chairside card.
func finish(drafts []draft, site Site, subject, key string) []Card {
	slices.SortStableFunc(drafts, func(a, b draft) int { return urgency(b.indicator) - urgency(a.indicator) })
	out := make([]Card, 0, len(drafts))
	alike := map[string]int{} // cards of the same words
	for _, d := range drafts {
		d.say(escape(card.Caution))
		c := Card{Summary: summary(d.summary), Detail: strings.Join(d.parts, "\n\n"), Indicator: d.indicator,
			Source: Source{Label: label, URL: site.Source}}
		if site.Board != "" && key != "" {
			c.Links = []Link{{Label: "The whole chairside card", Type: "absolute",
				URL: site.Board + "/card?" + url.Values{"patient": {key}}.Encode()}}
		}
		content, err := json.Marshal(c)
		if err != nil {
			panic(err) // plain strings: cannot happen
		}
		name := subject + "\x00" + string(content)
		n := alike[name]
		if alike[name]++; n > 0 { // two tracks may be told in the same words
			name += fmt.Sprintf("\x00%d", n)
		}
		c.UUID = uuidText(uuid5(cardSpace, []byte(name)))
		out = append(out, c)
	}
	return out
}

func urgency(indicator string) int { return slices.Index([]string{Info, Warning, Critical}, indicator) }

// list is a list in Markdown; empty items are left out.
func list(items ...string) string {
	var b strings.Builder
	for _, i := range items {
		if i != "" {
			b.WriteString("- " + i + "\n")
		}
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// sentence ends with a full stop.
func sentence(s string) string {
	if s = strings.TrimSpace(s); s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
