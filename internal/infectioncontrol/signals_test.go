package infectioncontrol

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

var accessRelated = surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}

// charted runs the charts of a unit.
func charted(t *testing.T, w *surveil.Watch, limit surveil.Threshold, raised []surveil.Raised, acks ...surveil.Acknowledgement) {
	t.Helper()
	if err := w.Run(map[surveil.ChartName]surveil.Threshold{limit.ChartName: limit}, raised, acks); err != nil {
		t.Fatal(err)
	}
}

// signalled is a unit with two infections in a week, a threshold that they reached, and that signal.
func signalled(t *testing.T, asOf string) (*surveil.Watch, surveil.Threshold, surveil.Raised) {
	t.Helper()
	w := bare(t, "signalled", 22, surveil.ConstantSite, "2026-01-01", asOf)
	happens(t, w, 1, "2026-10-20", bacteraemia())
	happens(t, w, 2, "2026-10-24", bacteraemia())
	limit := surveil.Threshold{ChartName: accessRelated, Fact: "set", Seq: 10, Reference: 0.2, R: 2, H: 1.3, InControl: 120, SetBy: "S-900",
		From: day(t, "2026-03-01")}
	r := surveil.Raised{ChartName: accessRelated, Seq: 40, Day: day(t, "2026-10-24"), Sum: 1.379,
		Seen: w.Seen(accessRelated, day(t, "2026-10-24"))}
	return w, limit, r
}

// saying is the page as its words.
func saying(t *testing.T, w *surveil.Watch, m string) string {
	t.Helper()
	return strings.Join(strings.Fields(blocks.ReplaceAllString(html(t, report(t, w, m, Knowledge{})), " ")), " ")
}

func TestAfterAnAcknowledgementTheChartRestartsTomorrow(t *testing.T) {
	w, limit, r := signalled(t, "2026-11-24")
	ack := surveil.Acknowledgement{ChartName: accessRelated, Fact: "answer", Seq: 50, On: day(t, "2026-11-24"), By: "S-901",
		Reason: "Seen.", Seen: r.Seen}
	charted(t, w, limit, []surveil.Raised{r}, ack)
	c := report(t, w, "2026-10", Knowledge{}).Charts[0]
	if want := "No signal stands: it was acknowledged on 2026-11-24 by S-901; the chart restarts tomorrow at 0.650, half of its " +
		"threshold of 1.300."; c.Says != want || c.Standing {
		t.Errorf("%q", c.Says)
	}
	if want := "From the sum as it stands, 0.650 of 1.300, one more infection is a signal; within 12 months it signals with a chance " +
		"of "; !strings.HasPrefix(c.Now, want) {
		t.Errorf("%q", c.Now)
	} else if page := saying(t, w, "2026-10"); !strings.Contains(page, c.Now) ||
		!slices.ContainsFunc(table(t, report(t, w, "2026-10", Knowledge{})), func(row []string) bool { return row[10] == c.Now }) {
		t.Error("the page or the file does not say so")
	}
	happens(t, w, 3, "2026-11-23", bacteraemia())
	charted(t, w, limit, []surveil.Raised{r}, ack)
	if c := report(t, w, "2026-10", Knowledge{}).Charts[0]; !strings.HasSuffix(c.Says,
		"Infections that became known since then and count from the restart on: 1.") || c.Now != "" {
		// With it the restart's sum is a signal at once.
		t.Errorf("%q %q", c.Says, c.Now)
	}
	w.AsOf++
	charted(t, w, limit, []surveil.Raised{r}, ack)
	if c := report(t, w, "2026-10", Knowledge{}).Charts[0]; c.Says != "No signal stands. The sum is 1.342 of the 1.300 that is a signal." {
		// 0.65 + ln 2 − a day's 0.00145, at 1.3: the projector raises the next signal here.
		t.Errorf("%q", c.Says)
	}
}

