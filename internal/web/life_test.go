package web_test

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/card"
	"cannulary/internal/life"
	v1 "cannulary/proto/cannulary/v1"
)

// course is a patient with a track that was formed, needled blunt, rescued and held.
func course(t testing.TB) *unit {
	u := open(t)
	u.register("Pacific/Auckland")
	u.identity("P-1", `Quombave"><script>`, "Zaph & <b>", "1951-03-12")
	day := 60
	insert := func(change func(*v1.NeedleInserted)) {
		n := &v1.NeedleInserted{Track: "A1", Access: "fistula", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1,
			Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, AngleDegrees: proto.Float64(25), Passes: proto.Uint32(1), PainScore: proto.Uint32(2),
			Resistance: v1.Resistance_RESISTANCE_NONE, SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO,
			Cannulator: staff("nurse-1"), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
		change(n)
		u.cannulation("P-1", at(day), &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: n}})
		u.cannulation("P-1", at(day).Add(time.Hour), &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{
			NeedleRemoved: &v1.NeedleRemoved{Track: "A1", Access: "fistula", HaemostasisMinutes: proto.Float64(8)}}})
		day -= 2
	}
	sharp, blunt := func(*v1.NeedleInserted) {}, func(n *v1.NeedleInserted) { n.Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT }
	for range 4 {
		insert(sharp)
	}
	insert(func(n *v1.NeedleInserted) { n.AngleDegrees = proto.Float64(34) })
	insert(func(n *v1.NeedleInserted) { n.SameSpot = v1.Answer_ANSWER_UNSPECIFIED })
	for range 3 {
		insert(sharp)
	}
	for range 4 {
		insert(blunt)
	}
	u.cannulation("P-1", at(day), &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{
		SessionStarted: &v1.SessionStarted{Access: "catheter"}}})
	day -= 2
	insert(func(n *v1.NeedleInserted) { n.RescueReason = v1.RescueReason_RESCUE_REASON_OTHER })
	insert(func(n *v1.NeedleInserted) {
		n.Tip, n.Passes, n.Cannulator = v1.NeedleTip_NEEDLE_TIP_BLUNT, nil, staff("<i>7</i>")
	})
	u.hold("P-1", "A1", "pus & redness <b>seen</b>", at(3))
	u.settle()
	return u
}

const track = "&track=A1&months=24"

// drawn is one column of the drawing: its shape, its title and the marks in it by class.
type drawn struct {
	href, title, shape string
	classes            []string
}

// columns takes the drawing of a page apart.
func columns(t *testing.T, page string) []drawn {
	t.Helper()
	svg := regexp.MustCompile(`(?s)<svg class="life-strip".*?</svg>`).FindString(page)
	var out []drawn
	inTitle := false
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("the drawing is no XML: %v", err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			attr := map[string]string{}
			for _, a := range x.Attr {
				attr[a.Name.Local] = a.Value
			}
			class := strings.Fields(attr["class"])
			switch {
			case x.Name.Local == "a":
				out = append(out, drawn{href: attr["href"]})
			case len(out) == 0:
			case x.Name.Local == "title" && out[len(out)-1].title == "":
				inTitle = true
			case x.Name.Local == "g" && len(class) == 2 && class[0] == "needle":
				out[len(out)-1].shape = class[1]
			default:
				out[len(out)-1].classes = append(out[len(out)-1].classes, attr["class"])
			}
		case xml.CharData:
			if inTitle {
				out[len(out)-1].title += string(x)
			}
		case xml.EndElement:
			inTitle = false
		}
	}
}

// rows takes the table apart: the cells of each row, the address and date first.
func rows(page string) [][]string {
	table := regexp.MustCompile(`(?s)<div id="sessions" class="life-table".*?</table>`).FindString(page)
	var out [][]string
	for _, row := range regexp.MustCompile(`(?s)<tr[^>]*><th scope="row"><a href="([^"]*)">(.*?)</a></th>(.*?)</tr>`).FindAllStringSubmatch(table, -1) {
		cells := []string{html.UnescapeString(row[1]), html.UnescapeString(row[2])}
		for _, c := range regexp.MustCompile(`(?s)<td>(.*?)</td>`).FindAllStringSubmatch(row[3], -1) {
			cells = append(cells, html.UnescapeString(c[1]))
		}
		out = append(out, cells)
	}
	return out
}

