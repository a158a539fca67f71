package acceptance_test

import (
	"html"
	"regexp"
	"strings"
	"testing"
)

var (
	cardNeedle  = regexp.MustCompile(`(?s)<section class="next-needle (\w+)".*?</section>`)
	cardTrack   = regexp.MustCompile(`<span class="name">([^<]*)</span> · <span class="stage">(\w+)</span>( <span class="held">)?`)
	cardCounted = regexp.MustCompile(`<span class="count">(\d+ of \d+) count</span>`)
	cardAgain   = regexp.MustCompile(`<span class="count">counting starts again</span>`)
	cardSoFar   = regexp.MustCompile(`<span class="count">(\d+) count so far</span>`)
	cardNumber  = regexp.MustCompile(`<dt>(\w+)</dt><dd>([^<]*)</dd>`)
	cardRetired = regexp.MustCompile(`<h3 id="track-\d+-recent">\w* ?([A-Za-z0-9._:-]+), (retired) <a`)
	cardHold    = regexp.MustCompile(`Hold <code>([0-9a-f]+)</code>`)
	cardHistory = regexp.MustCompile(`<p class="quiet">History: [^<]*`)
	cardOld     = regexp.MustCompile(`[0-9a-f]{20,}`)
)

// pageSays reads the card's page as a person does: stage, count, needle, its direction and depth,
// whether it is held, and the ids of the holds.
func (f *theFaces) pageSays(t *testing.T, key, asked string) says {
	t.Helper()
	page := f.must("/card?format=html&patient=" + key + asked)
	s := says{}
	for _, box := range cardNeedle.FindAllStringSubmatch(page, -1) {
		x := cardTrack.FindStringSubmatch(box[0])
		if x == nil {
			t.Fatalf("a needle on the page of %s has no track: %.300s", key, box[0])
		}
		name := html.UnescapeString(x[1])
		s.add("stage", name, "%s", x[2])
		s.add("needle", name, "%s", box[1])
		s.add("held", name, "%v", x[3] != "")
		if n := cardCounted.FindStringSubmatch(box[0]); n != nil {
			s.add("count", name, "%s", n[1])
		}
		if cardAgain.MatchString(box[0]) {
			s.add("course", name, "starts again")
		}
		if n := cardSoFar.FindStringSubmatch(box[0]); n != nil {
			s.add("course", name, "%s so far", n[1])
		}
		way, depth := "", "0"
		for _, n := range cardNumber.FindAllStringSubmatch(box[0], -1) {
			switch n[1] + " " + n[2] {
			case "Needle with the flow":
				way = "antegrade"
			case "Needle against the flow":
				way = "retrograde"
			}
			if mm, ok := strings.CutSuffix(n[2], " mm"); ok && n[1] == "Depth" {
				depth = mm
			}
		}
		if box[1] != "none" {
			s.add("way", name, "%s %s", way, depth)
		}
	}
	for _, x := range cardRetired.FindAllStringSubmatch(page, -1) {
		s.add("stage", x[1], "%s", x[2])
	}
	for _, x := range cardHold.FindAllStringSubmatch(page, -1) {
		s.add("hold", x[1], "")
	}
	for _, line := range cardHistory.FindAllString(page, -1) {
		for _, id := range cardOld.FindAllString(line, -1) {
			s.add("hold", id, "")
		}
	}
	return s
}

// onPage is what the page of a card must say of what was expected. The count stands there while a
// track forms and has a needle.
func onPage(want says) says {
	out := want.only("stage").with(want.without("needle", "retired").only("needle")).with(want.without("way", "retired").only("way"))
	for k, v := range want.without("held", "retired").only("held") {
		_, name, _ := strings.Cut(k, " ")
		out.add("held", name, "%v", v != "")
	}
	for k, v := range want.only("count") {
		_, name, _ := strings.Cut(k, " ")
		switch stage := want["stage "+name]; {
		case want["needle "+name] == "none":
		case stage != "planned" && stage != "forming" && stage != "ready":
		case strings.HasPrefix(want["gap "+name], "again"):
			out.add("course", name, "starts again")
		case want["needle "+name] == "sharp" && !want.within(name):
			counted, _, _ := strings.Cut(v, " ")
			out.add("course", name, "%s so far", counted)
		default:
			out[k] = want.course(name)
		}
	}
	for k := range want.only("hold") {
		out[k] = ""
	}
	return out
}

// with adds the sayings of another.
func (s says) with(more says) says {
	for k, v := range more {
		s[k] = v
	}
	return s
}
