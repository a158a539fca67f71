package acceptance_test

import (
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/track"
	"cannulary/internal/whatif"
)

// everything is what the faces say that tell of all patients at once, by patient key.
type everything struct{ rows, today, pack, whatIf map[string]says }

func of(m map[string]says, key string) says {
	if m[key] == nil {
		m[key] = says{}
	}
	return m[key]
}

func (f *theFaces) everything(t *testing.T) everything {
	t.Helper()
	e := everything{map[string]says{}, map[string]says{}, map[string]says{}, map[string]says{}}
	f.readRows(t, e.rows)
	f.readToday(t, e.today)
	f.readPack(t, e.pack)
	f.readWhatIf(t, e.whatIf)
	return e
}

// readRows reads what lists and metrics are made of.
func (f *theFaces) readRows(t *testing.T, out map[string]says) {
	t.Helper()
	tracks, err := f.app.Store().Tracks(patience(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range tracks {
		s := of(out, r.Patient)
		s.add("stage", r.Track, "%s", r.Stage)
		s.add("count", r.Track, "%d of %d", r.Counted, r.Target)
		s.gap(r.Track, r.Again, r.OneMore)
		s.add("needle", r.Track, "%s", r.Needle)
		s.add("held", r.Track, "%v", r.Held)
	}
	holds, err := f.app.Store().Holds(patience(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range holds {
		of(out, h.Patient).add("shown", h.ID, "%s, %d as one", h.Rule, h.Count)
	}
}

var (
	todayRow    = regexp.MustCompile(`(?s)<li[^>]*><p class="c">.*?</li>`)
	todayWho    = regexp.MustCompile(`<a href="card\?patient=([0-9a-f]+)">`)
	todayTrack  = regexp.MustCompile(`<span class="([a-z]+)( held)?"><i>([^<]*)</i> [▲●✕] ([^<]*)</span>`)
	todayNeedle = regexp.MustCompile(`\b(sharp|blunt|none)\b`)
	todayCount  = regexp.MustCompile(`(\d+ of \d+) done`)
	todayHold   = regexp.MustCompile(`<p class="f stop">|<p class="f soft">A hold on [^<]*, which is no longer used`)
)

// readToday reads the page that people look at, of every facility: all its patients, due or not.
func (f *theFaces) readToday(t *testing.T, out map[string]says) {
	t.Helper()
	facilities, err := f.app.Store().Facilities(patience(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, facility := range facilities {
		for _, li := range todayRow.FindAllString(f.must("/?list=all&facility="+facility.ID), -1) {
			who := todayWho.FindStringSubmatch(li)
			if who == nil {
				t.Fatalf("a patient on Today has no card: %.300s", li)
			}
			s := of(out, who[1])
			for _, x := range todayTrack.FindAllStringSubmatch(li, -1) {
				name := html.UnescapeString(x[3])
				s.add("stage", name, "%s", x[1])
				s.add("held", name, "%v", x[2] != "")
				s.add("needle", name, "%s", todayNeedle.FindString(x[4]))
				if n := todayCount.FindStringSubmatch(x[4]); n != nil {
					s.add("count", name, "%s", n[1])
				}
			}
			if n := len(todayHold.FindAllString(li, -1)); n > 0 {
				s.add("holds", "", "%d", n)
			}
		}
	}
}

// readPack has the pack of a day without the service written, and reads it.
func (f *theFaces) readPack(t *testing.T, out map[string]says) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "pack")
	if code, _, stderr := cliRun(t, "card", "--all", "--http", "http://"+f.app.HTTPAddr(), "--out", dir); code != 0 {
		t.Fatalf("pack exits %d: %s", code, stderr)
	}
	b, err := os.ReadFile(filepath.Join(dir, "cards.json"))
	if err != nil {
		t.Fatal(err)
	}
	var cards []card.Card
	if err := json.Unmarshal(b, &cards); err != nil {
		t.Fatal(err)
	}
	for i := range cards {
		out[cards[i].Patient.ID] = cardSays(cards[i])
	}
}

// readWhatIf asks for a protocol under which hardly any track is what it is, and reads what the
// report says of the record.
func (f *theFaces) readWhatIf(t *testing.T, out map[string]says) {
	t.Helper()
	body := `{"version":"other","effectiveFrom":"2020-01-01",` +
		`"protocol":{"formingSessionsTarget":20,"trialSessions":9,"countNeedsListedCannulator":false}}`
	resp, err := http.Post("http://"+f.app.HTTPAddr()+"/what-if", "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("what-if answers %d: %s", resp.StatusCode, b)
	}
	var r whatif.Report
	if err := json.Unmarshal(b, &r); err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Patients {
		s := of(out, p.Patient)
		s.add("facility", "", "%s", p.Facility)
		for _, x := range p.Tracks {
			s.add("stage", x.Track, "%s", x.Recorded.Stage)
			s.add("count", x.Track, "%d of %d", x.Recorded.Counted, x.Recorded.Needed)
			s.add("needle", x.Track, "%s", x.Recorded.Needle)
		}
	}
}

// cardAt reads a card in JSON.
func (f *theFaces) cardAt(t *testing.T, key, asked string) card.Card {
	t.Helper()
	var c card.Card
	if err := json.Unmarshal([]byte(f.must("/card?patient="+key+asked)), &c); err != nil {
		t.Fatal(err)
	}
	return c
}

func cardSays(c card.Card) says {
	s := says{}
	s.add("facility", "", "%s", c.Facility)
	for _, x := range c.Tracks {
		s.add("stage", x.Name, "%s", x.Stage)
		s.add("count", x.Name, "%d of %d", x.SessionsCounted, x.SessionsTarget)
		s.gap(x.Name, x.Again, x.OneMore)
		s.add("needle", x.Name, "%s", x.Next.Needle)
		s.add("held", x.Name, "%s", strings.Join(slices.Sorted(slices.Values(x.Held)), " "))
		if x.Next.Needle != string(track.None) {
			depth := 0.0
			if x.Next.DepthMillimetres != nil {
				depth = *x.Next.DepthMillimetres
			}
			s.add("way", x.Name, "%s %g", x.Next.Direction, depth)
		}
	}
	for _, h := range slices.Concat(c.Holds, c.History) {
		s.add("shown", h.ID, "%s, %d as one", h.Rule, len(h.IDs))
		for _, id := range h.IDs {
			s.add("hold", id, "%s", h.Rule)
		}
		s.add("needled", h.ID, "%d %s", h.NeedledSessions, h.NeedledLast)
	}
	return s
}

// resource is what of an Observation or a Flag is compared.
type resource struct {
	ID     string
	Status string
	Code   struct {
		Text   string
		Coding []struct{ Code string }
	}
	ValueCodeableConcept struct{ Coding []struct{ Code string } }
	Component            []struct {
		Code                 struct{ Coding []struct{ Code string } }
		ValueInteger         *int
		ValueCodeableConcept struct{ Coding []struct{ Code string } }
	}
}

func (f *theFaces) search(t *testing.T, query string) []resource {
	t.Helper()
	var bundle struct{ Entry []struct{ Resource resource } }
	if err := json.Unmarshal([]byte(f.must("/fhir/"+query)), &bundle); err != nil {
		t.Fatal(err)
	}
	var out []resource
	for _, e := range bundle.Entry {
		out = append(out, e.Resource)
	}
	return out
}

// fhirSays is what standard resources say of a patient.
func (f *theFaces) fhirSays(t *testing.T, key string) says {
	t.Helper()
	s := says{}
	for _, o := range f.search(t, "Observation?patient="+key+"&code=track-maturity&status=final&_count=200") {
		name, ok := strings.CutPrefix(o.Code.Text, "Maturity of track ")
		name, _, _ = strings.Cut(name, " ")
		if !ok {
			t.Fatalf("an Observation of a maturity is called %q", o.Code.Text)
		}
		s.add("stage", name, "%s", strings.TrimPrefix(coded(o.ValueCodeableConcept.Coding), "track-stage-"))
		parts := map[string]string{}
		for _, c := range o.Component {
			if c.ValueInteger != nil {
				parts[coded(c.Code.Coding)] = fmt.Sprint(*c.ValueInteger)
			} else {
				parts[coded(c.Code.Coding)] = coded(c.ValueCodeableConcept.Coding)
			}
		}
		s.add("count", name, "%s of %s", parts["sessions-counted"], parts["sessions-needed"])
		s.add("needle", name, "%s", strings.TrimPrefix(strings.TrimPrefix(parts["next-needle"], "needle-tip-"), "next-needle-"))
	}
	for _, x := range f.search(t, "Flag?patient="+key+"&status=active&_count=200") {
		s.add("hold", x.ID, "%s", strings.TrimPrefix(coded(x.Code.Coding), "rule-"))
	}
	return s
}

// coded is the first code.
func coded(list []struct{ Code string }) string {
	if len(list) == 0 {
		return ""
	}
	return list[0].Code
}

var (
	hookTrack = regexp.MustCompile(`\*\*Track (\w+)\*\*: [^\n]*?, stage (\w+)[^\n]*\n\n((?:[-*] [^\n]*\n?)+)`)
	hookNext  = regexp.MustCompile(`Next: \*\*(sharp|blunt) needle\*\*|\*\*(No) needle\*\*`)
	hookCount = regexp.MustCompile(`(\d+ of \d+) sharp sessions count(?:, and the last| so far\.)`)
	hookHold  = regexp.MustCompile(`To look it up: (?:[Hh]old |\d+ (?:holds|reports shown as one hold), to be lifted together: )([0-9a-f]+)`)
)

// hookSays asks the service of CDS Hooks about a number.
func (f *theFaces) hookSays(t *testing.T, number string) says {
	t.Helper()
	body := fmt.Sprintf(`{"hook":"patient-view","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",`+
		`"context":{"userId":"Practitioner/abc","patientId":"77"},`+
		`"prefetch":{"patient":{"resourceType":"Patient","id":"77","identifier":[{"system":%q,"value":%q}]}}}`, mrnOf, number)
	resp, err := http.Post("http://"+f.app.HTTPAddr()+"/cds-services/"+url.PathEscape("needling-advice"), "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var answer struct {
		Cards []struct{ Summary, Detail string }
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("the hook answers %d: %v", resp.StatusCode, err)
	}
	s := says{}
	for _, c := range answer.Cards {
		for _, x := range hookTrack.FindAllStringSubmatch(c.Detail+"\n", -1) {
			s.add("stage", x[1], "%s", x[2])
			if n := hookNext.FindStringSubmatch(x[3]); n != nil {
				s.add("needle", x[1], "%s", strings.Replace(n[1]+n[2], "No", "none", 1))
			}
			if n := hookCount.FindStringSubmatch(x[3]); n != nil {
				s.add("count", x[1], "%s", n[1])
			}
		}
		for _, x := range hookHold.FindAllStringSubmatch(c.Detail, -1) {
			s.add("hold", x[1], "")
		}
	}
	return s
}