func TestWhatTheNextInfectionMeansFromTheSumAsItStands(t *testing.T) {
	w, limit, r := signalled(t, "2026-11-24")
	ack := surveil.Acknowledgement{ChartName: accessRelated, Fact: "answer", Seq: 50, On: day(t, "2026-11-20"), By: "S-901",
		Reason: "Seen.", Seen: r.Seen}
	for _, c := range []struct {
		sentence string
		h        float64
		raised   []surveil.Raised
		want     string
	}{
		// 0.65 less four days of 22 × 0.002 / 30.44, the restart's own day among them; 0.65 − 0.006 + ln 2 is at least 1.3.
		{"after the restart", 1.3, []surveil.Raised{r},
			"From the sum as it stands, 0.644 of 1.300, one more infection is a signal; within 12 months it signals with a chance of "},
		{"at a higher threshold", 2.6, []surveil.Raised{r},
			"From the sum as it stands, 1.294 of 2.600, one more infection is no signal yet; within 12 months it signals with a chance " +
				"of "},
	} {
		limit.H = c.h
		charted(t, w, limit, c.raised, ack)
		if got := report(t, w, "2026-10", Knowledge{}).Charts[0].Now; !strings.HasPrefix(got, c.want) {
			t.Errorf("%s: %q", c.sentence, got)
		}
	}
	charted(t, w, limit, []surveil.Raised{r})
	if got := report(t, w, "2026-10", Knowledge{}).Charts[0]; got.Now != "" || !got.Standing {
		t.Errorf("while a signal stands: %q", got.Now)
	}
}

func TestASignalThatWasRaisedByWhatNoLongerCounts(t *testing.T) {
	for _, c := range []struct {
		sentence string
		change   func(w *surveil.Watch, e *surveil.Event)
		says     string
	}{
		{"nothing has changed", func(*surveil.Watch, *surveil.Event) {}, ""},
		{"assessed as another site", func(_ *surveil.Watch, e *surveil.Event) {
			e.Source = cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE
		}, "Raised by a culture of 2026-10-24 since assessed as another site; without it the threshold would not have been reached."},
		{"assessed as contamination, and another infection followed", func(w *surveil.Watch, e *surveil.Event) {
			e.Source = cannularyv1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION
			happens(t, w, 5, "2026-10-29", bacteraemia())
		}, "Raised by a culture of 2026-10-24 since assessed as contamination; without it the threshold was reached on 2026-10-29."},
		{"its date corrected into the 21 days of another", func(_ *surveil.Watch, e *surveil.Event) {
			e.Counted, e.Why = false, "less than 21 days after the previous positive blood culture"
		}, "Raised by a culture of 2026-10-24 that no longer counts (less than 21 days after the previous positive blood culture); " +
			"without it the threshold would not have been reached."},
		{"taken back", func(w *surveil.Watch, _ *surveil.Event) { w.People[2].Events = nil },
			"Raised by an infection that is no longer on record; without it the threshold would not have been reached."},
		{"found to be of another technique", func(_ *surveil.Watch, e *surveil.Event) { e.Technique = surveil.Graft },
			"Raised by a culture of 2026-10-24 that is now of another technique; without it the threshold would not have been reached."},
		{"an infection that came to be known late made it earlier",
			func(w *surveil.Watch, _ *surveil.Event) { happens(t, w, 5, "2026-10-19", bacteraemia()) },
			"By what is known now the threshold was reached on 2026-10-20."},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			w, limit, r := signalled(t, "2026-11-24")
			c.change(w, &w.People[2].Events[0])
			charted(t, w, limit, []surveil.Raised{r})
			s := report(t, w, "2026-10", Knowledge{}).Charts[0].Signals[0]
			if s.Since != c.says || s.Day != "2026-10-24" {
				t.Errorf("%q", s.Since)
			}
			if c.says != "" && !strings.Contains(saying(t, w, "2026-10"), c.says) {
				t.Error("the page does not say so")
			}
		})
	}
}

