package surveillance

import (
	"math"
	"slices"
	"sort"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Chart names a chart of a facility.
type Chart struct{ Technique, Class string }

// limit is a threshold as it was set.
type limit struct {
	fact, begins string
	seq          uint64
	says         *cannularyv1.SurveillanceThresholdSet
}

// answer is an acknowledgement as it stands.
type answer struct {
	fact  string
	seq   uint64
	date  string
	chart Chart
}

// Signal is what a chart once gave.
type Signal struct {
	Chart
	Seq  uint64
	Date string
	Sum  float64
	// Answered is the fact that acknowledged it; empty while it stands.
	Answered string
	Seen     []string // the events that were known and counted then, sorted
}

// Point is a chart at the end of a date.
type Point struct {
	Date          string
	Events        int
	Expected, Sum float64
	Restart       bool
}

// Course is a chart as it runs.
type Course struct {
	Chart
	Threshold string // the fact that set it; empty where none stands any more
	Begins    string
	Points    []Point
	Crossed   *Point
	Signals   []Signal // oldest first
	Answers   []string // the acknowledgements that answered one, by fact
	Began     string   // the first threshold that the chart ever had
	Reached   []Reached
	// Restarts is the date on which it is yet to begin again; Waits are the events that
	// count from then on, sorted.
	Restarts string
	Waits    []string
	Former   []Former // oldest first
}

// Reached reports when a signal's sum reached the threshold; no date where it did not, and
// nothing is known of one that was given by a former threshold.
type Reached struct {
	Date  string
	Known bool
}

// Former is a chart until its threshold was set anew.
type Former struct {
	Threshold, Begins, Until string
	Sum                      float64
	Signals                  []Signal
}

// Book is what is kept from one message to the next: a signal that was given stays, and what
// was known at an acknowledgement cannot be asked for later.
type Book struct {
	Signals []Signal
	Seen    map[string][]string // by the fact that acknowledges or sets a threshold
}

// chartClass is a class as messages name it; empty for one that is not known.
func chartClass(c cannularyv1.InfectionClass) string {
	switch c {
	case cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM:
		return "bloodstream"
	case cannularyv1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM:
		return "access-related"
	case cannularyv1.InfectionClass_INFECTION_CLASS_LOCAL_ACCESS:
		return "local-access"
	}
	return ""
}

// chartOf names the chart of a message: constant-site needling, or all other needling.
func chartOf(p cannularyv1.NeedlingPattern, c cannularyv1.InfectionClass) Chart {
	if p == cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE {
		return Chart{"constant-site", chartClass(c)}
	}
	return Chart{"other-fistula", chartClass(c)}
}

// Arrives takes in a message, or the beginning of a day where there are no facts of its own.
// w is the facility after it; its figures are the answer.
func (b *Book) Arrives(w Ward, seq uint64, own []record.Fact) Sheet {
	s := Figures(w)
	for i := range own {
		var n Chart
		switch body := own[i].Body.(type) {
		case *cannularyv1.SurveillanceSignalAcknowledged:
			n = chartOf(body.GetPattern(), body.GetInfectionClass())
		case *cannularyv1.SurveillanceThresholdSet:
			n = chartOf(body.GetPattern(), body.GetInfectionClass())
		default:
			continue
		}
		if own[i].Facility != w.Facility {
			continue
		}
		// Settled: a corrected acknowledgement or threshold keeps its place in the order of the
		// log, and with it what was known when it first arrived, of whatever chart it then was.
		fact := told(own[i].Target, own[i].ID)
		if b.Seen == nil {
			b.Seen = map[string][]string{}
		}
		if _, ok := b.Seen[fact]; !ok {
			b.Seen[fact] = s.known(n, w.AsOf)
		}
	}
	for _, c := range s.Courses(*b) {
		if c.Crossed != nil && standing(c.Signals) == 0 {
			b.Signals = append(b.Signals, Signal{Chart: c.Chart, Seq: seq, Date: c.Crossed.Date, Sum: c.Crossed.Sum,
				Seen: s.known(c.Chart, c.Crossed.Date)})
		}
	}
	return s
}

// known are the facts of a chart's events up to a date, sorted.
func (s Sheet) known(n Chart, until string) []string {
	var out []string
	for _, c := range s.u.list(n.Class, n.Technique, "", until) {
		out = append(out, c.Fact)
	}
	sort.Strings(out)
	return out
}

// standing counts the signals that nobody answered.
func standing(list []Signal) int {
	n := 0
	for _, s := range list {
		if s.Answered == "" {
			n++
		}
	}
	return n
}

// restart is a date on which a chart began again, after which acknowledgement.
type restart struct {
	date, fact string
	seq        uint64
}

// answered reports which acknowledgement answered each signal of a chart, and when the chart
// began again.
// Reading: an acknowledgement answers every signal that stands when it arrives, and no later
// one. One that is dated before the signal restarts the chart on the day after the signal's.
func (u *unit) answered(n Chart, all []Signal) (own []Signal, restarts []restart) {
	for _, s := range all {
		if s.Chart == n {
			s.Answered = ""
			own = append(own, s)
		}
	}
	sort.SliceStable(own, func(i, j int) bool { return own[i].Seq < own[j].Seq })
	answers := slices.Clone(u.answers)
	sort.SliceStable(answers, func(i, j int) bool { return answers[i].seq < answers[j].seq })
	for _, a := range answers {
		if a.chart != n && !u.is(AnyChartAnswered) {
			continue
		}
		from, any := a.date, u.is(AnswerWithoutSignal)
		for i := range own {
			if own[i].Answered != "" || own[i].Seq >= a.seq {
				continue
			}
			own[i].Answered, any = a.fact, true
			if !u.is(EarlyAnswerStands) {
				from = max(from, own[i].Date)
			}
		}
		if any {
			restarts = append(restarts, restart{u.next(from), a.fact, a.seq})
		}
	}
	sort.SliceStable(restarts, func(i, j int) bool { return restarts[i].date < restarts[j].date })
	return own, restarts
}

// next is the day after an answer.
func (u *unit) next(date string) string {
	if u.is(RestartSameDay) {
		return date
	}
	return later(date, 1)
}

// Courses runs every chart of which a threshold is set or a signal stands, by technique and
// class.
func (s Sheet) Courses(b Book) []Course {
	names := map[Chart]bool{}
	for n := range s.u.limits {
		names[n] = true
	}
	for _, given := range b.Signals {
		names[given.Chart] = true
	}
	var out []Course
	for n := range names {
		c := s.u.course(n, b)
		if c.Threshold == "" && (standing(c.Signals) == 0 || s.u.is(SignalNeedsThreshold)) {
			continue // Settled: what was answered needs no chart.
		}
		out = append(out, c)
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Technique != out[j].Technique {
			return out[i].Technique < out[j].Technique
		}
		return out[i].Class < out[j].Class
	})
	return out
}

