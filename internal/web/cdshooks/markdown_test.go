package cdshooks_test

import (
	"strings"
	"testing"

	"cannulary/internal/web/cdshooks"
)

// The constructs are those of CommonMark and of GitHub-flavoured Markdown's extensions
// (https://github.github.com/gfm/): none of them may come of what a person recorded.
func TestRecordedTextMakesNoMarkdown(t *testing.T) {
	for _, x := range []struct{ recorded, written string }{
		{"redness at the site of A1", "redness at the site of A1"},
		{"10 days (more than 7), 16G, 26°; pain 2 of 10.", "10 days (more than 7), 16G, 26°; pain 2 of 10."},
		{"<script>alert(1)</script>", "&lt;script&gt;alert(1)&lt;/script&gt;"},
		{`<img src=x onerror="alert(1)">`, `&lt;img src=x onerror="alert(1)"&gt;`},
		{"&lt;b&gt;", "&amp;lt;b&amp;gt;"},
		{"[call](http://evil.example)", `\[call\](http: //evil.example)`},
		{"![x](//evil.example/x.png)", `!\[x\](//evil.example/x.png)`},
		{"see https://evil.example", `see https: //evil.example`},
		{"see www.evil.example", `see www\.evil.example`},
		{"see WWW.evil.example", `see WWW\.evil.example`},
		{"write to a@evil.example", `write to a\@evil.example`},
		{"*x* __y__ ~~z~~ `q`", "\\*x\\* \\_\\_y\\_\\_ \\~\\~z\\~\\~ \\`q\\`"},
		{"# heading", `\# heading`},
		{"- item", `\- item`}, {"+ item", `\+ item`}, {"=====", `\=====`},
		{"1. item", `1\. item`}, {"12) item", `12\) item`}, {"1.5 mm", `1\.5 mm`},
		{"| a | b |", `\| a \| b \|`},
		{"> quote", "&gt; quote"},
		{`back\slash`, `back\\slash`},
		{"  two\n\nlines\tand\ra tab ", "two lines and a tab"},
		{"\u202etxet\u200b\x1b[2J", `txet \[2J`},
		{"", ""},
	} {
		if got := cdshooks.Escape(x.recorded); got != x.written {
			t.Errorf("%q is written %q, expected %q", x.recorded, got, x.written)
		}
		if got := plain(cdshooks.Escape(x.recorded)); got != unlinked(x.recorded) {
			t.Errorf("%q reads %q", x.recorded, got)
		}
	}
}

// unlinked is a text as it shows: addresses have a space before their slashes.
func unlinked(s string) string { return strings.ReplaceAll(cdshooks.Printable(s), "://", ": //") }

func FuzzEscape(f *testing.F) {
	for _, s := range []string{"<b>", "`", "1.", "www.x", "a://b", "\\", "&amp;", "\u202e", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := cdshooks.Escape(s)
		if strings.ContainsAny(got, "<>\n\r") || plain(got) != unlinked(s) {
			t.Errorf("%q is written %q and reads %q", s, got, plain(got))
		}
	})
}

func TestSummariesAreShortPlainLines(t *testing.T) {
	for _, x := range []struct{ from, to string }{
		{"Do not needle track A1: pus", "Do not needle track A1: pus"},
		{"a <b>bold</b>\nreason", "a ‹b›bold‹/b› reason"},
		{strings.Repeat("x", 139), strings.Repeat("x", 139)},
		{strings.Repeat("x", 140), strings.Repeat("x", 138) + "…"},
		{strings.Repeat("y", 136) + ", and more", strings.Repeat("y", 136) + "…"},
		{strings.Repeat("😀", 70), strings.Repeat("😀", 69) + "…"}, // two units each
	} {
		if got := cdshooks.Summary(x.from); got != x.to {
			t.Errorf("%q becomes %q, expected %q", x.from, got, x.to)
		}
	}
}

func TestUUIDs(t *testing.T) {
	// The example of RFC 9562, appendix A.4.
	if got := cdshooks.UUID5("www.example.com"); got != "2ed6657d-e927-568b-95e1-2665a8aea6a2" {
		t.Errorf("version 5 of www.example.com is %s", got)
	}
	for s, want := range map[string]bool{
		"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea": true, "D1577C69-DFBE-44AD-BA6D-3E05E953B2EA": true,
		"": false, "d1577c69dfbe44adba6d3e05e953b2ea": false, "d1577c69-dfbe-44ad-ba6d-3e05e953b2eg": false,
		"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea0": false, "urn:uuid:d1577c69-dfbe-44ad-ba6d-3e05e953b2ea": false, "d1577c69_dfbe-44ad-ba6d-3e05e953b2ea": false,
	} {
		if cdshooks.IsUUID(s) != want {
			t.Errorf("%q: %v", s, !want)
		}
	}
}
