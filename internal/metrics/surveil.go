package metrics

import (
	"cmp"
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	"cannulary/internal/track/rule"
)

var (
	descEvents = prometheus.NewDesc("cannulary_infection_events",
		"Infections (and intravenous antimicrobial starts) by technique and class; window month is the last whole month, year the last "+
			"twelve.", []string{"facility", "technique", "class", "window"}, nil)
	descHundred = prometheus.NewDesc("cannulary_infection_rate_per_100_patient_months",
		"Events per 100 patient-months of the census, with exact 95 % limits; absent where a census is missing.",
		[]string{"facility", "technique", "class", "window", "bound"}, nil)
	descThousand = prometheus.NewDesc("cannulary_infection_rate_per_1000_access_days",
		"Events per 1,000 access-days, with exact 95 % limits; absent where nobody was at risk.",
		[]string{"facility", "technique", "class", "window", "bound"}, nil)
	descDays = prometheus.NewDesc("cannulary_infection_access_days", "Days of patients at risk, by technique.",
		[]string{"facility", "technique", "window"}, nil)
	descCusum = prometheus.NewDesc("cannulary_infection_cusum",
		"Sum of the sequential signal of access-related bloodstream infections.", []string{"facility", "technique"}, nil)
	descThreshold = prometheus.NewDesc("cannulary_infection_cusum_threshold", "Threshold of that sum, as a named person set it.",
		[]string{"facility", "technique"}, nil)
	descBlood = prometheus.NewDesc("cannulary_bloodstream_cusum", "Sum of the second chart: all bloodstream infections.",
		[]string{"facility", "technique"}, nil)
	descBloodH = prometheus.NewDesc("cannulary_bloodstream_cusum_threshold", "Threshold of the second chart.",
		[]string{"facility", "technique"}, nil)
	descSignal = prometheus.NewDesc("cannulary_infection_signal",
		"1 while a signal that a chart gave is not acknowledged by a named person, else 0; only where a threshold is set.",
		[]string{"facility", "technique", "class"}, nil)
	descSignalled = prometheus.NewDesc("cannulary_infection_signal_timestamp_seconds",
		"The day on which the standing signal was reached, seconds since 1970.", []string{"facility", "technique", "class"}, nil)
	descLastCase = prometheus.NewDesc("cannulary_infection_last_event_timestamp_seconds",
		"The day of the newest event, seconds since 1970.", []string{"facility", "technique", "class"}, nil)
	descCulture = prometheus.NewDesc("cannulary_blood_culture_last_timestamp_seconds",
		"The day on which the newest blood culture with a result, positive or negative, was collected, seconds since 1970; absent where "+
			"none is on record.", []string{"facility"}, nil)
	descBegan = prometheus.NewDesc("cannulary_facility_record_since_timestamp_seconds",
		"The day of the earliest treatment on record, seconds since 1970; absent where there is none.", []string{"facility"}, nil)
	descRescues = prometheus.NewDesc("cannulary_rescue_sessions",
		"Sessions with a sharp needle in a track past forming: in the last 28 days, and in the 28 before.",
		[]string{"facility", "window"}, nil)
	descDue = prometheus.NewDesc("cannulary_facility_sessions_due",
		"1 while the registered days and shifts say that patients are being dialysed, else 0.", []string{"facility"}, nil)
)

func surveillanceDescs() []*prometheus.Desc {
	return []*prometheus.Desc{descEvents, descHundred, descThousand, descDays, descCusum, descThreshold, descBlood, descBloodH, descSignal,
		descSignalled, descLastCase, descCulture, descBegan, descRescues, descDue}
}

type gauge func(d *prometheus.Desc, v float64, labels ...string)

