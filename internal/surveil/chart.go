package surveil

import (
	"slices"

	"cannulary/internal/incidence"
)

// ChartName names a chart of a facility.
type ChartName struct {
	Technique Technique `json:"technique"`
	Class     Class     `json:"class"`
}

// Threshold is what a chart was set to.
type Threshold struct {
	ChartName
	Fact string
	// Reference is events per 100 patient-months, R the increase that it is tuned to, H the
	// threshold, InControl the mean months between false alarms that H was computed for.
	Reference, R, H, InControl float64
	SetBy                      string
	From                       Day
	Seq                        uint64 // of the log
	// Began is the From of the first threshold that the chart ever had; 0 is this one's. Seen
	// are the facts of the events that it knew when this one was set; nil is not known.
	Began Day
	Seen  []string
}

// Stands tells whether a threshold is set; a signal may outlast the one that raised it.
func (t *Threshold) Stands() bool { return t.H > 0 }

// Acknowledgement is a person's answer to a signal.
type Acknowledgement struct {
	ChartName
	Fact       string
	Seq        uint64 // of the log
	On         Day
	By, Reason string
	// Seen are the facts of the events that the chart knew when it was acknowledged.
	Seen []string
}

// Raised is a signal that a chart once gave. It stays until it is acknowledged.
type Raised struct {
	ChartName
	Seq          uint64 // the event of the log with which the sum reached the threshold
	Day          Day    // the day on which it did
	Sum          float64
	Acknowledged string // the acknowledging fact; empty while it stands
	// Seen are the facts of the events that the chart knew when it reached the threshold.
	Seen []string
}

// Point is a chart at the end of one day.
type Point struct {
	Day      Day
	Events   int
	Expected float64
	Sum      float64
	Restart  bool // the sum began anew with this day
}

// Chart is a chart as it runs over the days.
type Chart struct {
	Threshold Threshold
	Points    []Point // none before the threshold was set
	// Crossed is the first day since the last restart on which the sum reached the threshold.
	Crossed *Point
	// Restarts is the day after AsOf on which an acknowledged chart begins anew, else 0; Waits
	// are the facts of the events that count from then on.
	Restarts Day
	Waits    []string
}

// Sum is the sum at the end of the last day.
func (c *Chart) Sum() float64 {
	if len(c.Points) == 0 {
		return 0
	}
	return c.Points[len(c.Points)-1].Sum
}

// Chart runs a chart up to AsOf. acks are those that acknowledged a signal of this chart,
// by day.
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
		p := Point{Day: t.From + Day(i), Events: events[i], Expected: float64(float64(t.Reference/100*float64(at[i])) / incidence.DaysPerMonth)}
		if restart[p.Day] {
			sum, p.Restart, c.Crossed = g.Restart(), true, nil
		}
		// An event on a day without exposure (before the roster told of the patient) is
		// evidence all the same: the least exposure stands for none.
		w, err := g.Weight(p.Events, max(p.Expected, leastExpected))
		if err != nil {
			return c, err
		}
		sum = max(0, sum+w)
		p.Sum = sum
		c.Points = append(c.Points, p)
		// A restart begins at half of the threshold; reaching it again is a new signal.
		if c.Crossed == nil && g.Signals(sum) {
			c.Crossed = &p
		}
	}
	if n := len(own); n > 0 && c.Crossed != nil && c.Crossed.Day <= own[n-1].On {
		c.Crossed = nil // answered; the restart is tomorrow
	}
	return c, nil
}

const leastExpected = 1e-12

// answered parts the acknowledgements of signals that an earlier threshold gave, which
// restart nothing here, from those of this one's.
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

// placed is the day on which an event counts: its date, or where a signal was acknowledged
// before it was known, the day of that restart. One of before the threshold counts, on its
// first day, only if the chart as it was set before had still to count it.
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

// daily counts the patients of a technique at the facility on n days from a day on; before
// the record nobody counts.
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

// Gaps are the days between consecutive events of a class and technique, oldest first: for
// a chart of the time between events.
func (u *Unit) Gaps(c Class, g Group) []float64 {
	list := u.Cases(c, g, First, u.AsOf)
	var out []float64
	for i := 1; i < len(list); i++ {
		out = append(out, float64(list[i].Day-list[i-1].Day))
	}
	return out
}

// Size is the average number of patients at risk of a technique in the whole months before
// AsOf, at most so many and none from before the record; 0 without such a month.
func (u *Unit) Size(t Technique, months int) float64 {
	last := u.AsOf.Month() - 1
	p := Period{last - Month(months) + 1, last}
	days := int(p.To.Last()-max(p.From.First(), u.Since)) + 1
	if days <= 0 {
		return 0
	}
	return float64(u.AccessDays(Group(t), p)) / float64(days)
}
