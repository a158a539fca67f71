package web_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	figures "cannulary/internal/unit"
	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

// ward is a unit with two patients with tracks, one of them held, and rated staff.
func ward(t testing.TB) *unit {
	u := open(t)
	u.register("Pacific/Auckland")
	u.identity("P-1", "Quombave", "Zaph & <b>", "1951-03-12")
	u.identity("P-2", "Oqualavevmont", "Jory", "1950-01-02")
	rated := func(who string, level v1.CannulatorLevel, daysAgo int) {
		u.roster("", at(daysAgo), &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{
			Cannulator: staff(who), Level: level}}})
	}
	rated("zz-9", v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT, 40)
	rated("nurse-1", v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, 99)
	rated("old <i>", v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, 400)
	for i := range 7 {
		u.sharp("P-1", "A1", at(40-2*i))
	}
	u.sharp("P-2", "B1", at(5))
	u.cannulation("P-2", at(4), &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{Review: "R1", Track: "B1",
		Reason: "it is new"}}})
	u.roster("P-2", at(5), &v1.RosterFact{Fact: &v1.RosterFact_DeputyNamed{DeputyNamed: &v1.DeputyNamed{Track: "B1", Deputy: staff("zz-9")}}})
	u.hold("P-1", "A1", "pus & redness <b>seen</b>", at(3))
	u.settle()
	return u
}

// unitJSON is what /unit answers as JSON.
type unitJSON struct {
	figures.Figures
	From, Until string
	Years       []figures.Years `json:"thisYearAgainstLast"`
	Open        struct {
		Holds, Reviews, Cautions []struct {
			Patient, Track string
			Texts          []string
		}
	}
	Caution string
}

func (u *unit) figures(target string) (out unitJSON) {
	u.t.Helper()
	a := u.get(target, "application/json")
	if err := json.Unmarshal([]byte(a.body), &out); err != nil || a.status != 200 {
		u.t.Fatalf("%s: %d %v %s", target, a.status, err, a.body)
	}
	return out
}

// monthThere is the month that the facility of ward is in: no later one has begun.
func monthThere(t *testing.T) string {
	zone, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	return time.Now().In(zone).Format("2006-01")
}

func TestTheUnitInFigures(t *testing.T) {
	u := ward(t)
	f := u.figures("/unit?facility=" + facility + "&until=" + monthThere(t))
	stages := map[string]int{}
	for _, s := range f.Stages {
		stages[string(s.Stage)] = s.Tracks
	}
	if stages["forming"] != 2 || f.Readiness.Begun != 2 || f.Readiness.Reached != 1 || f.Readiness.OnTheWay != 1 || *f.Readiness.Median != 10 {
		t.Errorf("stages %v, readiness %+v", stages, f.Readiness)
	}
	if f.Continuity.Listed != 8 || f.Continuity.Share.Of != 8 || f.Continuity.Most != 1 || f.Blunt.Of != 0 {
		t.Errorf("continuity %+v, blunt %+v", f.Continuity, f.Blunt)
	}
	if len(f.Open.Holds) != 1 || len(f.Open.Reviews) != 1 || f.Open.Reviews[0].Track != "B1" || f.Caution != card.Caution {
		t.Errorf("open is %+v", f.Open)
	}
	if n := len(f.Years); n != 8 {
		t.Errorf("%d lines compare the years, want six of infections and two of needling", n)
	}
	// The stages are those of the stored judgement, which Today shows.
	stored, err := u.store.Tracks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range stored {
		stages[s.Stage]--
	}
	for s, n := range stages {
		if n != 0 {
			t.Errorf("stage %s: %d tracks more than the view has", s, n)
		}
	}
}

func TestTheUnitInWords(t *testing.T) {
	u := ward(t)
	page := u.page("/unit?until=" + monthThere(t))
	says(t, page, "The unit: Invented unit", `stage=forming"><b>2</b> forming`, "A quarter were ready after 10 days. Half of the tracks were ready after 10 days. Three quarters were ready after 10 days.",
		"Tracks that were begun in these months: 2. Became ready: 1. On the way: 1. Ended before they were ready: 0.", "Kaplan and Meier",
		"In 8 of 8 forming sessions the creator or a named deputy needled: 100 % (exact 95 % limits 63.1 to 100 %).",
		"No session past forming is on record in these months.", "1 hold</h3>", "1 track under review</h3>", "Quombave, Zaph &amp; &lt;b&gt;",
		"pus &amp; redness &lt;b&gt;seen&lt;/b&gt;", "could be chance", "no comparison", html.EscapeString(card.Caution),
		`href="surveillance/report?format=html&amp;facility=test-unit"`, `href="cannulators?facility=test-unit"`)
	if hasScript(page) || strings.Contains(page, "<b>seen") || strings.Contains(page, "style=") {
		t.Error("a text of the record is in the page as markup")
	}
	for _, m := range regexp.MustCompile(`href="((?:card|\./)\?[^"]*)"`).FindAllStringSubmatch(page, -1) {
		to, err := url.Parse(html.UnescapeString(m[1]))
		if err != nil || u.get("/"+strings.TrimPrefix(to.String(), "./"), "text/html").status != 200 || to.Query().Get("patient")+to.Query().Get("stage")+to.Query().Get("facility") == "" {
			t.Errorf("the link %s leads nowhere", m[1])
		}
	}
	empty := u.page("/unit?months=3&until=2020-01")
	says(t, empty, "No track was begun in these months.", "No forming session is on record in these months.", "no comparison", "Nov 2019 to Jan 2020</span>")
}