// The table says what the drawing shows, column by column.
func TestTheTableSaysWhatTheDrawingShows(t *testing.T) {
	u := course(t)
	page := u.page("/track?patient=" + keyOfOne(t, u) + track)
	drawing, table := columns(t, page), rows(page)
	if len(drawing) != 17 || len(table) != 17 {
		t.Fatalf("%d columns and %d rows, want 17: sixteen sessions and now", len(drawing), len(table))
	}
	starts := map[string]string{"sharp-counts": "sharp", "sharp-not": "sharp", "sharp-doubt": "sharp", "blunt-counts": "blunt",
		"blunt-not": "blunt", "rescue": "sharp, a rescue", "not-needled": "dialysed through catheter", "next-none": "no needle"}
	counts := map[string]string{"sharp-counts": "counts:", "sharp-not": "does not count:", "sharp-doubt": "in doubt", "blunt-counts": "counts as a good",
		"rescue": "does not count as a good", "not-needled": "", "next-none": ""}
	seen := map[string]int{}
	for i, c := range drawing {
		row := table[i]
		if c.href != row[0] {
			t.Errorf("column %d leads to %s, its row to %s", i, c.href, row[0])
		}
		for _, cell := range row[1:] {
			if !strings.Contains(c.title, cell) {
				t.Errorf("column %d does not say %q: %q", i, cell, c.title)
			}
		}
		needle, counted := row[3], row[4]
		if !strings.HasPrefix(needle, starts[c.shape]) || starts[c.shape] == "" {
			t.Errorf("column %d is drawn as %q; the table has %q", i, c.shape, needle)
		}
		if !strings.HasPrefix(counted, counts[c.shape]) || counts[c.shape] == "" && counted != "" {
			t.Errorf("column %d is drawn as %q; the table has %q", i, c.shape, counted)
		}
		seen[c.shape]++
		// What stands out, and what is not recorded, is so on both.
		for _, x := range []struct{ class, in string }{{"angle out", "outside"}, {"bleeding out", "longer than usual"}} {
			if slices.Contains(c.classes, x.class) != strings.Contains(strings.Join(row, "|"), x.in) {
				t.Errorf("column %d: %v against %q", i, c.classes, row)
			}
		}
		for lane, n := range map[string]int{"passes": 7, "pain": 9, "angle": 5, "pressure": 11} {
			if slices.Contains(c.classes, "soft unknown "+lane) != (row[n] == "not recorded") {
				t.Errorf("column %d: lane %s is drawn %v, the table has %q", i, lane, c.classes, row[n])
			}
		}
	}
	want := map[string]int{"sharp-counts": 7, "sharp-not": 1, "sharp-doubt": 1, "blunt-counts": 5, "rescue": 1, "not-needled": 1, "next-none": 1}
	if fmt.Sprint(seen) != fmt.Sprint(want) {
		t.Errorf("the shapes are %v, want %v", seen, want)
	}
}

// The life, the card as page and as JSON take count, stage and needle from one judgement.
func TestTheLifeAgreesWithTheCard(t *testing.T) {
	u := course(t)
	key := keyOfOne(t, u)
	for _, moment := range []string{"", "&as_of=" + at(45).Format(time.RFC3339), "&as_of=" + at(35).Format(time.RFC3339), "&as_of=" + at(4).Format(time.DateOnly)} {
		c := decode(t, u.get("/card?patient="+key+moment))
		var l life.Life
		if err := json.Unmarshal([]byte(u.get("/track?format=json&patient="+key+track+moment).body), &l); err != nil {
			t.Fatal(err)
		}
		of := c.Tracks[0]
		if l.Track.Stage != of.Stage || l.Track.SessionsCounted != of.SessionsCounted || l.Track.SessionsTarget != of.SessionsTarget ||
			l.Track.Next.Needle != of.Next.Needle || l.Track.Next.Why != of.Next.Why || !l.AsOf.Equal(c.AsOf) && moment != "" {
			t.Errorf("%s: the life has %+v, the card %+v", moment, l.Track, of)
		}
		needled := slices.DeleteFunc(slices.Clone(l.Columns), func(x life.Column) bool { return x.Needle == life.NoneYet })
		if last := needled[len(needled)-1]; last.Number != of.SessionsCounted {
			t.Errorf("%s: after the last session %d count, the card has %d", moment, last.Number, of.SessionsCounted)
		}
		for i, v := range of.Recent {
			x := needled[len(needled)-1-i]
			if x.Date != v.Date || x.Needle != v.Needle || x.Counted != v.Counted || x.Who != v.Who || x.Rescue != v.Rescue {
				t.Errorf("%s: the session of %s is %+v, on the card %+v", moment, v.Date, x, v)
			}
		}
		page := u.page("/track?months=24&patient=" + key + "&track=" + of.ID + moment)
		counted := fmt.Sprintf("%d sharp sessions counted; %d were asked for.", of.SessionsCounted, of.SessionsTarget)
		if of.Stage == "forming" || of.Stage == "ready" {
			counted = fmt.Sprintf("%d of %d sharp sessions count.", of.SessionsCounted, of.SessionsTarget)
		}
		says(t, page, counted, html.EscapeString(card.Caution),
			`<span class="needle `+of.Next.Needle+`">`)
	}
}

