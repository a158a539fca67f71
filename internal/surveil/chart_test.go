package surveil_test

import (
	"testing"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	v1 "cannulary/proto/cannulary/v1"
)

// ten are ten constant-site patients at a reference rate that expects μ = 0.15 events a day,
// far more than any unit has, so that the published steps of the sum can be seen; R = 3.
func ten(t *testing.T, h float64, from, asOf string) (*surveil.Unit, surveil.Threshold) {
	t.Helper()
	return unit(t, 10, asOf), surveil.Threshold{
		ChartName: surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream},
		Reference: 0.15 / 10 * incidence.DaysPerMonth * 100, R: 3, H: h, From: day(t, from),
	}
}

func run(t *testing.T, u *surveil.Unit, th surveil.Threshold, acks ...surveil.Acknowledgement) surveil.Chart {
	t.Helper()
	c, err := u.Chart(th, acks)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func sumOn(t *testing.T, c surveil.Chart, on string) float64 {
	t.Helper()
	for _, p := range c.Points {
		if p.Day == day(t, on) {
			return p.Sum
		}
	}
	t.Fatalf("the chart has no %s: %+v", on, c.Points)
	return 0
}

// W = y ln R − μ (R − 1): with μ = 0.15 and R = 3 no event, one and two give −0.3, 0.79861
// and 1.89722 (computed independently; Lucas 1985 for varying exposure, from memory).
const none, one, two = -0.3, 0.79861, 1.89722

func TestStepsOfTheSum(t *testing.T) {
	u, th := ten(t, 100, "2026-03-02", "2026-03-06")
	happens(t, u, 0, "2026-03-01") // before the chart begins
	happens(t, u, 0, "2026-03-03")
	happens(t, u, 1, "2026-03-03")
	happens(t, u, 2, "2026-03-05")
	happens(t, u, 3, "2026-03-07") // of tomorrow
	c := run(t, u, th)
	if len(c.Points) != 5 || c.Points[0].Day != th.From || c.Crossed != nil {
		t.Fatalf("%d points, crossed %v", len(c.Points), c.Crossed)
	}
	near(t, "what is expected of a day", c.Points[0].Expected, 0.15, 1e-12)
	near(t, "a day without an event, from 0", sumOn(t, c, "2026-03-02"), 0, 0)
	near(t, "a day with two", sumOn(t, c, "2026-03-03"), two, 5e-6)
	near(t, "a day without one", sumOn(t, c, "2026-03-04"), two+none, 5e-6)
	near(t, "a day with one", sumOn(t, c, "2026-03-05"), two+none+one, 1e-5)
	near(t, "today", c.Sum(), two+none+one+none, 1e-5)
	// With two of its ten patients a day expects a fifth.
	for i := 2; i < 10; i++ {
		u.People[i].Exposures[0].To = day(t, "2026-03-04")
	}
	near(t, "exposure of the day", run(t, u, th).Points[2].Expected, 0.03, 1e-12)
	// Before the threshold was set there is no chart.
	u.AsOf = day(t, "2026-03-01")
	if c := run(t, u, th); len(c.Points) != 0 || c.Sum() != 0 {
		t.Errorf("a chart before its threshold: %+v", c)
	}
	// Of another class, technique or facility nothing counts.
	u, th = ten(t, 100, "2026-03-02", "2026-03-03")
	happens(t, u, 0, "2026-03-03")
	u.People[0].Events = append(u.People[0].Events,
		surveil.Event{Kind: surveil.BloodCulture, Fact: "a", Facility: north, Day: day(t, "2026-03-03"), Counted: true,
			Technique: surveil.ConstantSite},
		surveil.Event{Kind: surveil.BloodCulture, Fact: "b", Facility: east, Day: day(t, "2026-03-03"), Counted: true,
			Technique: surveil.OtherFistula},
		surveil.Event{Kind: surveil.SiteSigns, Fact: "c", Facility: east, Day: day(t, "2026-03-03"), Counted: true,
			Technique: surveil.ConstantSite},
		surveil.Event{Kind: surveil.BloodCulture, Fact: "d", Facility: east, Day: day(t, "2026-03-03"), Technique: surveil.ConstantSite})
	if c := run(t, u, th); c.Points[1].Events != 1 {
		t.Errorf("%d events of the chart, want 1", c.Points[1].Events)
	}
	// An event without anybody at risk on its day is evidence all the same.
	u.People[0].Exposures, u.People = nil, u.People[:1]
	if c := run(t, u, th); c.Points[1].Expected != 0 || c.Sum() < 1 {
		t.Errorf("without exposure: %+v", c.Points[1])
	}
}

func TestASignalIsAtTheThresholdOrAbove(t *testing.T) {
	u, th := ten(t, 1.89, "2026-03-02", "2026-03-08")
	happens(t, u, 0, "2026-03-04")
	happens(t, u, 1, "2026-03-04")
	if c := run(t, u, th); c.Crossed == nil || c.Crossed.Day != day(t, "2026-03-04") || c.Sum() >= th.H {
		t.Errorf("a signal stays while the sum falls (%v): %+v", c.Sum(), c.Crossed)
	}
	th.H = 1.9
	if c := run(t, u, th); c.Crossed != nil {
		t.Errorf("a signal below the threshold: %+v", c.Crossed)
	}
	th.H = run(t, u, th).Points[2].Sum
	if c := run(t, u, th); c.Crossed == nil {
		t.Error("no signal at the threshold itself")
	}
}

func TestAcknowledgementRestartsTheNextDay(t *testing.T) {
	ack := func(on string, seen ...string) surveil.Acknowledgement {
		return surveil.Acknowledgement{On: day(t, on), Seen: seen}
	}
	u, th := ten(t, 1.6, "2026-03-02", "2026-03-10")
	a, b := happens(t, u, 0, "2026-03-04"), happens(t, u, 1, "2026-03-04")
	c := run(t, u, th, ack("2026-03-06", a, b))
	near(t, "the day of the acknowledgement", sumOn(t, c, "2026-03-06"), two+none+none, 5e-6)
	// On the next day at half of the threshold, 0.8, from which that day's step is made.
	near(t, "the restart", sumOn(t, c, "2026-03-07"), 0.8+none, 1e-9)
	near(t, "the day after", sumOn(t, c, "2026-03-08"), 0.8+none+none, 1e-9)
	if c.Crossed != nil {
		t.Errorf("answered, and signals again: %+v", c.Crossed)
	}
	for _, p := range c.Points {
		if p.Restart != (p.Day == day(t, "2026-03-07")) {
			t.Errorf("restart on %s: %v", p.Day, p.Restart)
		}
	}
	// On the day itself it is answered already.
	u.AsOf = day(t, "2026-03-06")
	if c := run(t, u, th, ack("2026-03-06", a, b)); c.Crossed != nil {
		t.Errorf("acknowledged today: %+v", c.Crossed)
	}
	if c := run(t, u, th); c.Crossed == nil {
		t.Error("not acknowledged, and no signal")
	}
	u.AsOf = day(t, "2026-03-10")
	// One more event on the restart's day: 0.8 + 0.79861 is just below 1.6; one the next day is not enough either.
	x := happens(t, u, 2, "2026-03-07")
	c = run(t, u, th, ack("2026-03-06", a, b))
	near(t, "an event on the restart's day", sumOn(t, c, "2026-03-07"), 0.8+one, 5e-6)
	if c.Crossed != nil {
		t.Errorf("crossed at %v", c.Crossed)
	}
	// A second one makes it a new signal.
	happens(t, u, 3, "2026-03-08")
	if c = run(t, u, th, ack("2026-03-06", a, b)); c.Crossed == nil || c.Crossed.Day != day(t, "2026-03-08") {
		t.Errorf("a new signal: %+v", c.Crossed)
	}
	// Answered in its turn.
	c = run(t, u, th, ack("2026-03-06", a, b), ack("2026-03-09", a, b, x, "f3.2026-03-08"))
	if c.Crossed != nil {
		t.Errorf("the second answer: %+v", c.Crossed)
	}
	near(t, "the second restart", sumOn(t, c, "2026-03-10"), 0.8+none, 1e-9)
}

func TestNoInfectionIsLostToTheChart(t *testing.T) {
	u, th := ten(t, 1.6, "2026-03-02", "2026-03-10")
	a, b := happens(t, u, 0, "2026-03-04"), happens(t, u, 1, "2026-03-04")
	seen := surveil.Acknowledgement{On: day(t, "2026-03-06"), Seen: []string{a, b}}
	// It becomes known after the acknowledgement that there was another on the 3rd: it counts
	// on the restart's day; those that were known are not counted twice.
	happens(t, u, 2, "2026-03-03")
	c := run(t, u, th, seen)
	near(t, "its own date", sumOn(t, c, "2026-03-03"), 0, 0)
	near(t, "the restart's day", sumOn(t, c, "2026-03-07"), 0.8+one, 5e-6)
	// On the day of the acknowledgement itself too.
	happens(t, u, 3, "2026-03-06")
	c = run(t, u, th, seen)
	if c.Crossed == nil || c.Crossed.Day != day(t, "2026-03-07") {
		t.Errorf("two infections came to be known: %+v", c.Crossed)
	}
	// Not while the day has not come.
	u.AsOf = day(t, "2026-03-06")
	if c := run(t, u, th, seen); c.Crossed != nil {
		t.Errorf("tomorrow's restart: %+v", c.Crossed)
	}
	u.AsOf = day(t, "2026-03-10")
	// An infection of before the chart began is no matter of the chart, however late it is told.
	u.People[2].Events, u.People[3].Events = nil, nil
	happens(t, u, 2, "2026-03-01")
	happens(t, u, 3, "2026-02-01")
	near(t, "infections of before the chart", sumOn(t, run(t, u, th, seen), "2026-03-07"), 0.8+none, 1e-9)
	// Known between two acknowledgements: counted after the first, not again after the second.
	u.People[2].Events, u.People[3].Events = nil, nil
	late := happens(t, u, 2, "2026-03-03")
	c = run(t, u, th, seen, surveil.Acknowledgement{On: day(t, "2026-03-08"), Seen: []string{a, b, late}})
	near(t, "after the first", sumOn(t, c, "2026-03-07"), 0.8+one, 5e-6)
	near(t, "after the second", sumOn(t, c, "2026-03-09"), 0.8+none, 1e-9)
}

func TestAThresholdSetAnewBeginsAtNothing(t *testing.T) {
	// The old chart's signal was acknowledged the day before the new threshold was set.
	u, th := ten(t, 1.6, "2026-03-07", "2026-03-08")
	near(t, "the new chart's first day", run(t, u, th, surveil.Acknowledgement{On: day(t, "2026-03-06")}).Points[0].Sum, 0, 0)
	happens(t, u, 0, "2026-03-07")
	c := run(t, u, th, surveil.Acknowledgement{On: day(t, "2026-03-06")})
	near(t, "with an event", c.Points[0].Sum, one, 5e-6)
	if c.Points[0].Restart {
		t.Error("it began, it did not restart")
	}
}

// setAnew gives a chart of two thresholds, of which the second took the place of the first.
func setAnew(t *testing.T, u *surveil.Unit, first, second surveil.Threshold, raised []surveil.Raised,
	acks ...surveil.Acknowledgement) surveil.WatchedChart {
	t.Helper()
	w := surveil.Watch{Unit: *u, Replaced: []surveil.Threshold{first}}
	if err := w.Run(map[surveil.ChartName]surveil.Threshold{second.ChartName: second}, raised, acks); err != nil {
		t.Fatal(err)
	}
	return w.Charts[0]
}

func TestNoInfectionIsLostBetweenTwoThresholds(t *testing.T) {
	u, first := ten(t, 1.6, "2026-03-02", "2026-03-10")
	a, b := happens(t, u, 0, "2026-03-04"), happens(t, u, 1, "2026-03-04")
	first.Seq, first.SetBy = 5, "S-1"
	second := first
	second.H, second.From, second.Seq, second.SetBy = 2.5, day(t, "2026-03-07"), 30, "S-2"
	raised := []surveil.Raised{{ChartName: first.ChartName, Seq: 10, Day: day(t, "2026-03-04"), Sum: two, Seen: []string{a, b}}}
	ack := surveil.Acknowledgement{ChartName: first.ChartName, Fact: "answer", Seq: 20, On: day(t, "2026-03-06"), By: "S-1",
		Seen: []string{a, b}}
	ch := setAnew(t, u, first, second, raised, ack)
	near(t, "it begins at 0", ch.Points[0].Sum, 0, 0)
	if ch.Points[0].Restart || ch.Points[0].Day != second.From {
		t.Errorf("it began, it did not restart: %+v", ch.Points[0])
	}
	if len(ch.Former) != 1 {
		t.Fatalf("%+v", ch.Former)
	}
	f := ch.Former[0]
	if f.SetBy != "S-1" || f.From != first.From || f.Until != day(t, "2026-03-06") || len(f.Signals) != 1 ||
		f.Signals[0].Acknowledged != "answer" {
		t.Errorf("the former chart: %+v", f)
	}
	near(t, "its last sum", f.Sum, two+none+none, 5e-6)
	// Known after the answer, it waits for the former chart's restart, which never comes.
	happens(t, u, 2, "2026-03-05")
	ch = setAnew(t, u, first, second, raised, ack)
	near(t, "it counts on the new chart's first day", ch.Points[0].Sum, one, 5e-6)
	// The same on one day: signalled, answered, and a new threshold set.
	second.From = ack.On
	ch = setAnew(t, u, first, second, raised, ack)
	near(t, "set anew on the day of the answer", ch.Points[0].Sum, one, 5e-6)
	if ch.Points[1].Restart {
		t.Error("an answer to the former chart restarts the new one")
	}
	// What became known only after the new threshold was set counts there too, once.
	second.From, second.Seen = day(t, "2026-03-07"), []string{a, b, "f2.2026-03-05"}
	ack.Seen = second.Seen
	happens(t, u, 3, "2026-03-03")
	ch = setAnew(t, u, first, second, raised, ack)
	near(t, "told after it was set", ch.Points[0].Sum, one, 5e-6)
	// Of before the first of them nothing counts, however late it is told.
	happens(t, u, 4, "2026-03-01")
	near(t, "of before any chart", setAnew(t, u, first, second, raised, ack).Points[0].Sum, one, 5e-6)
}

func TestWhenASignalWouldHaveBeenReached(t *testing.T) {
	u, th := ten(t, 1.6, "2026-03-02", "2026-03-10")
	a, b := happens(t, u, 0, "2026-03-04"), happens(t, u, 1, "2026-03-04")
	r := surveil.Raised{ChartName: th.ChartName, Seq: 10, Day: day(t, "2026-03-04"), Sum: two, Seen: []string{a, b}}
	reached := func(acks ...surveil.Acknowledgement) (string, bool) {
		w := surveil.Watch{Unit: *u}
		if err := w.Run(map[surveil.ChartName]surveil.Threshold{th.ChartName: th}, []surveil.Raised{r}, acks); err != nil {
			t.Fatal(err)
		}
		d, ok, known := w.Charts[0].Reached(w.Charts[0].Signals[0])
		if !known {
			t.Error("it cannot be said")
		}
		if !ok {
			return "", false
		}
		return d.String(), ok
	}
	if d, ok := reached(); !ok || d != "2026-03-04" {
		t.Errorf("as it was raised: %s %v", d, ok)
	}
	u.People[1].Events[0].Counted = false // corrected since
	if d, ok := reached(); ok {
		t.Errorf("without one of the two it is reached on %s", d)
	}
	happens(t, u, 2, "2026-03-06")
	happens(t, u, 3, "2026-03-06")
	if d, ok := reached(); !ok || d != "2026-03-06" {
		t.Errorf("by others: %s %v", d, ok)
	}
	// What happened after the answer is no reason of the signal.
	if d, ok := reached(surveil.Acknowledgement{ChartName: th.ChartName, Fact: "x", Seq: 11, On: day(t, "2026-03-05"),
		Seen: []string{a, b}}); ok {
		t.Errorf("reached on %s, after it was answered", d)
	}
}

func TestARestartIsTomorrow(t *testing.T) {
	u, th := ten(t, 1.6, "2026-03-02", "2026-03-06")
	a, b := happens(t, u, 0, "2026-03-04"), happens(t, u, 1, "2026-03-04")
	late := happens(t, u, 2, "2026-03-05")
	ack := surveil.Acknowledgement{On: day(t, "2026-03-06"), Seen: []string{a, b}}
	if c := run(t, u, th, ack); c.Restarts != day(t, "2026-03-07") || len(c.Waits) != 1 || c.Waits[0] != late {
		t.Errorf("restarts %s, waits %v", c.Restarts, c.Waits)
	}
	u.AsOf = day(t, "2026-03-07")
	if c := run(t, u, th, ack); c.Restarts != 0 || c.Waits != nil || !c.Points[5].Restart {
		t.Errorf("it restarted: %s %v", c.Restarts, c.Waits)
	}
}

func TestWatchedTechniques(t *testing.T) {
	for p, want := range map[v1.NeedlingPattern]surveil.Technique{
		v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE: surveil.ConstantSite,
		v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER:   surveil.OtherFistula,
		v1.NeedlingPattern_NEEDLING_PATTERN_AREA_PUNCTURE: surveil.OtherFistula,
	} {
		if got := surveil.Watched(p); got != want {
			t.Errorf("%v is watched as %s, want %s", p, got, want)
		}
	}
}

// A threshold may be set before the first treatment is on record; nothing counts until then.
func TestNobodyIsExpectedToFallIllBeforeTheRecord(t *testing.T) {
	u, th := ten(t, 100, "2026-03-02", "2026-03-06")
	u.Since = day(t, "2026-03-04")
	happens(t, u, 0, "2026-03-03")
	for _, p := range run(t, u, th).Points {
		if before := p.Day < u.Since; before != (p.Expected == 0) || p.Events != 0 {
			t.Errorf("on %s %d events, %v expected", p.Day, p.Events, p.Expected)
		}
	}
}