// course runs one chart up to today.
func (u *unit) course(n Chart, b Book) Course {
	c := Course{Chart: n}
	var restarts []restart
	c.Signals, restarts = u.answered(n, b.Signals)
	for _, r := range restarts {
		c.Answers = append(c.Answers, r.fact)
	}
	sort.Strings(c.Answers)
	limits := u.limits[n]
	if len(limits) == 0 {
		for range c.Signals {
			c.Reached = append(c.Reached, Reached{})
		}
		return c // Reading: a signal stays although its threshold was taken back.
	}
	last := len(limits) - 1
	l := limits[last]
	c.Threshold, c.Begins, c.Began = l.fact, l.begins, limits[0].begins
	s := series{u, n, limits, restarts, b}
	var own []restart
	c.Points, own = s.run(last, u.AsOf)
	from := "" // of the last restart
	for _, again := range own {
		if again.date <= u.AsOf {
			from = again.date
		} else {
			c.Restarts = again.date
		}
	}
	if c.Restarts != "" {
		_, c.Waits = s.byDay(last, own)
	} else {
		// A restart that is still to come has ended what was before it.
		c.Crossed = crossed(c.Points, l, from, "")
	}
	for _, g := range c.Signals {
		c.Reached = append(c.Reached, s.reached(g, c.Points, own))
	}
	for k := range last {
		c.Former = append(c.Former, s.former(k, c.Signals))
	}
	if u.is(SignalFalls) && c.Crossed == nil {
		for i := range c.Signals {
			c.Signals[i].Answered = told(c.Signals[i].Answered, "fell")
		}
	}
	return c
}

// crossed is the first date from one to another, that one not included, on which the sum
// reached the threshold.
func crossed(points []Point, l limit, from, to string) *Point {
	for _, p := range points {
		if p.Date >= from && (to == "" || p.Date < to) && p.Sum >= l.says.GetThreshold() {
			return &p
		}
	}
	return nil
}

// series is a chart with its thresholds one after another.
type series struct {
	*unit
	name     Chart
	limits   []limit
	restarts []restart // by date
	Book
}

// knew reports whether an event was known when a signal was acknowledged or a threshold set.
func (s series) knew(fact string, e Case) bool { return slices.Contains(s.Seen[fact], e.Fact) }