// What is kept of patients for the figures holds nothing that a person wrote: an erasure could not
// reach it.
func TestTheUnitKeepsNoWordsOfPeople(t *testing.T) {
	u := ward(t)
	u.sharp("P-1", "A1", at(1)) // under the hold
	u.settle()
	d, err := u.units().Of(t.Context(), facility)
	if err != nil {
		t.Fatal(err)
	}
	kept := fmt.Sprintf("%+v", d.Tracks)
	if !strings.Contains(kept, "needled while a hold was open") || strings.Contains(kept, "pus") {
		t.Errorf("kept is %s", kept)
	}
	says(t, u.page("/unit"), "Needled while a hold was open.")
}

// A patient is judged again when something of him has come, and only then.
func TestTheUnitIsJudgedAgainWhereItChanged(t *testing.T) {
	u := ward(t)
	units := u.units()
	ask := func() (judged int, sessions int) {
		d, err := units.Of(t.Context(), facility)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range d.Tracks {
			sessions += len(x.Sessions)
		}
		return d.Judged, sessions
	}
	for _, c := range []struct {
		what             string
		change           func()
		judged, sessions int
	}{
		{"the first question", func() {}, 2, 8},
		{"the same again", func() {}, 0, 8},
		{"a session of one patient", func() { u.sharp("P-2", "B1", at(3)) }, 1, 9},
		{"a rating", func() {
			u.roster("", at(1), &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{
				Cannulator: staff("nurse-1"), Level: v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED}}})
		}, 2, 9},
		{"nothing", func() {}, 0, 9},
		// The gap since the last session grows: the calendar alone asks for one more sharp session.
		{"ten days without a message", func() { u.cards.Now = func() time.Time { return time.Now().AddDate(0, 0, 10) } }, 1, 9},
	} {
		c.change()
		u.settle()
		if judged, sessions := ask(); judged != c.judged || sessions != c.sessions {
			t.Errorf("%s: %d patients were judged and %d sessions found, want %d and %d", c.what, judged, sessions, c.judged, c.sessions)
		}
	}
}

func TestCannulatorsAreForLearning(t *testing.T) {
	u := ward(t)
	page := u.page("/cannulators")
	says(t, page, "This page is for learning, never for ranking.", "lapses after 12 months", "creates tracks, rated", "it lapsed on",
		"follows tracks alone, rated", "old &lt;i&gt;", "Quombave, Zaph &amp; &lt;b&gt;: <a", ">A1 (forming)</a>", ">B1 (forming)</a>",
		html.EscapeString(card.Caution))
	var names []string
	for _, m := range regexp.MustCompile(`<tr><th scope="row">(.*?)</th>`).FindAllStringSubmatch(page, -1) {
		names = append(names, m[1])
	}
	if got := strings.Join(names, ", "); got != "nurse-1, old &lt;i&gt;, zz-9" {
		t.Errorf("the cannulators are %s, want them by name", got)
	}
	if body := regexp.MustCompile(`(?s)<table class="cannulators">.*</table>`).FindString(page); strings.Contains(body, "%") || body == "" {
		t.Error("a share stands beside a person")
	}
	var got struct{ Cannulators []figures.Cannulator }
	if err := json.Unmarshal([]byte(u.get("/cannulators?format=json").body), &got); err != nil || len(got.Cannulators) != 3 {
		t.Fatalf("%d cannulators, %v", len(got.Cannulators), err)
	}
	if c := got.Cannulators[0]; len(c.Created) != 2 || c.Rating.Lapsed {
		t.Errorf("nurse-1 is %+v", c)
	}
	if c := got.Cannulators[2]; len(c.Deputy) != 1 || c.Deputy[0].Track != "B1" || fmt.Sprint(c.Rating.Until) != "" {
		t.Errorf("zz-9 is %+v", c)
	}
}

// Figures are of what the view has. Where it is behind, or the log cannot be asked, the pages of the unit say so as Today does.
func TestPagesOfTheUnitSayThatTheyAreBehind(t *testing.T) {
	u := ward(t)
	for _, page := range []string{"/unit", "/cannulators"} {
		target := page + "?facility=" + facility
		if says := u.page(target); strings.Contains(says, "newer messages may exist") || strings.Contains(says, "The log does not answer") {
			t.Errorf("%s says that it is behind, and it is not", page)
		}
		u.set(true, nil)
		says(t, u.page(target), "newer messages may exist")
		u.set(false, errors.New("no log"))
		says(t, u.page(target), "The log does not answer")
		u.set(false, nil)
	}
	// What is said was asked first: a page that says that it is not behind has all that came before.
	cfg, status := u.cfg, u.cfg.Status
	cfg.Status = func(ctx context.Context) (web.Status, error) {
		u.hold("P-2", "B1", "came in between", at(1))
		u.settle()
		return status(ctx)
	}
	u.handler = web.Pages(cfg)
	says(t, u.page("/unit?facility="+facility), "came in between")
}