func TestTheLifeInWords(t *testing.T) {
	u := course(t)
	page := u.page("/track?patient=" + keyOfOne(t, u) + track)
	says(t, page, "The life of track A1, arterial", "born 1951-03-12", "does not count: more than 5° from the track&#39;s angle",
		"34°, outside 25° ± 5°", "25° (asked 25° ± 5°)", "in doubt, does not count: same spot not recorded", "counts: 7 of 6", "8 min (usual 8)",
		"counts as a good session", "sharp, a rescue", "dialysed through catheter, not through this access", "not recorded",
		"pus &amp; redness &lt;b&gt;seen&lt;/b&gt;", "It is open.", "In all, 15 sessions in this track are on record. In 1 treatment no needle of this track is recorded.",
		"Quombave&#34;&gt;&lt;script&gt;, Zaph &amp; &lt;b&gt;", "&lt;i&gt;7&lt;/i&gt;")
	if hasScript(page) || strings.Contains(page, "<b>seen") || strings.Contains(page, "<i>7") || strings.Contains(page, "style=") {
		t.Error("a text of the record is in the page as markup")
	}
	if strings.Contains(page, "Quombave%22") || strings.Contains(page, "identifier=") {
		t.Error("an address holds a name or a number")
	}
}

// A column leads to the card as it was on that morning, which then says so.
func TestAColumnLeadsToTheMorning(t *testing.T) {
	u := course(t)
	first := rows(u.page("/track?patient=" + keyOfOne(t, u) + track))[4]
	to, err := url.Parse(first[0])
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	morning, err := time.Parse(time.RFC3339, to.Query().Get("as_of"))
	session := at(52).In(zone)
	if err != nil || to.Path != "card" || to.Query().Get("known_at") != to.Query().Get("as_of") ||
		morning.In(zone).Format("2006-01-02 15:04") != session.Format("2006-01-02")+" 05:00" {
		t.Fatalf("the column of %s leads to %s", session, first[0])
	}
	// What was known then is nothing: the facts were posted just now. As known today, four counted.
	q := to.Query()
	q.Del("known_at")
	if c := decode(t, u.get("/card?"+q.Encode())); c.Tracks[0].SessionsCounted != 4 {
		t.Errorf("on that morning %d sessions counted, want 4", c.Tracks[0].SessionsCounted)
	}
	page := u.page("/track?track=A1&months=24&" + q.Encode())
	says(t, page, "As it looked on the morning of ", "from what is known today.", "This is not the present. Do not needle by it.", `class="back-band"`,
		"4 of 6 sharp sessions count.")
	if strings.Contains(u.page("/track?patient="+keyOfOne(t, u)+track), "back-band\"") {
		t.Error("the present is said to be the past")
	}
}

func TestTheFormLeadsIntoThePast(t *testing.T) {
	u := course(t)
	key := keyOfOne(t, u)
	zone, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	date := at(30).In(zone).Format(time.DateOnly)
	local := func(clock string) string {
		when, err := time.ParseInLocation("2006-01-02 15:04:05", date+" "+clock, zone)
		if err != nil {
			t.Fatal(err)
		}
		return when.UTC().Format(time.RFC3339)
	}
	for _, c := range []struct{ query, page, asOf, knownAt, says string }{
		{"part=morning&known=then", "card", local("05:00:00"), local("05:00:00"), ""},
		{"part=evening&known=today", "card", local("23:59:59"), "", ""},
		{"part=time&clock=07:30&known=today&track=A1", "track", local("07:30:00"), "", "at 07:30, from what is known today."},
		{"part=evening&known=today&track=A1", "track", local("23:59:59"), "", "As it looked on the evening of "},
	} {
		a := u.get("/past?patient="+key+"&date="+date+"&"+c.query, "text/html")
		to, err := url.Parse(a.head.Get("Location"))
		if a.status != http.StatusSeeOther || err != nil || to.Path != c.page || to.Query().Get("as_of") != c.asOf ||
			to.Query().Get("known_at") != c.knownAt || to.Query().Get("patient") != key {
			t.Errorf("%s: %d, to %s", c.query, a.status, a.head.Get("Location"))
			continue
		}
		says(t, u.page("/"+to.String()), c.says)
	}
}