// surveillance exports infections, charts, rescues and whether the unit should be sending now.
func (c *collector) surveillance(ctx context.Context, set gauge) error {
	if c.src.Surveillance == nil {
		return nil
	}
	watches, err := c.src.Surveillance(ctx)
	if err != nil {
		return err
	}
	found := map[[2]int64]map[string]int{}
	for _, w := range watches {
		if err := unit(w, set); err != nil {
			return err
		}
		for _, s := range fourWeeks(w) {
			// Facilities in one time zone share these counts.
			key := [2]int64{s.from.Unix(), s.to.Unix()}
			if found[key] == nil {
				if found[key], err = c.src.Store.FindingsOf(ctx, rule.Rescue, s.from, s.to); err != nil {
					return err
				}
			}
			set(descRescues, float64(found[key][w.Facility]), w.Facility, s.window)
		}
		due := 0.0
		if w.Calendar.Due(c.src.Now(), w.Zone) {
			due = 1
		}
		// This figure comes last: if it is there, all of the facility's figures above are.
		set(descDue, due, w.Facility)
	}
	return nil
}

// stretch is a time from one local midnight to another.
type stretch struct {
	window   string
	from, to time.Time
}

// fourWeeks returns the last 28 local days of a facility, today included, and the 28 days
// before.
func fourWeeks(w *surveil.Watch) []stretch {
	zone := cmp.Or(w.Zone, time.UTC)
	midnight := func(d surveil.Day) time.Time {
		y, m, day := d.Time().Date()
		return time.Date(y, m, day, 0, 0, 0, 0, zone)
	}
	end := w.AsOf + 1
	return []stretch{{"28d", midnight(end - 28), midnight(end)}, {"previous-28d", midnight(end - 56), midnight(end - 28)}}
}

// unit exports one facility's figures.
func unit(w *surveil.Watch, set gauge) error {
	last := w.AsOf.Month() - 1
	for name, p := range map[string]surveil.Period{"month": surveil.One(last), "year": surveil.Year(last)} {
		for _, g := range surveil.Groups() {
			set(descDays, float64(w.AccessDays(g, p)), w.Facility, string(g), name)
			for _, class := range surveil.Classes() {
				l, err := w.Line(class, g, p)
				if err != nil {
					return err
				}
				labels := []string{w.Facility, string(g), string(class), name}
				set(descEvents, float64(l.Events), labels...)
				rate(descHundred, l.PerHundred, labels, set)
				rate(descThousand, l.PerThousand, labels, set)
			}
		}
	}
	for _, g := range surveil.Groups() {
		for _, class := range surveil.Classes() {
			if d, ok := w.Last(class, g); ok {
				set(descLastCase, float64(d.Time().Unix()), w.Facility, string(g), string(class))
			}
		}
	}
	if d, ok := w.LastCulture(); ok {
		set(descCulture, float64(d.Time().Unix()), w.Facility)
	}
	if w.Since != surveil.First {
		set(descBegan, float64(w.Since.Time().Unix()), w.Facility)
	}
	for i := range w.Charts {
		chart(w.Facility, &w.Charts[i], set)
	}
	return nil
}

func rate(d *prometheus.Desc, r *incidence.Rate, labels []string, set gauge) {
	if r == nil {
		return
	}
	for bound, v := range map[string]float64{"estimate": r.Value, "lower": r.Exact.Lower, "upper": r.Exact.Upper} {
		set(d, v, append(labels[:len(labels):len(labels)], bound)...)
	}
}

func chart(facility string, w *surveil.WatchedChart, set gauge) {
	n := w.Threshold.ChartName
	technique := string(n.Technique)
	switch {
	case !w.Threshold.Stands(): // voided while a signal stands
	case n.Class == surveil.AccessRelated:
		set(descCusum, w.Sum(), facility, technique)
		set(descThreshold, w.Threshold.H, facility, technique)
	case n.Class == surveil.Bloodstream:
		set(descBlood, w.Sum(), facility, technique)
		set(descBloodH, w.Threshold.H, facility, technique)
	}
	stands := 0.0
	if s := w.Standing(); s != nil {
		stands = 1
		set(descSignalled, float64(s.Day.Time().Unix()), facility, technique, string(n.Class))
	}
	set(descSignal, stands, facility, technique, string(n.Class))
}
