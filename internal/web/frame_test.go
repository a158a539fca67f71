package web_test

import (
	"encoding/json"
	"fmt"
	"html"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/card"
	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

// hasScript reports whether a page has a script beside the one that every page loads.
func hasScript(page string) bool {
	return strings.Contains(regexp.MustCompile(`<script src="live\.js\?v=[0-9a-f]+" defer></script>`).ReplaceAllString(page, ""), "<script")
}

// message is a message of a file, with the form for one where there is one.
type message struct{ One, Other string }

func (m *message) UnmarshalJSON(b []byte) error {
	if json.Unmarshal(b, &m.Other) == nil {
		return nil
	}
	var forms map[string]string
	err := json.Unmarshal(b, &forms)
	m.One, m.Other = forms["one"], forms["other"]
	return err
}

func messages(t *testing.T, tag string) map[string]message {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("page", "messages", tag+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var out map[string]message
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// placeholders are what a message is told: {{.Name}} by the server, {name} by the script.
func placeholders(s string) []string {
	found := regexp.MustCompile(`\{\{\.\w+\}\}|\{\w+\}`).FindAllString(s, -1)
	slices.Sort(found)
	return slices.Compact(found)
}

// TestMessages: every key that a page uses is in each language, with the same placeholders, and
// no key is there for nothing. A key that is put together from a beginning and a value stands for
// all keys of that beginning.
func TestMessages(t *testing.T) {
	used := map[string]bool{}
	call := regexp.MustCompile(`\b(?:t|print) "([^"]+)"|\.(?:say|must)\("([^"]+)"|"([a-z]+\.)" \+`)
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if d != nil && d.Name() == "cdshooks" {
			return fs.SkipDir // its words are an EHR's, in English
		}
		if err != nil || d.IsDir() || strings.HasSuffix(path, "_test.go") || !strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, ".html") {
			return err
		}
		b, err := os.ReadFile(path)
		for _, m := range call.FindAllStringSubmatch(string(b), -1) {
			used[m[1]+m[2]+m[3]] = true
		}
		return err
	})
	if err != nil || len(used) < 60 {
		t.Fatalf("%d keys are used: %v", len(used), err)
	}
	english := messages(t, "en")
	uses := func(key string) bool {
		return used[key] || used[key[:strings.LastIndex(key, ".")+1]]
	}
	for key := range english {
		if !uses(key) {
			t.Errorf("no page says %q", key)
		}
	}
	for key := range used {
		if _, ok := english[key]; !ok && !strings.HasSuffix(key, ".") {
			t.Errorf("%q is used and no message", key)
		}
	}
	for _, l := range web.Languages() {
		of := messages(t, l.Tag)
		for key, m := range english {
			other, ok := of[key]
			switch {
			case !ok || other.Other == "":
				t.Errorf("%s has no %q", l.Tag, key)
			case (m.One == "") != (other.One == ""):
				t.Errorf("%s: %q has other forms than in English", l.Tag, key)
			case !slices.Equal(placeholders(m.One+m.Other), placeholders(other.One+other.Other)):
				t.Errorf("%s: %q is told %v, in English %v", l.Tag, key, placeholders(other.One+other.Other), placeholders(m.One+m.Other))
			}
		}
		for key := range of {
			if _, ok := english[key]; !ok {
				t.Errorf("%s says %q, which English does not", l.Tag, key)
			}
		}
	}
	if english["frame.caution"].Other != card.Caution {
		t.Errorf("the frame cautions %q, the card %q", english["frame.caution"].Other, card.Caution)
	}
}

// Every side, place and kind that an access may have has words, or the card would have no page.
func TestEveryPlaceOfAnAccessHasWords(t *testing.T) {
	english := messages(t, "en")
	for prefix, values := range map[string]protoreflect.EnumDescriptor{"card.side.": v1.BodySide(0).Descriptor(),
		"card.region.": v1.AccessRegion(0).Descriptor()} {
		for i := 1; i < values.Values().Len(); i++ {
			name := strings.TrimPrefix(string(values.Values().Get(i).Name()), map[string]string{"card.side.": "BODY_SIDE_",
				"card.region.": "ACCESS_REGION_"}[prefix])
			if key := prefix + strings.ToLower(strings.ReplaceAll(name, "_", "-")); english[key].Other == "" {
				t.Errorf("there is no %q", key)
			}
		}
	}
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("P-1", "Quombave", "Zaph", "1951-03-12")
	for kind := range v1.AccessKind_name {
		if kind == 0 {
			continue
		}
		name := fmt.Sprint("x", kind)
		u.roster("P-1", at(85), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: name, Kind: v1.AccessKind(kind)}}})
		u.cannulation("P-1", at(80), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: name,
			Tracks: []*v1.TrackPlan{{Track: "t" + name, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}}}})
	}
	u.settle()
	says(t, u.cardPageOf("P-1", ""), "access x2 · graft<", "access x3 · tunneled catheter<", "access x4 · non-tunneled catheter<",
		"access x5 · another kind of access<", "access x1<")
}

func TestADraftSaysSo(t *testing.T) {
	u := one(t)
	const draft = "Entwurf"
	if page := u.page("/?facility=" + facility); strings.Contains(page, "draft") || strings.Contains(page, draft) {
		t.Error("the English page is called a draft")
	}
	u.cfg.Language = "de"
	u.handler = web.Pages(u.cfg)
	for _, target := range []string{"/?facility=" + facility, byIdentifier("P-1")} {
		says(t, u.page(target), `<html lang="de">`, draft, ">Heute</a>")
	}
	// What the judgement says stays English, and says so.
	says(t, u.page("/"), "Gesperrt: track A1, seit ", `. <span lang="en">Pus &amp; redness`)
	err := web.CheckLanguage("xx")
	if err == nil || err.Error() != `there are no pages in the language "xx". Choose en or de` || web.CheckLanguage("de") != nil {
		t.Errorf("another language is answered %v", err)
	}
}

// TestFrame: every page loads its own style and script by addresses that change with them, has the
// caution, and says when it was made by the facility's clocks.
func TestFrame(t *testing.T) {
	u := one(t)
	for target, current := range map[string]string{"/?facility=" + facility: `aria-current="page">Today</a>`, byIdentifier("P-1"): ">Today</a>"} {
		page := u.page(target)
		says(t, page, html.EscapeString(card.Caution), current, `href="./?facility=test-unit"`, `href="unit?facility=test-unit"`, ">Invented unit<",
			"(Pacific/Auckland)", `data-from="live?facility=test-unit"`)
		for _, file := range []string{"style.css", "live.js"} {
			address := regexp.MustCompile(regexp.QuoteMeta(file) + `\?v=[0-9a-f]{12}`).FindString(page)
			if a := u.get("/" + address); address == "" || a.status != http.StatusOK || !strings.Contains(a.head.Get("Cache-Control"), "immutable") {
				t.Errorf("%s: %q is answered %d %v", target, address, a.status, a.head)
			}
		}
		if regexp.MustCompile(`(?i)<style|style=|\son[a-z]+=|javascript:|https?://[^c]`).MatchString(page) {
			t.Errorf("%s: style or script stands in the page, or it asks outside", target)
		}
	}
}