func TestTheFormerChartStaysInTheReport(t *testing.T) {
	w, limit, r := signalled(t, "2026-11-24")
	ack := surveil.Acknowledgement{ChartName: accessRelated, Fact: "answer", Seq: 50, On: day(t, "2026-11-20"), By: "S-901",
		Reason: "Seen.", Seen: r.Seen}
	anew := limit
	anew.Fact, anew.Seq, anew.H, anew.SetBy, anew.From = "set anew", 60, 1.5, "S-950", day(t, "2026-11-20")
	w.Replaced = []surveil.Threshold{limit}
	charted(t, w, anew, []surveil.Raised{r}, ack)
	page := saying(t, w, "2026-11")
	// The sum by hand: 2 ln 2 less 31 days, 20 October to 19 November, of 22 × 0.002 / 30.44.
	for _, want := range []string{
		"Before, from 2026-03-01 to 2026-11-19, the chart ran with a threshold of 1.300 for 2 times 0.2 per 100 patient-months, set by " +
			"S-900. It gave a signal on 2026-10-24; its last sum was 1.341.",
		"The threshold of a chart was set again on 2026-11-20: Fistula, constant-site, access-related bloodstream infection. It began at 0.",
		"threshold 1.500, set by S-950 on 2026-11-20.",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing in %s", want, page[strings.Index(page, "Before,"):][:300])
		}
	}
	if strings.Contains(saying(t, w, "2026-11"), "would not have been reached") {
		t.Error("a signal of the former chart is judged by the new one")
	}
	rows := table(t, report(t, w, "2026-11", Knowledge{}))
	if !slices.ContainsFunc(rows, func(row []string) bool {
		return row[5] == "former-sequential-sum" && row[8] == "1.3" && strings.Contains(row[10], "set by S-900")
	}) {
		t.Error("the file has no former chart")
	}
}

// TestWhatWasAskedForAndWhatItIs: one sentence has both.
func TestWhatWasAskedForAndWhatItIs(t *testing.T) {
	w, limit, r := signalled(t, "2026-11-24")
	limit.H = 1.271
	charted(t, w, limit, []surveil.Raised{r})
	page := saying(t, w, "2026-10")
	run, err := incidence.Design{Setting: incidence.Setting{PatientMonths: 22, Rate: 0.2},
		Signal: incidence.Signal{R: 2, H: 1.271}}.RunLength(1)
	if err != nil || run.FromZero < 130 {
		t.Fatal(run, err)
	}
	if want := fmt.Sprintf("A false alarm in 120 months was asked for; while nothing is wrong, the size of 22 patients gives one in %.0f "+
		"months on average.", run.FromZero); !strings.Contains(page, want) {
		t.Error(page[strings.Index(page, "A false alarm"):][:200])
	}
	if strings.Contains(page, "months between false alarms") {
		t.Error("it is said twice")
	}
	if !strings.Contains(page,
		"At this size, from a sum of 0, one infection by itself is no signal, a second one within 3 months of it is.") {
		t.Error("what single infections mean is not said")
	}
}

func TestWhatWasTypedIsMarked(t *testing.T) {
	w, limit, r := signalled(t, "2026-11-24")
	charted(t, w, limit, []surveil.Raised{r}, surveil.Acknowledgement{ChartName: accessRelated, Fact: "answer", Seq: 50,
		On: day(t, "2026-11-20"), By: "S-901", Reason: "Invented Person 7 had a scab", Seen: r.Seen})
	rep := report(t, w, "2026-10", Knowledge{})
	for form, text := range everything(t, rep) {
		if form != "json" && (strings.Count(text, "Invented Person 7") != 1 ||
			!strings.Contains(text, "as typed: “Invented Person 7 had a scab”")) {
			t.Errorf("the %s does not mark it", form)
		}
	}
}

func TestTheChoicesOfASmallUnit(t *testing.T) {
	w := bare(t, "small", 1, surveil.ConstantSite, "2026-01-01", "2026-11-24")
	ask := func(patients float64) Threshold {
		out, err := service(nil, w).Threshold(t.Context(), ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated,
			RateRatio: 2, InControlMonths: 120, Reference: 0.2, Patients: patients})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	// 4.4 × 0.2 / 100 a month: an infection in 113.6 months, at a doubled rate in 56.8.
	small := ask(4.4)
	if small.H != 0.694 || small.Asked != 120 || len(small.Choices) != 2 {
		t.Fatalf("%+v", small)
	}
	if s := small.Choices[0]; s.H != 0.347 ||
		s.Says != "one infection by itself is a signal: false alarm after 9.5 years, a doubled rate noticed after 4.7 years" {
		t.Errorf("%+v", s)
	}
	if s := small.Choices[1]; s.H != small.H ||
		!strings.HasPrefix(s.Says, "one infection by itself is no signal, a second one within 7 years of it is: false alarm after 28.") {
		t.Errorf("%+v", s)
	}
	if s := ask(3).Choices; len(s) != 2 || s[0].H != 0.347 || s[1].H <= 0.69315 {
		t.Errorf("where each infection is a signal the other choice is %+v", s)
	}
	if s := ask(25.6).Choices; s != nil {
		t.Errorf("a unit of 25 has choices: %+v", s)
	}
}