func TestErrorsOfTheLifeAndTheWayBack(t *testing.T) {
	u := course(t)
	key := keyOfOne(t, u)
	for _, c := range []struct {
		target string
		status int
		says   string
	}{
		{"/track?track=A1", 400, "no patient is named"},
		{"/track?patient=" + key, 400, "no track is named. Give track=NAME, as on the card"},
		{"/track?patient=" + key + "&track=Z%3Cb%3E", 404, `the record has no track "Z<b>" of this patient at that moment. Choose one of: A1`},
		{"/track?patient=00&track=A1", 404, "No record under this number"},
		{"/track?patient=" + key + "&track=A1&as_of=yesterday", 400, `as_of "yesterday" is not a time`},
		{"/track?patient=" + key + "&track=A1&as_of=1999-01-01", 404, "no track \"A1\" of this patient at that moment. Choose one of: none is recorded"},
		{"/track?patient=" + key + "&track=A1&months=5", 400, "that many months is not known here. Choose months=3, 6, 12 or 24"},
		{"/track?patient=" + key + "&track=A1&months=many", 400, `months "many" is not a number of months`},
		{"/track?patient=" + key + "&track=A1&until=2026-13", 400, "until is not a month. Write YYYY-MM"},
		{"/track?patient=" + key + "&track=A1&format=text", 400, `format "text" is not known. Give json or html`},
		{"/past?date=2026-01-01", 400, "no patient is named. Use the form on the patient's card"},
		{"/past?patient=" + key, 400, `date "" is not a day. Write it as 2026-11-03`},
		{"/past?patient=" + key + "&date=03.11.2026", 400, `date "03.11.2026" is not a day`},
		{"/past?patient=" + key + "&date=2026-01-01&part=noon", 400, `part "noon" is not a part of a day. Choose morning, evening or time`},
		{"/past?patient=" + key + "&date=2026-01-01&part=time&clock=25:00", 400, `clock "25:00" is not a time of day. Write it as 07:30`},
		{"/past?patient=" + key + "&date=2026-01-01&known=never", 400, `known "never" is not known here. Choose then or today`},
		{"/past?patient=" + key + "&date=2090-01-01", 400, "that moment has not come yet. Choose an earlier one"},
		{"/unit?facility=elsewhere", 404, `facility "elsewhere" is not registered here. Choose one of: test-unit`},
		{"/unit?facility=test-unit&until=2090-01", 400, "the month 2090-01 has not come yet"},
		{"/cannulators?facility=elsewhere", 404, `facility "elsewhere" is not registered here`},
		{"/cannulators?months=3", 400, `"months" is not known here`},
	} {
		a := u.get(c.target, "application/json")
		var e struct{ Error struct{ Text string } }
		if err := json.Unmarshal([]byte(a.body), &e); err != nil || a.status != c.status || !strings.Contains(e.Error.Text, c.says[1:]) {
			t.Errorf("%s: %d %q, want %d with %q", c.target, a.status, e.Error.Text, c.status, c.says)
		}
		page := u.get(c.target, "text/html")
		if page.status != c.status || !strings.Contains(page.body, html.EscapeString(c.says[1:])) {
			t.Errorf("%s: the page with status %d does not say %q", c.target, page.status, c.says)
		}
	}
}

// Two years of three sessions a week stay readable: a window at a time, each with its neighbours.
func TestALongLifeIsShownInWindows(t *testing.T) {
	u := open(t)
	u.register("Pacific/Auckland")
	for day := 700; day > 0; day -= 7 {
		u.sharp("P-1", "A1", at(day))
	}
	u.settle()
	key := keyOfOne(t, u)
	seen, target, later := 0, "/track?patient="+key+"&track=A1", ""
	for n := 0; target != ""; n++ {
		page := u.page(target)
		table := rows(page)
		if got := len(columns(t, page)); got != len(table) || got < 5 || got > 16 {
			t.Errorf("%s shows %d columns and %d rows", target, got, len(table))
		}
		seen += len(table)
		if back := link(page, "next"); back != later {
			t.Errorf("%s leads on to %q, want %q", target, back, later)
		}
		if n == 0 {
			seen-- // now
			if table[len(table)-1][1] != "Now" {
				t.Error("the newest window does not end with now")
			}
		}
		if target = link(page, "prev"); target != "" {
			target = "/" + target
		}
		later = next(t, target)
		if n > 12 {
			t.Fatal("the windows do not end")
		}
	}
	if seen != 100 {
		t.Errorf("the windows show %d sessions in all, want 100", seen)
	}
}

// link is the address of the page's link of a relation, empty if it has none.
func link(page, rel string) string {
	m := regexp.MustCompile(`<a href="([^"]*)" rel="` + rel + `">`).FindStringSubmatch(page)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// next is the address of the window three months after one, as the page writes it.
func next(t *testing.T, target string) string {
	if target == "" {
		return ""
	}
	u, err := url.Parse(strings.TrimPrefix(target, "/"))
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	until, err := time.Parse("2006-01", q.Get("until"))
	if err != nil {
		t.Fatal(err)
	}
	q.Set("until", until.AddDate(0, 3, 0).Format("2006-01"))
	return "track?" + q.Encode()
}
