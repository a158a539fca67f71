package surveil

import (
	"slices"

	"cannulary/internal/surveil/incidence"
)

// ChartName names a chart of a facility.
type ChartName struct {
	Technique Technique `json:"technique"`
	Class     Class     `json:"class"`
}

// Threshold is a threshold of a chart, with the values it was set for.
type Threshold struct {
	ChartName
	Fact string
	// Reference is events per 100 patient-months. R is the increase that the chart is tuned to.
	// H is the threshold. InControl is the mean months between false alarms for which H was
	// computed.
	Reference, R, H, InControl float64
	SetBy                      string
	From                       Day
	Seq                        uint64 // in the log
	// Began is the From of the first threshold that the chart ever had; 0 if this is the first.
	// Seen are the facts of the events that the chart knew when this threshold was set; nil if
	// that is not known.
	Began Day
	Seen  []string
}

// Stands reports whether a threshold is set. A signal can outlast the threshold that raised it.
func (t *Threshold) Stands() bool { return t.H > 0 }

// Acknowledgement is a person's answer to a signal.
type Acknowledgement struct {
	ChartName
	Fact       string
	Seq        uint64 // in the log
	On         Day
	By, Reason string
	// Seen are the facts of the events that the chart knew when it was acknowledged.
	Seen []string
}

// Raised is a signal that a chart once gave. It stands until it is acknowledged.
type Raised struct {
	ChartName
	Seq          uint64 // of the event in the log with which the sum reached the threshold
	Day          Day    // the day on which it did
	Sum          float64
	Acknowledged string // the acknowledging fact; empty while the signal stands
	// Seen are the facts of the events that the chart knew when it reached the threshold.
	Seen []string
}

// Point is a chart at the end of one day.
type Point struct {
	Day      Day
	Events   int
	Expected float64
	Sum      float64
	Restart  bool // the sum restarted on this day
}

// Chart is a sequential chart, day by day.
type Chart struct {
	Threshold Threshold
	Points    []Point // none before the threshold was set
	// Crossed is the first day since the last restart on which the sum reached the threshold.
	Crossed *Point
	// Restarts is the day after AsOf on which an acknowledged chart restarts, else 0. Waits are
	// the facts of the events that count only from then on.
	Restarts Day
	Waits    []string
}

// Sum returns the sum at the end of the last day.
func (c *Chart) Sum() float64 {
	if len(c.Points) == 0 {
		return 0
	}
	return c.Points[len(c.Points)-1].Sum
}

// Chart computes a chart up to AsOf. acks are the acknowledgements of signals of this chart, by
// day.
func (u *Unit) Chart(t Threshold, acks []Acknowledgement) (Chart, error) {
	c := Chart{Threshold: t}
	if u.AsOf < t.From {
		return c, nil
	}
	n := int(u.AsOf-t.From) + 1
	events := make([]int, n)
	former, own := t.answered(acks)
	for _, e := range u.Cases(t.Class, Group(t.Technique), First, u.AsOf) {
		d, counts := t.placed(e, former, own)
		switch {
		case !counts:
		case d <= u.AsOf:
			events[d-t.From]++
		default:
			c.Waits = append(c.Waits, e.Fact)
		}
	}
	at := u.daily(t.Technique, t.From, n)
	g := incidence.Signal{R: t.R, H: t.H}
	restart := map[Day]bool{}
	for _, a := range own {
		restart[a.On+1] = true
		if a.On+1 > u.AsOf {
			c.Restarts = a.On + 1
		}
	}
	sum := 0.0
	for i := range n {
		p := Point{Day: t.From + Day(i), Events: events[i],
			Expected: float64(float64(t.Reference/100*float64(at[i])) / incidence.DaysPerMonth)}
		if restart[p.Day] {
			sum, p.Restart, c.Crossed = g.Restart(), true, nil
		}
		// An event on a day without exposure still counts: the roster may state the stay late.
		// The day is taken to have the smallest exposure.
		w, err := g.Weight(p.Events, max(p.Expected, leastExpected))
		if err != nil {
			return c, err
		}
		sum = max(0, sum+w)
		p.Sum = sum
		c.Points = append(c.Points, p)
		// A restart begins at half of the threshold. Reaching the threshold again is a new
		// signal.
		if c.Crossed == nil && g.Signals(sum) {
			c.Crossed = &p
		}
	}
	if n := len(own); n > 0 && c.Crossed != nil && c.Crossed.Day <= own[n-1].On {
		c.Crossed = nil // it is answered, and the restart is tomorrow
	}
	return c, nil
}

const leastExpected = 1e-12

// answered separates the acknowledgements of signals that an earlier threshold gave from those
// of signals of this one. The former restart nothing here.
func (t Threshold) answered(acks []Acknowledgement) (former, own []Acknowledgement) {
	for _, a := range acks {
		if a.On < t.From || a.Seq < t.Seq {
			former = append(former, a)
		} else {
			own = append(own, a)
		}
	}
	return former, own
}

// placed returns the day on which an event counts. That is its date. If a signal was
// acknowledged before the event was known, it is the day of that restart. An event dated before
// the threshold counts on the threshold's first day, but only if the chart before it had not
// counted it yet.
func (t Threshold) placed(e Case, former, own []Acknowledgement) (d Day, counts bool) {
	d = e.Day
	if d < t.From {
		if t.Began == 0 || d < t.Began {
			return d, false
		}
		waits := after(d, e.Fact, former) >= t.From
		late := t.Seen != nil && !slices.Contains(t.Seen, e.Fact)
		if !waits && !late {
			return d, false
		}
		d = t.From
	}
	return after(d, e.Fact, own), true
}

// after moves an event past each restart whose acknowledgement did not know it.
func after(d Day, fact string, acks []Acknowledgement) Day {
	for _, a := range acks {
		if d <= a.On && !slices.Contains(a.Seen, fact) {
			d = a.On + 1
		}
	}
	return d
}

// daily counts the patients of a technique at the facility on n days from a day on. Days before
// the record count nobody.
func (u *Unit) daily(t Technique, from Day, n int) []int {
	steps := make([]int, n+1)
	for i := range u.People {
		for _, e := range u.People[i].Exposures {
			if e.Facility != u.Facility || e.Technique != t {
				continue
			}
			a, b := max(e.From, from, u.Since)-from, min(e.To, from+Day(n))-from
			if a < b {
				steps[a]++
				steps[b]--
			}
		}
	}
	out, now := make([]int, n), 0
	for i := range out {
		now += steps[i]
		out[i] = now
	}
	return out
}

// Gaps returns the days between consecutive events of a class and technique, oldest first, for a
// chart of the time between events.
func (u *Unit) Gaps(c Class, g Group) []float64 {
	list := u.Cases(c, g, First, u.AsOf)
	var out []float64
	for i := 1; i < len(list); i++ {
		out = append(out, float64(list[i].Day-list[i-1].Day))
	}
	return out
}

// Size returns the average number of patients at risk of a technique over the whole months
// before AsOf: at most so many months, and none from before the record. It is 0 without such a
// month.
func (u *Unit) Size(t Technique, months int) float64 {
	last := u.AsOf.Month() - 1
	p := Period{last - Month(months) + 1, last}
	days := int(p.To.Last()-max(p.From.First(), u.Since)) + 1
	if days <= 0 {
		return 0
	}
	return float64(u.AccessDays(Group(t), p)) / float64(days)
}
