package surveillance_test

import (
	"slices"
	"time"

	"cannulary/internal/oracle/surveillance"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

// wanted is what has to occur among the wards.
var wanted = []string{
	"a census is missing", "the denominators disagree", "a census was counted on other days", "a holiday moves the working days",
	"a census is corrected", "a census is taken back", "a month has two censuses",
	"a month is not wholly on record", "a month without anything", "a year has its rate",
	"an SIR", "fewer than one predicted", "no reference", "a ratio of the techniques", "no event with the other technique",
	"a threshold is set anew", "a threshold is corrected", "a threshold is taken back", "a signal outlasts its threshold",
	"a signal stands below the threshold", "two signals stand",
	"an acknowledgement on the day", "an acknowledgement dated before the signal", "an acknowledgement told days later", "one without a signal",
	"one while another chart's signal stands", "an acknowledgement is corrected", "an acknowledgement is taken back", "a second restart",
	"a late infection counts on the restart's day", "the restart is yet to come", "an infection of tomorrow", "an infection of before the record",
	"an infection is told late", "an infection is corrected", "an infection is taken back", "an infection elsewhere", "an infection outside every stay",
	"patients are merged", "a merge is reversed",
	"an event that the former chart had still to count is on the new chart's first day", "one that the new threshold had seen, but not the acknowledgement before it",
	"one that came after the new threshold", "one of before the chart's first threshold is on none",
	"an acknowledgement before the new threshold", "one after it of a signal before it", "a threshold is dated before one that was set already", "two thresholds are of one day",
	"a signal would not have been given any more", "a signal's sum reached the threshold on another day", "a signal is of a former chart", "a former chart had restarted",
	"a census is more than two patients off and no more than 10 %", "events wait for the restart", "a census without a readable day", "a patient's technique changes within a census", "blood cultures, none of them positive",
}

// situations are what occurred in one ward.
type situations struct {
	seen  map[string]bool
	facts map[string]record.Fact
	asOf  map[string]string // of arrival
}

func (s *situations) is(what string, so bool) {
	if so {
		s.seen[what] = true
	}
}

// told looks at what a message says.
func (s *situations) told(m moment) {
	if s.asOf == nil {
		s.asOf = map[string]string{}
	}
	zone := m.ward.Zone(m.ward.Facility)
	for _, f := range m.own {
		s.facts[f.ID], s.asOf[f.ID] = f, m.ward.AsOf
		if what := thing(s.facts[f.Target].Body); what != "" {
			_, void := f.Body.(*v1.FactVoided)
			s.is(what+" is taken back", void)
			s.is(what+" is corrected", !void)
		}
		s.is("patients are merged", f.Kind == record.KindPatientsMerged)
		s.is("a merge is reversed", f.Kind == record.KindMergeReversed)
		s.is("an infection elsewhere", thing(f.Body) == "an infection" && f.Facility != m.ward.Facility)
		if c, ok := f.Body.(*v1.CultureResulted); ok {
			on := c.GetCollectedAt().AsTime().In(zone).Format(time.DateOnly)
			s.is("an infection of tomorrow", on > m.ward.AsOf)
			s.is("an infection is told late", on < m.ward.AsOf)
		}
	}
}

// thing is what is corrected or taken back; empty for what does not matter here.
func thing(body any) string {
	switch body.(type) {
	case *v1.CensusCounted:
		return "a census"
	case *v1.SurveillanceThresholdSet:
		return "a threshold"
	case *v1.SurveillanceSignalAcknowledged:
		return "an acknowledgement"
	case *v1.CultureResulted:
		return "an infection"
	}
	return ""
}

// look looks at the figures.
func (s *situations) look(m moment, sheet surveillance.Sheet, b surveillance.Book) {
	s.charts(m, sheet, b)
	for _, p := range m.ward.Patients {
		for _, e := range p.Answer.Events {
			s.is("an infection of before the record", e.Counted && e.Facility == m.ward.Facility && e.Date < sheet.Since())
			s.is("an infection outside every stay", e.Counted && e.Outside)
		}
	}
	if !m.looked {
		return
	}
	censuses, thresholds := map[string]int{}, map[string]int{}
	var closed []string
	for _, it := range m.ward.Items {
		switch b := it.Body.(type) {
		case *v1.CensusCounted:
			censuses[b.GetMonth()]++
			s.is("a month has two censuses", !it.Void && censuses[b.GetMonth()] > 1)
		case *v1.SurveillanceThresholdSet:
			name := string(surveil.Watched(b.GetPattern())) + b.GetInfectionClass().String()
			thresholds[name]++
			s.is("a threshold is set anew", !it.Void && thresholds[name] > 1)
		case *v1.FacilityRegistered:
			closed = b.GetHolidays()
		}
		if b, ok := it.Body.(*v1.CensusCounted); ok && !it.Void {
			s.census(m, b)
		}
	}
	now := day(m.ward.AsOf).Month()
	for month := now - 3; month <= now; month++ {
		p := surveillance.Period{From: month.String(), To: month.String()}
		s.is("the denominators disagree", len(sheet.Disagreements(p.From)) > 0)
		if l, n := sheet.Line("bloodstream", "all", p), len(sheet.OnRecord(p.From)); !l.NoCensus {
			off := max(n-l.PatientMonths, l.PatientMonths-n)
			s.is("a census is more than two patients off and no more than 10 %", off > 2 && 10*off <= max(n, l.PatientMonths))
		}
		positive, negative := sheet.Cultures(p)
		s.is("blood cultures, none of them positive", positive == 0 && negative > 0)
		s.is("a census was counted on other days", sheet.Notice(p.From))
		working := sheet.WorkingDays(p.From)
		s.is("a holiday moves the working days", len(working) > 1 && slices.ContainsFunc(closed, func(d string) bool { return d[:7] == p.From && d < working[1] }))
		for _, class := range []string{"bloodstream", "access-related"} {
			l := sheet.Line(class, "all", p)
			s.is("a census is missing", len(l.Missing) > 0)
			s.is("a month is not wholly on record", l.NoCensus && len(l.Missing) == 0 && month < now)
			s.is("a month without anything", l.Events == 0 && l.AccessDays == 0 && sheet.Since() != "" && sheet.Since() < p.From && month < now)
			s.is("an SIR", l.SIR != nil)
			s.is("no reference", l.NoSIR && !l.NoCensus)
		}
		l := sheet.Line("bloodstream", "constant-site", p)
		s.is("fewer than one predicted", l.NoSIR && !l.NoCensus && referenced(m))
		c := sheet.Compare("bloodstream", p)
		s.is("a ratio of the techniques", c.Ratio != nil)
		s.is("no event with the other technique", c.Ratio != nil && c.Ratio.Exact.Upper > 1e300)
	}
	s.is("a year has its rate", sheet.Line("bloodstream", "all", surveillance.Period{From: (now - 12).String(), To: (now - 1).String()}).PerHundred != nil)
}

// referenced reports whether there is a reference for bloodstream infections of constant-site needling.
func referenced(m moment) bool {
	for _, it := range m.ward.Items {
		if b, ok := it.Body.(*v1.FacilityRegistered); ok {
			return slices.ContainsFunc(b.GetReferenceRates(), func(r *v1.ReferenceRate) bool {
				return r.GetAccessKind() == v1.AccessKind_ACCESS_KIND_FISTULA && r.GetPattern() <= v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE &&
					r.GetInfectionClass() == v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM
			})
		}
	}
	return false
}

func (s *situations) charts(m moment, sheet surveillance.Sheet, b surveillance.Book) {
	zone := m.ward.Zone(m.ward.Facility)
	date := func(fact string) string { return s.facts[fact].At.In(zone).Format(time.DateOnly) }
	answers := map[string]bool{}
	standing := map[surveillance.Chart]bool{}
	for _, c := range sheet.Courses(b) {
		h := 0.0
		if f, ok := s.facts[c.Threshold].Body.(*v1.SurveillanceThresholdSet); ok {
			h = f.GetThreshold()
		}
		stand := 0
		for _, g := range c.Signals {
			if g.Answered == "" {
				stand++
				standing[c.Chart] = true
				continue
			}
			answers[g.Answered] = true
			on := date(g.Answered)
			s.is("an acknowledgement on the day", on == s.asOf[g.Answered] && on >= g.Date)
			s.is("an acknowledgement dated before the signal", on < g.Date)
			s.is("an acknowledgement told days later", on < s.asOf[g.Answered])
			s.is("the restart is yet to come", max(on, g.Date) == m.ward.AsOf)
		}
		s.is("two signals stand", stand > 1)
		s.is("a signal outlasts its threshold", stand > 0 && c.Threshold == "")
		if n := len(c.Points); n > 0 {
			s.is("a signal stands below the threshold", stand > 0 && c.Points[n-1].Sum < h)
		}
		s.anew(m, sheet, c, b)
		s.is("events wait for the restart", len(c.Waits) > 0)
		for i, g := range c.Signals {
			s.is("a signal would not have been given any more", c.Reached[i].Known && c.Reached[i].Date == "")
			s.is("a signal's sum reached the threshold on another day", c.Reached[i].Date != "" && c.Reached[i].Date != g.Date)
		}
		restarts := 0
		for _, p := range c.Points {
			own := 0
			for _, e := range sheet.Cases(c.Class, c.Technique) {
				if e.Date == p.Date {
					own++
				}
			}
			s.is("a late infection counts on the restart's day", p.Restart && p.Events > own)
			if p.Restart {
				restarts++
			}
		}
		s.is("a second restart", restarts > 1)
	}
	for _, it := range m.ward.Items {
		if _, ok := it.Body.(*v1.SurveillanceSignalAcknowledged); ok && !it.Void && !answers[it.ID] {
			s.is("one without a signal", true)
			s.is("one while another chart's signal stands", len(standing) > 0)
		}
	}
}

// anew looks at a chart whose threshold was set anew.
func (s *situations) anew(m moment, sheet surveillance.Sheet, c surveillance.Course, b surveillance.Book) {
	if len(c.Former) == 0 {
		return
	}
	zone := m.ward.Zone(m.ward.Facility)
	seq := map[string]uint64{}
	on := map[string]string{}
	for _, it := range m.ward.Items {
		seq[it.ID], on[it.ID] = it.Seq, it.At.In(zone).Format(time.DateOnly)
	}
	if len(c.Points) > 0 {
		own, late, early := 0, 0, 0
		for _, e := range sheet.Cases(c.Class, c.Technique) {
			known := slices.Contains(b.Seen[c.Threshold], e.Fact)
			switch {
			case e.Date == c.Begins:
				own++
			case e.Date < c.Began && !known:
				early++
			case e.Date < c.Begins && !known:
				late++
			}
		}
		first := c.Points[0].Events
		s.is("an event that the former chart had still to count is on the new chart's first day", first > own)
		s.is("one that came after the new threshold", late > 0 && first == own+late)
		s.is("one that the new threshold had seen, but not the acknowledgement before it", first > own+late)
		s.is("one of before the chart's first threshold is on none", early > 0)
	}
	for _, g := range c.Signals {
		if g.Answered == "" {
			continue
		}
		before := seq[g.Answered] < seq[c.Threshold]
		s.is("an acknowledgement before the new threshold", before && max(on[g.Answered], g.Date) >= c.Begins)
		s.is("one after it of a signal before it", !before && g.Seq < seq[c.Threshold])
	}
	last := c.Threshold
	for _, f := range slices.Backward(c.Former) {
		s.is("a threshold is dated before one that was set already", seq[f.Threshold] > seq[last])
		s.is("two thresholds are of one day", f.Until < f.Begins)
		s.is("a signal is of a former chart", len(f.Signals) > 0)
		for _, g := range f.Signals {
			s.is("a former chart had restarted", g.Answered != "" && max(on[g.Answered], g.Date) < f.Until)
		}
		last = f.Threshold
	}
}

// census looks at the days of one.
func (s *situations) census(m moment, b *v1.CensusCounted) {
	readable := slices.DeleteFunc(slices.Clone(b.GetCountedOn()), func(d string) bool {
		_, err := time.Parse(time.DateOnly, d)
		return err != nil
	})
	s.is("a census without a readable day", len(readable) == 0)
	for _, p := range m.ward.Patients {
		techniques := map[string]bool{}
		for _, d := range p.Answer.Days {
			if d.Facility == m.ward.Facility && slices.Contains(readable, d.Date) {
				techniques[d.Technique] = true
			}
		}
		s.is("a patient's technique changes within a census", len(techniques) > 1)
	}
}
