package infectioncontrol

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// report makes a report of one facility alone.
func report(t testing.TB, w *surveil.Watch, m string, k Knowledge) *Report {
	t.Helper()
	r, err := makeReport(w, []*surveil.Watch{w}, month(t, m), k)
	if err != nil {
		t.Fatal(err)
	}
	return &r
}

func html(t testing.TB, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteHTML(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func table(t testing.TB, r *Report) [][]string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteCSV(&b, r); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func (r *Report) find(t testing.TB, c surveil.Class, g surveil.Group, window string) Rate {
	t.Helper()
	for _, x := range r.Rates {
		if x.Class == c && x.Group == g && x.Window == window {
			return x
		}
	}
	t.Fatalf("no rate of %s, %s, %s", c, g, window)
	return Rate{}
}

func TestWhatAReportSays(t *testing.T) {
	for _, c := range []struct {
		sentence string
		make     func() *Report
		says     []string // all of them stand in the page
		not      []string
	}{
		{"no events at all", func() *Report {
			return report(t, bare(t, "quiet", 20, surveil.OtherFistula, "2026-01-01", "2027-02-10"), "2027-01", Knowledge{})
		}, []string{"No event of any class is on record for 2026-02 to 2027-01. That is so if nothing happened. It is also so if " +
			"results do not arrive", "No event is on record.", "Nothing is on record in 2027-01.",
			"No ratio: nobody was needled at constant sites."}, []string{"not complete"}},
		{"infections, and not one blood culture", func() *Report {
			w := bare(t, "unheard", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
			happens(t, w, 1, "2026-11-03", surveil.Event{Kind: surveil.SiteSigns, Counted: true})
			return report(t, w, "2027-01", Knowledge{})
		}, []string{"No blood culture, positive or negative, is on record for 2026-02 to 2027-01: the register cannot tell whether " +
			"there was none or none was reported.", "<b>0</b> positive and <b>0</b> negative in the year; none on record up to"},
			[]string{"No event of any class", "is on record for 2027-01:"}},
		{"blood cultures in the year, none in the month", func() *Report {
			w := bare(t, "quiet", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
			negative(t, w, 1, "2026-12-03")
			return report(t, w, "2027-01", Knowledge{})
		}, []string{"No blood culture, positive or negative, is on record for 2027-01: the register cannot tell whether there was none or none was reported.",
			"<b>0</b> positive and <b>1</b> negative in the year; the newest was collected on <span class=\"d\">2026-12-03</span>"}, nil},
		{"blood cultures of which none is positive", func() *Report {
			w := bare(t, "clean", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
			negative(t, w, 1, "2027-01-03")
			return report(t, w, "2027-01", Knowledge{})
		}, nil, []string{"cannot tell whether there was none or none was reported"}},
		{"a record that began on the first working day of the year", func() *Report {
			w := bare(t, "weekdays", 20, surveil.OtherFistula, "2026-02-02", "2027-02-10")
			w.Calendar.Days = []cannularyv1.Weekday{1, 2, 3, 4, 5, 6} // 1 February 2026 is a Sunday
			return report(t, w, "2027-01", Knowledge{})
		}, nil, []string{"so the year is not whole"}},
		{"nobody at all", func() *Report {
			return report(t, bare(t, "empty", 0, surveil.OtherFistula, "2026-01-01", "2027-02-10"), "2027-01", Knowledge{})
		}, []string{"none: nobody was at risk", "There were 0.0 patients on average in the year"}, nil},
		{"a unit with three patients", func() *Report {
			return report(t, bare(t, "three", 3, surveil.ConstantSite, "2026-01-01", "2027-02-10"), "2027-01", Knowledge{})
		}, []string{"There were 3.0 patients on average in the year: one event more or less changes every rate much.",
			"as one that may show who the patients are", "No ratio: every fistula was needled at constant sites."}, nil},
		{"a unit of ten is not so few", func() *Report {
			return report(t, bare(t, "ten", 10, surveil.ConstantSite, "2026-01-01", "2027-02-10"), "2027-01", Knowledge{})
		}, nil, []string{"patients on average in the year"}},
		{"a month without a census", func() *Report {
			w := bare(t, "uncounted", 20, surveil.OtherFistula, "2026-01-01", "2027-02-10")
			census(t, w, "2026-12", 20, 0, 0, 0)
			return report(t, w, "2027-01", Knowledge{})
		}, []string{"none: no census for 2027-01", "There is no census of this month: no rate per 100 patient-months is given for it.",
			"2026-11, 2027-01."}, nil},
		{"a culture before its patient is known", func() *Report {
			w := bare(t, "early", 20, surveil.OtherFistula, "2026-01-01", "2027-02-10")
			w.People = append(w.People, surveil.Patient{Key: "key-of-nobody-yet"})
			happens(t, w, 20, "2027-01-15", surveil.Event{Kind: surveil.BloodCulture, Counted: true, Outside: true,
				Technique: surveil.Unknown})
			return report(t, w, "2027-01", Knowledge{})
		}, []string{"no stay here is on record for that day", "the source was not assessed: taken as the access", "Access not known",
			"<b>access-related bloodstream infection</b>"}, []string{"key-of-nobody-yet"}},
		{"a view that is behind", func() *Report {
			return report(t, invented(t), "2027-05", Knowledge{Sequence: 12, LogSequence: 900, Lagging: true})
		}, []string{"This report is not complete: the view is behind the log",
			"A signal stands: Fistula, constant-site, access-related bloodstream infection.",
			"up to sequence 12 of 900: <b>newer facts are not in this report</b>"}, nil},
		{"a month that is not over", func() *Report {
			return report(t, invented(t), "2027-06", Knowledge{})
		}, []string{"2027-06 is not over: its figures are those up to 2027-06-08.", "none: 2027-06 is not over yet",
			"The month is not over."}, nil},
		{"a record that began within the year", func() *Report {
			return report(t, bare(t, "young", 20, surveil.OtherFistula, "2026-11-05", "2027-02-10"), "2027-01", Knowledge{})
		}, []string{"The record begins on 2026-11-05, so the year is not whole."}, []string{"<th scope=\"row\" class=\"d\">2026-10</th>"}},
		{"a facility without a treatment on record", func() *Report {
			w := bare(t, "new", 20, surveil.OtherFistula, "2026-11-05", "2027-02-10")
			w.Since = surveil.First
			return report(t, w, "2027-01", Knowledge{})
		}, []string{"No treatment is on record here yet: everything that is known counts."}, nil},
		{"no threshold is set", func() *Report {
			return report(t, bare(t, "unwatched", 20, surveil.OtherFistula, "2026-01-01", "2027-02-10"), "2027-01", Knowledge{})
		}, []string{"No threshold is set for fistula, constant-site, access-related bloodstream infection;",
			"compute its threshold: cannulary threshold --facility unwatched --technique constant-site --class access-related (with"}, nil},
		{"one facility alone", func() *Report { return made(t) },
			[]string{"There is one facility in this register, so there is none to compare it with."}, nil},
		{"denominators that do not fit, a census on the wrong days", func() *Report { return made(t) },
			[]string{"Fistula, constant-site: the census counts 14, the record has 22 on the days of the census. Patients who were in hospital " +
				"then are in the record only. Look for other causes.",
				"The census of 2026-12 was counted on 2026-12-01 and 2026-12-08; the first two working days were 2026-12-01 and " +
					"2026-12-02."}, nil},
		{"cases that do not count", func() *Report { return made(t) },
			[]string{"does not count: less than 21 days after the previous positive blood culture",
				"does not count: an access-related bloodstream infection lies within 20 days", "no end of the course is on record",
				"where it was collected is not recorded", "source assessed: another site"}, nil},
		{"what a signal can notice, and what was done", func() *Report { return made(t) },
			[]string{"With 22 patients and 0.3 events per 100 patient-months as usual, and from a sum of 0, this signal notices a " +
				"doubled rate after", "as typed: “Scab removal and disinfection watched in all shifts.”",
				"A signal stands since 2027-03-02", "not yet: it stands", "S-901"}, nil},
		{"texts from outside stand in the page as text", func() *Report {
			r := made(t)
			r.Name, r.Charts[0].Signals[0].Reason = "<script>alert(1)</script>", `"><img src=x>`
			return r
		}, []string{"&lt;script&gt;alert(1)&lt;/script&gt;"}, []string{"<script", "<img"}},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			r := c.make()
			page := html(t, r)
			for _, s := range c.says {
				if !strings.Contains(page, s) {
					t.Errorf("the page does not say %q", s)
				}
			}
			for _, s := range c.not {
				if strings.Contains(page, s) {
					t.Errorf("the page says %q", s)
				}
			}
			if n := strings.Count(page, Caution[:20]); n != 2 {
				t.Errorf("the caution stands %d times, not at top and bottom", n)
			}
			table(t, r)
		})
	}
}

// TestFiguresOfTheReport checks against Garwood's limits of counts (Biometrika 28:437, 1936):
// 3 events 0.6187 to 8.7673, none 0 to 3.6889.
func TestFiguresOfTheReport(t *testing.T) {
	r := made(t)
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-3*math.Max(1, want) {
			t.Errorf("%s is %v, not %v", what, got, want)
		}
	}
	all := r.find(t, surveil.AccessRelated, surveil.AllAccess, WindowMonth)
	near("three events in 62 patient-months", all.PerHundred.Value, 3.0/62*100)
	near("their lower limit", all.PerHundred.Exact.Lower, 0.6187/62*100)
	near("their upper limit", *all.PerHundred.Exact.Upper, 8.7673/62*100)
	near("three events in 62 × 31 access-days", all.PerThousand.Value, 3.0/(62*31)*1000)
	none := r.find(t, surveil.AccessRelated, surveil.Group(surveil.TunneledCatheter), WindowMonth)
	near("no event among 10", *none.PerHundred.Exact.Upper, 36.889)
	fistula, constant, other := r.find(t, surveil.AccessRelated, surveil.Fistula, WindowYear), r.find(t, surveil.AccessRelated,
		surveil.Group(surveil.ConstantSite), WindowYear), r.find(t, surveil.AccessRelated, surveil.Group(surveil.OtherFistula), WindowYear)
	if fistula.Events != constant.Events+other.Events || fistula.AccessDays != constant.AccessDays+other.AccessDays {
		t.Errorf("constant-site is no part of the fistulas: %+v, %+v, %+v", fistula, constant, other)
	}
	if all := r.find(t, surveil.AccessRelated, surveil.AllAccess, WindowYear); all.PerHundred != nil ||
		all.NoPerHundred != "no census for 2026-09" || all.SIR != nil {
		t.Errorf("a year with a month without census has a rate: %+v", all)
	}
	if all.SIR != nil || !strings.HasPrefix(all.NoSIR, "only 0.34 events predicted") {
		t.Errorf("a ratio to fewer than one predicted: %+v %q", all.SIR, all.NoSIR)
	}
	// 8 events against none: given the total each falls on constant-site with its share of the
	// days, so p is twice that share to the power of 8.
	share := 22.0 / 48
	near("the comparison's p", *r.Comparisons[0].P, 2*math.Pow(share, 8))
	if c := r.Comparisons[0]; c.Ratio != nil || c.Exact.Upper != nil || !c.MoreThanByChance {
		t.Errorf("a ratio to no event: %+v", c)
	}
	if b := r.Between[0]; b.Last != "2027-05-22" || *b.Since != 17 {
		t.Errorf("from 22 May to 8 June are %d days since %s", *b.Since, b.Last)
	}
}

func TestWhenARatioIsGiven(t *testing.T) {
	w := invented(t)
	census(t, w, "2026-09", 48, 22, 4, 10)
	r := report(t, w, "2027-05", Knowledge{})
	// 22 × 12 and 26 × 12 months at 0.3, 4 × 12 at 0.4, 10 × 12 at 1.8 per 100, less the 8
	// constant-site patients who were not counted in February.
	want := ((40.0+48*11)*0.3 + 48*0.4 + 120*1.8) / 100
	all := r.find(t, surveil.AccessRelated, surveil.AllAccess, WindowYear)
	if all.SIR == nil || math.Abs(all.SIR.Predicted-want) > 1e-6 || math.Abs(all.SIR.Value-10/want) > 1e-5 {
		t.Fatalf("10 events by %v predicted: %+v, %q", want, all.SIR, all.NoSIR)
	}
	if page := html(t, r); !strings.Contains(page, fmt.Sprintf("<b>%.2f</b>", 10/want)) ||
		!strings.Contains(page, fmt.Sprintf("%.2f predicted", want)) {
		t.Error("the page does not show the ratio")
	}
}

func TestFacilitiesSideBySide(t *testing.T) {
	north, south := invented(t), bare(t, "invented-south", 60, surveil.ConstantSite, "2026-01-05", "2027-06-08")
	far := bare(t, "invented-west", 10, surveil.ConstantSite, "2026-01-05", "2027-03-01")
	r, err := makeReport(north, []*surveil.Watch{north, south, far}, month(t, "2027-05"), Knowledge{})
	if err != nil {
		t.Fatal(err)
	}
	f := r.Funnels[0]
	if len(f.Points) != 2 || f.Points[0].Facility != "invented-north" || f.Points[1].Facility != "invented-south" {
		t.Fatalf("%+v", f)
	}
	// All 8 constant-site events happened in the north, which has 22 of 82 patients; the one of
	// a catheter is expected where the catheters are, and one of an unknown access nowhere.
	for i, want := range []float64{8*22.0/82 + 1, 8 * 60.0 / 82} {
		if p := f.Points[i]; math.Abs(p.Expected-want) > 1e-5 {
			t.Errorf("%s: %v expected, not %v", p.Facility, p.Expected, want)
		}
	}
	if f.Points[0].Says != "above the 99.8 % limit: far more than chance explains" ||
		!strings.HasPrefix(f.Points[1].Says, "below the 95 % limit") && !strings.HasPrefix(f.Points[1].Says, "below the 99.8 % limit") {
		t.Errorf("%+v", f.Points)
	}
	page := html(t, &r)
	if !strings.Contains(page, "invented-south") || strings.Contains(page, "invented-west") {
		t.Error("the page compares with others than those whose record reaches that far")
	}
	r, err = makeReport(north, []*surveil.Watch{north, far}, month(t, "2027-05"), Knowledge{})
	if err != nil || r.Funnels[0].Says != "No other facility's record reaches the end of the month, so there is none to compare with." ||
		len(r.Funnels[0].Points) != 0 {
		t.Errorf("%v %+v", err, r.Funnels[0])
	}
}

func TestDaysBetweenEvents(t *testing.T) {
	// Gaps of 30 days: by 3 of them the limit below which 2.5 % lie is 30 × 3 × (0.975^(-1/3) − 1)
	// = 0.76 days.
	w := bare(t, "gaps", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
	for i, on := range []string{"2026-02-01", "2026-03-03", "2026-04-02", "2026-05-02"} {
		happens(t, w, i, on, bacteraemia())
	}
	b := report(t, w, "2027-01", Knowledge{}).Between[0]
	if b.Limits == nil || math.Abs(b.Limits.Lower-0.7627) > 1e-3 ||
		b.Says != "No event for longer than the limit: things have become better, or reports are missing." || *b.Since != 284 {
		t.Errorf("%+v %+v", b, b.Limits)
	}
	happens(t, w, 9, "2026-05-02", bacteraemia())
	if b := report(t, w, "2027-01", Knowledge{}).Between[0]; !strings.HasPrefix(b.Says,
		"The newest event came 0 days after the one before, sooner than the limit.") {
		t.Errorf("%+v", b)
	}
}

// everything is a report in each of its forms.
func everything(t testing.TB, r *Report) map[string]string {
	t.Helper()
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteCSV(&b, r); err != nil {
		t.Fatal(err)
	}
	return map[string]string{"json": string(data), "html": html(t, r), "csv": b.String()}
}

func TestNobodyIsNamed(t *testing.T) {
	w := invented(t)
	for form, text := range everything(t, made(t)) {
		for _, p := range w.People {
			if strings.Contains(text, p.Key) {
				t.Errorf("the %s has the patient key %s", form, p.Key)
			}
			for _, e := range p.Events {
				if strings.Contains(text, e.Fact) {
					t.Errorf("the %s has the fact %s", form, e.Fact)
				}
			}
		}
		if strings.Contains(text, "TRACK-SECRET") {
			t.Errorf("the %s has a track's name", form)
		}
	}
}

func TestAReportSurvivesItsJSON(t *testing.T) {
	r := made(t)
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	first, second := everything(t, r), everything(t, &back)
	for form := range first {
		if first[form] != second[form] {
			t.Errorf("the %s differs after its way through JSON", form)
		}
	}
}

var (
	numberPattern = regexp.MustCompile(`\d+(?:[.,]\d+)*`)
	blocks        = regexp.MustCompile(`(?s)<style>.*?</style>|<svg.*?</svg>|<[^>]*>`)
)

// numbersOf walks all values of a JSON document: numbers as a page may show them, and those
// within texts.
func numbersOf(v any, into map[string]bool) {
	switch x := v.(type) {
	case map[string]any:
		for _, e := range x {
			numbersOf(e, into)
		}
	case []any:
		for _, e := range x {
			numbersOf(e, into)
		}
	case string:
		for _, n := range numberPattern.FindAllString(x, -1) {
			into[n] = true
		}
	case json.Number:
		into[x.String()] = true
		f, _ := x.Float64()
		for digits := range 4 {
			into[strconv.FormatFloat(f, 'f', digits, 64)] = true
		}
	}
}

func TestEveryNumberOfThePageIsInTheJSON(t *testing.T) {
	r := made(t)
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	numbersOf(v, known)
	text := blocks.ReplaceAllString(html(t, r), " ")
	found := 0
	for _, n := range numberPattern.FindAllString(text, -1) {
		found++
		if !known[n] {
			t.Errorf("the page shows %s, which is not in the JSON", n)
		}
	}
	if found < 300 {
		t.Errorf("only %d numbers were found in the page", found)
	}
	if known["777777"] {
		t.Error("every number is taken as known")
	}
}

func TestTheFileIsTidy(t *testing.T) {
	r := made(t)
	var b bytes.Buffer
	if err := WriteCSV(&b, r); err != nil {
		t.Fatal(err)
	}
	if text := b.String(); strings.Count(text, "\n") != strings.Count(text, "\r\n") || !strings.HasSuffix(text, "\r\n") {
		t.Error("lines do not end as RFC 4180 has it")
	}
	rows := table(t, r)
	if got := strings.Join(rows[0], ","); got != "facility,month,window,class,group,figure,value,lower,upper,method,reason,month-begins" {
		t.Errorf("the head is %s", got)
	}
	for i, row := range rows[1:] {
		if row[0] != "invented-north" || row[1] != "2027-05" || row[5] == "" {
			t.Errorf("line %d: %q", i+2, row)
		}
		for _, cell := range row[6:9] {
			if _, err := strconv.ParseFloat(cell, 64); cell != "" && err != nil {
				t.Errorf("line %d: %q is not a number", i+2, cell)
			}
		}
		if row[6] == "" && row[10] == "" && !slices.Contains([]string{"rate-ratio"}, row[5]) {
			t.Errorf("line %d has neither value nor reason: %q", i+2, row)
		}
	}
	all := r.find(t, surveil.AccessRelated, surveil.AllAccess, WindowMonth)
	want := []string{"invented-north", "2027-05", "month", "access-related", "all", "rate-per-100-patient-months",
		decimal(all.PerHundred.Value), decimal(all.PerHundred.Exact.Lower), decimal(*all.PerHundred.Exact.Upper), "exact 95 %",
		"", "2027-05-01"}
	if !slices.ContainsFunc(rows, func(row []string) bool { return slices.Equal(row, want) }) {
		t.Errorf("no line %q", want)
	}
}

func TestASpreadsheetReadsNoFormula(t *testing.T) {
	for _, c := range []struct{ text, cell string }{
		{"invented-north", "invented-north"}, {"=1+1", "'=1+1"}, {"+1", "'+1"}, {"-1", "'-1"}, {"@SUM(A1)", "'@SUM(A1)"}, {"  =1", "'  =1"},
		{"\t=1", "'=1"}, {"\r\n=1", "'=1"}, {"one\r\ntwo", "one two"}, {"＝1", "'＝1"}, {"a=b", "a=b"}, {"", ""},
	} {
		if got := guarded(c.text); got != c.cell {
			t.Errorf("%q becomes %q, not %q", c.text, got, c.cell)
		}
	}
	r := made(t)
	r.Facility = "=HYPERLINK(1)"
	r.Charts[0].Says = "@evil"
	r.Charts[0].Notice = "\n+evil"
	for _, row := range table(t, r)[1:] {
		for _, cell := range row {
			if cell != "" && strings.ContainsRune("=+-@\t\r\n", rune(cell[0])) {
				t.Errorf("a cell begins a formula: %q", cell)
			}
		}
	}
}

// TestThePageNeedsNothingElse also looks at what those who do not see it are told.
func TestThePageNeedsNothingElse(t *testing.T) {
	page := html(t, made(t))
	for _, no := range []string{"<script", "<link", "<img", "@import", "url(", "src=", "href=", " style=", "<?xml", "<!DOCTYPE svg"} {
		if strings.Contains(page, no) {
			t.Errorf("the page has %q", no)
		}
	}
	if n := strings.Count(strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, ""), "http"); n != 0 {
		t.Errorf("the page names %d addresses", n)
	}
	figures := regexp.MustCompile(`<svg[^>]*>`).FindAllString(page, -1)
	if len(figures) != 3 {
		t.Errorf("%d figures", len(figures))
	}
	for _, f := range figures {
		if !regexp.MustCompile(`role="img" aria-label="[^"]{60,}"`).MatchString(f) {
			t.Errorf("a figure is not told in words: %s", f)
		}
	}
	for _, h := range regexp.MustCompile(`<th[ >][^>]*>?`).FindAllString(page, -1) {
		if !strings.Contains(h, "scope=") {
			t.Errorf("a head without scope: %s", h)
		}
	}
	for _, c := range regexp.MustCompile(`(?s)<table[^>]*>\s*<[a-z]+`).FindAllString(page, -1) {
		if !strings.HasSuffix(c, "<caption") {
			t.Errorf("a table without a caption: %q", c)
		}
	}
}

// TestContrast computes WCAG 2.1's contrast ratio (1.4.3): at least 4.5 for text.
func TestContrast(t *testing.T) {
	css, err := files.ReadFile("page/report.css")
	if err != nil {
		t.Fatal(err)
	}
	roots := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	if len(roots) != 3 {
		t.Fatalf("%d sets of colours", len(roots))
	}
	for i, root := range roots {
		colour := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]+);`).FindAllStringSubmatch(root[1], -1) {
			colour[m[1]] = luminance(t, m[2])
		}
		for _, pair := range [][2]string{{"ink", "paper"}, {"quiet", "paper"}, {"ink", "soft"}, {"quiet", "soft"}, {"stop", "paper"},
			{"ink", "warn-soft"}, {"warn", "warn-soft"}} {
			a, b := colour[pair[0]], colour[pair[1]]
			if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < 4.5 {
				t.Errorf("set %d: %s on %s has a contrast of %.2f", i, pair[0], pair[1], ratio)
			}
		}
	}
}

func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(n) / 255
		if c <= 0.03928 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// TestLimitsByBothConventions holds the mid-P limits of three events against their definition
// (Lancaster, JASA 56:223, 1961), summed up by hand: the tail with half of the probability of
// exactly as many is 2.5 %.
func TestLimitsByBothConventions(t *testing.T) {
	r := made(t)
	all := r.find(t, surveil.AccessRelated, surveil.AllAccess, WindowMonth)
	exactly := func(k int, mean float64) float64 {
		p := math.Exp(-mean)
		for i := 1; i <= k; i++ {
			p *= mean / float64(i)
		}
		return p
	}
	below := func(mean float64) float64 { return exactly(0, mean) + exactly(1, mean) + exactly(2, mean) }
	lower, upper := all.PerHundred.MidP.Lower*0.62, *all.PerHundred.MidP.Upper*0.62
	if p := 1 - below(lower) - exactly(3, lower)/2; math.Abs(p-0.025) > 1e-6 {
		t.Errorf("beyond the lower limit %v lies %v", lower, p)
	}
	if p := below(upper) + exactly(3, upper)/2; math.Abs(p-0.025) > 1e-6 {
		t.Errorf("beyond the upper limit %v lies %v", upper, p)
	}
	methods := map[string]string{}
	for _, row := range table(t, r) {
		if row[2] == WindowMonth && row[3] == string(surveil.AccessRelated) && row[4] == string(surveil.AllAccess) &&
			row[5] == "rate-per-100-patient-months" {
			methods[row[9]] = row[7] + " " + row[8]
		}
	}
	if len(methods) != 2 || methods["exact 95 %"] != decimal(all.PerHundred.Exact.Lower)+" "+decimal(*all.PerHundred.Exact.Upper) ||
		methods["mid-P 95 %"] != decimal(all.PerHundred.MidP.Lower)+" "+decimal(*all.PerHundred.MidP.Upper) {
		t.Errorf("%v", methods)
	}
}

func TestRunningNumbers(t *testing.T) {
	w := bare(t, "numbered", 3, surveil.ConstantSite, "2026-01-01", "2027-02-10")
	happens(t, w, 2, "2026-06-01", surveil.Event{Kind: surveil.SiteSigns, Counted: true, Tracks: []string{"V"}})
	happens(t, w, 0, "2026-12-31", surveil.Event{Kind: surveil.SiteSigns, Counted: true, Tracks: []string{"V"}})
	happens(t, w, 2, "2027-01-01", surveil.Event{Kind: surveil.SiteSigns, Counted: true, Tracks: []string{"A", "V"}})
	happens(t, w, 1, "2027-02-01", surveil.Event{Kind: surveil.SiteSigns, Counted: true})
	r := report(t, w, "2027-01", Knowledge{})
	var got []string
	for _, c := range r.Cases {
		got = append(got, fmt.Sprint(c.No, " ", c.Day, " ", c.Patient, " ", c.Tracks, " ", c.InMonth))
	}
	want := []string{"1 2026-06-01 1 [1.1] false", "2 2026-12-31 2 [2.1] false", "3 2027-01-01 1 [1.2 1.1] true"}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	page := html(t, r)
	if in, earlier := strings.Index(page, "<caption>In the month"),
		strings.Index(page, "<caption>Earlier in the year"); in < 0 || earlier < in ||
		strings.Count(page[in:earlier], "2027-01-01") != 1 || strings.Contains(page[in:earlier], "2026-12-31") ||
		!strings.Contains(page[earlier:], "2026-12-31") {
		t.Error("the month's cases do not stand before the earlier ones")
	}
}

// A gap is judged by those before it only, of which there must be three.
func TestAGapIsNotJudgedByItself(t *testing.T) {
	w := bare(t, "gaps", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
	for i, on := range []string{"2026-02-01", "2026-02-11", "2026-02-21", "2026-03-03", "2026-12-28"} {
		happens(t, w, i, on, bacteraemia())
	}
	b := report(t, w, "2027-01", Knowledge{}).Between[0]
	if len(b.Gaps) != 4 || b.Gaps[2].Limits != nil || b.Gaps[3].Limits == nil {
		t.Fatalf("%+v", b.Gaps)
	}
	// By three gaps of 10 days, of F(2, 6): half lie below 10 × 3 × (2^(1/3) − 1) = 7.8 days.
	if g := b.Gaps[3]; g.Days != 300 || math.Abs(g.Limits.Centre-7.7976) > 1e-3 {
		t.Errorf("%+v %+v", g, g.Limits)
	}
	if text := strings.Join(strings.Fields(html(t, report(t, w, "2027-01", Knowledge{}))), " "); !strings.Contains(text,
		"4 gaps up to 2026-12-28, and 44 days since then.") {
		t.Error("the figure of the gaps is not told in words")
	}
}

// A threshold is withdrawn while its signal stands: the report says that it stands, and
// shows neither a threshold of 0 nor a date on which none was set.
func TestASignalThatOutlastsItsThreshold(t *testing.T) {
	w := invented(t)
	n := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}
	raised := w.Charts[0].Signals[1:]
	if err := w.Run(nil, raised, nil); err != nil {
		t.Fatal(err)
	}
	r, err := makeReport(w, []*surveil.Watch{w}, month(t, "2027-05"), Knowledge{Sequence: 48211, LogSequence: 48211})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Charts) != 1 {
		t.Fatalf("%d charts, want that of the signal", len(r.Charts))
	}
	c := r.Charts[0]
	want := "A signal stands since " + raised[0].Day.String() +
		", although its threshold was withdrawn: look into it, and acknowledge it with what was done."
	if c.ChartName != n || !c.Standing || c.Says != want || c.From != "" ||
		c.Notice != "Nobody can say what it can notice: no threshold is set." || len(c.Signals) != 1 {
		t.Errorf("the chart: %+v", c)
	}
	if s := chartNow(w, n); s == nil || s.Signal == nil || s.From != "" {
		t.Errorf("as one who acknowledges sees it: %+v", s)
	}
	if !slices.Contains(r.Unset.Charts, n) {
		t.Errorf("it is not among those without a threshold: %v", r.Unset.Charts)
	}
	for _, l := range chartLines(&c) {
		if l.figure == "sum" && (l.value != "" || l.upper != "" || l.reason != want) {
			t.Errorf("the line of the sum: %+v", l)
		}
	}
	var b bytes.Buffer
	if err := WriteHTML(&b, &r); err != nil || !strings.Contains(b.String(), want) || strings.Contains(b.String(), "1970") {
		t.Errorf("the page, %v, does not say that the signal stands, or shows a date of 1970", err)
	}
}
