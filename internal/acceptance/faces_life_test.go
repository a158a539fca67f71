package acceptance_test

import (
	"encoding/json"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/life"
)

var lifeNeedle = regexp.MustCompile(`(?s)<p class="life-state">.*?<span class="needle (\w+)">`)

// lifeSays is what the pages of the lives of a patient's tracks say: as JSON, and of the next
// needle as a page. Each life ends with that needle.
func (f *theFaces) lifeSays(t *testing.T, key, asked string, tracks []string) says {
	t.Helper()
	s := says{}
	for _, name := range tracks {
		at := "/track?patient=" + key + "&track=" + url.QueryEscape(name) + asked
		var l life.Life
		if err := json.Unmarshal([]byte(f.must(at+"&format=json")), &l); err != nil {
			t.Fatal(err)
		}
		x := l.Track
		s.add("stage", x.Name, "%s", x.Stage)
		s.add("count", x.Name, "%d of %d", x.SessionsCounted, x.SessionsTarget)
		s.gap(x.Name, x.Again, x.OneMore)
		s.add("held", x.Name, "%s", strings.Join(slices.Sorted(slices.Values(x.Held)), " "))
		page := lifeNeedle.FindStringSubmatch(f.must(at + "&format=html"))
		if page == nil || l.Now == nil || l.Now.Needle != page[1] {
			t.Errorf("the life of %s%s ends with %+v; its page says %v", name, asked, l.Now, page)
			continue
		}
		s.add("needle", x.Name, "%s", page[1])
	}
	return s
}

// tracksOf are the tracks that a judgement names.
func tracksOf(s says) []string {
	var out []string
	for k := range s.only("stage") {
		out = append(out, strings.TrimPrefix(k, "stage "))
	}
	slices.Sort(out)
	return out
}
