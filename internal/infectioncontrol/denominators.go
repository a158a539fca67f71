package infectioncontrol

import (
	"fmt"

	"cannulary/internal/surveil"
)

// denominators returns the denominators of the year's months since the record began.
func denominators(w *surveil.Watch, m surveil.Month) []Denominator {
	out := []Denominator{}
	for month := surveil.Year(m).From; month <= m; month++ {
		if month.Last() < w.Since {
			continue
		}
		d := Denominator{Month: month.String(), AccessDays: w.AccessDays(surveil.AllAccess, surveil.One(month)), Says: []string{}}
		if n := observed(w, surveil.One(month)); n > 0 {
			d.Average = six(float64(d.AccessDays) / float64(n))
		}
		d.Cultures = cultures(w, surveil.One(month))
		if c, ok := w.Censuses[month]; ok {
			n, _ := c.Patients(surveil.AllAccess)
			d.Census = &n
			if notice := w.CensusNotice(month); notice != "" {
				d.Says = append(d.Says, notice)
			}
		} else {
			d.Says = append(d.Says, "There is no census of this month: no rate per 100 patient-months is given for it.")
		}
		if !w.Over(month) {
			d.Says = append(d.Says, "The month is not over.")
		} else {
			for _, x := range w.Disagreements(month) {
				d.Says = append(d.Says,
					fmt.Sprintf("%s: the census counts %d, the record has %d on the days of the census. Patients who were in "+
						"hospital then are in the record only. Look for other causes.", techniqueOrGroup(x.Group), x.Census, x.Record))
			}
		}
		out = append(out, d)
	}
	return out
}

// cultures returns the numbers of blood cultures with a result in a period.
func cultures(w *surveil.Watch, p surveil.Period) Cultures {
	positive, negative := w.Cultures(p)
	return Cultures{positive, negative}
}

func techniqueOrGroup(g surveil.Group) string {
	if g == surveil.AllAccess || g == surveil.Fistula {
		return groupName(g)
	}
	return techniqueName(surveil.Technique(g))
}

// observed returns how many days of a period the record covers.
func observed(w *surveil.Watch, p surveil.Period) int {
	return max(0, int(min(p.To.Last(), w.AsOf)-max(p.From.First(), w.Since))+1)
}