// run draws the chart as one of its thresholds has it, and tells what began it again.
// Reading: a chart that is set on the day of a restart begins at 0. What is acknowledged
// after a threshold was set anew restarts the new chart only.
func (s series) run(k int, until string) (points []Point, own []restart) {
	l := s.limits[k]
	for _, r := range s.restarts {
		if k+1 < len(s.limits) && r.seq > s.limits[k+1].seq && !s.is(FormerRestarts) {
			continue
		}
		if (r.seq > l.seq || s.is(OldAnswerRestarts)) && r.date > l.begins {
			own = append(own, r)
		}
	}
	on, _ := s.byDay(k, own)
	h, r := l.says.GetThreshold(), l.says.GetRateRatio()
	sum := 0.0
	for d := l.begins; d <= until; d = later(d, 1) {
		p := Point{Date: d, Events: on[d], Restart: slices.ContainsFunc(own, func(again restart) bool { return again.date == d })}
		if p.Restart && !s.is(NoRestart) {
			sum = h / 2
			if s.is(RestartAtZero) {
				sum = 0
			}
		}
		at := d
		if s.is(ExposureOfTomorrow) {
			at = later(d, 1)
		}
		month := 30.44
		if s.is(MonthIsThirty) {
			month = 30
		}
		p.Expected = l.says.GetReferencePer_100PatientMonths() / 100 / month * float64(s.here[at][s.name.Technique])
		sum += float64(p.Events)*math.Log(r) - p.Expected*(r-1)
		if sum < 0 && !s.is(SumBelowZero) {
			sum = 0
		}
		p.Sum = sum
		points = append(points, p)
	}
	return points, own
}

// byDay counts the events of a chart on the date on which each counts: its own, or the
// first one of the threshold, or that of the last restart after it at whose acknowledgement
// it was not known. Those that wait are moved to a date that has not begun.
func (s series) byDay(k int, own []restart) (on map[string]int, wait []string) {
	on = map[string]int{}
	l := s.limits[k]
	for _, e := range s.list(s.name.Class, s.name.Technique, "", s.AsOf) {
		date := e.Date
		if date < l.begins {
			if !s.pending(k, e) || s.is(PendingIsLost) {
				continue
			}
			date = l.begins
		}
		for _, r := range own {
			known := s.knew(r.fact, e)
			if e.Date < r.date && (!known && !s.is(LateIsLost) || known && s.is(KnownCountsAgain)) {
				date = r.date
			}
		}
		on[date]++
		if date > s.AsOf && date > l.begins {
			wait = append(wait, e.Fact)
		}
	}
	sort.Strings(wait)
	return on, wait
}

// pending tells of an event of before a threshold whether the former one had still to count it.
// Reading: of a former one that had no day of its own that is what its own former one had
// still to count.
func (s series) pending(k int, e Case) bool {
	l := s.limits[k]
	if k == 0 || e.Date >= l.begins || e.Date < s.limits[0].begins && !s.is(BeforeTheChart) {
		return false
	}
	if !s.knew(l.fact, e) {
		return true
	}
	old := k - 1 // the one that stood when this one was set
	for old > 0 && s.limits[old].seq > l.seq {
		old--
	}
	for _, r := range s.restarts {
		if r.seq > s.limits[old].seq && r.seq < l.seq && r.date >= l.begins && !s.knew(r.fact, e) {
			return true
		}
	}
	return s.limits[k-1].begins == l.begins && s.pending(k-1, e) && !s.is(SameDayIsLost)
}

// reached tells of a signal when its sum reached the threshold by what is known now.
func (s series) reached(g Signal, points []Point, own []restart) Reached {
	l := s.limits[len(s.limits)-1]
	if g.Seq < l.seq {
		return Reached{}
	}
	from, to := "", ""
	for _, r := range s.restarts {
		if r.fact == g.Answered && !s.is(ReachedAfterAnswer) {
			to = r.date
		}
	}
	for _, r := range own {
		if r.seq <= g.Seq { // one of that seq came with the message that gave the signal
			from = max(from, r.date)
		}
	}
	if p := crossed(points, l, from, to); p != nil {
		return Reached{p.Date, true}
	}
	return Reached{Known: true}
}

// former is a chart as it was before the threshold after that one.
// Reading: a signal was given by the last threshold, in the order of their dates, that had
// arrived by then.
func (s series) former(k int, signals []Signal) Former {
	f := Former{Threshold: s.limits[k].fact, Begins: s.limits[k].begins, Until: later(s.limits[k+1].begins, -1)}
	points, _ := s.run(k, f.Until)
	if len(points) > 0 {
		f.Sum = points[len(points)-1].Sum
	}
	for _, g := range signals {
		by := -1
		for i, l := range s.limits {
			if l.seq <= g.Seq {
				by = i
			}
		}
		if by == k {
			f.Signals = append(f.Signals, g)
		}
	}
	return f
}
