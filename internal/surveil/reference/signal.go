package reference

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
}

// Book is what is kept from one message to the next: a signal that was given stays, and what
// was known at an acknowledgement cannot be asked for later.
type Book struct {
	Signals []Signal
	Seen    map[string][]string // by the fact that acknowledges
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
		a, ok := own[i].Body.(*cannularyv1.SurveillanceSignalAcknowledged)
		if !ok || own[i].Facility != w.Facility {
			continue
		}
		// Reading: a corrected acknowledgement is given anew, with what is known by then.
		fact := told(own[i].Target, own[i].ID)
		n := chartOf(a.GetPattern(), a.GetInfectionClass())
		if b.Seen == nil {
			b.Seen = map[string][]string{}
		}
		b.Seen[fact] = nil
		for _, c := range s.Cases(n.Class, n.Technique) {
			b.Seen[fact] = append(b.Seen[fact], c.Fact)
		}
	}
	for _, c := range s.Courses(*b) {
		if c.Crossed != nil && standing(c.Signals) == 0 {
			b.Signals = append(b.Signals, Signal{Chart: c.Chart, Seq: seq, Date: c.Crossed.Date, Sum: c.Crossed.Sum})
		}
	}
	return s
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
type restart struct{ date, fact string }

// answered tells which acknowledgement answered each signal of a chart, and when the chart
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
			restarts = append(restarts, restart{u.next(from), a.fact})
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
	l, ok := u.limits[n]
	if !ok {
		return c // Reading: a signal stays although its threshold was taken back.
	}
	c.Threshold, c.Begins = l.fact, l.begins
	on := u.byDay(n, l.begins, restarts, b)
	h, r := l.says.GetThreshold(), l.says.GetRateRatio()
	sum := 0.0
	for d := l.begins; d <= u.AsOf; d = later(d, 1) {
		p := Point{Date: d, Events: on[d]}
		for _, again := range restarts {
			// Reading: a chart that is set on the day of a restart begins at 0.
			if again.date == d && d > l.begins {
				p.Restart, c.Crossed = true, nil
			}
		}
		if p.Restart && !u.is(NoRestart) {
			sum = h / 2
			if u.is(RestartAtZero) {
				sum = 0
			}
		}
		at := d
		if u.is(ExposureOfTomorrow) {
			at = later(d, 1)
		}
		month := 30.44
		if u.is(MonthIsThirty) {
			month = 30
		}
		p.Expected = l.says.GetReferencePer_100PatientMonths() / 100 / month * float64(u.here[at][n.Technique])
		sum += float64(p.Events)*math.Log(r) - p.Expected*(r-1)
		if sum < 0 && !u.is(SumBelowZero) {
			sum = 0
		}
		p.Sum = sum
		c.Points = append(c.Points, p)
		if c.Crossed == nil && sum >= h {
			first := p
			c.Crossed = &first
		}
	}
	// A restart that is still to come has ended what was before it.
	for _, again := range restarts {
		if again.date > u.AsOf {
			c.Crossed = nil
		}
	}
	if u.is(SignalFalls) && c.Crossed == nil {
		for i := range c.Signals {
			c.Signals[i].Answered = told(c.Signals[i].Answered, "fell")
		}
	}
	return c
}

// byDay counts the events of a chart on the date on which each counts: its own, or that of
// the last restart after it at whose acknowledgement it was not known.
func (u *unit) byDay(n Chart, begins string, restarts []restart, b Book) map[string]int {
	on := map[string]int{}
	for _, e := range u.list(n.Class, n.Technique, begins, u.AsOf) {
		date := e.Date
		for _, r := range restarts {
			known := slices.Contains(b.Seen[r.fact], e.Fact)
			if r.date > begins && e.Date < r.date && !known && !u.is(LateIsLost) || u.is(KnownCountsAgain) && e.Date < r.date && known {
				date = r.date
			}
		}
		on[date]++
	}
	return on
}
