package reference_test

import (
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/reference"
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
func (s *situations) look(m moment, sheet reference.Sheet, b reference.Book) {
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
	}
	now := day(m.ward.AsOf).Month()
	for month := now - 3; month <= now; month++ {
		p := reference.Period{From: month.String(), To: month.String()}
		s.is("the denominators disagree", len(sheet.Disagreements(p.From)) > 0)
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
	s.is("a year has its rate", sheet.Line("bloodstream", "all", reference.Period{From: (now - 12).String(), To: (now - 1).String()}).PerHundred != nil)
}

// referenced tells whether there is a reference for bloodstream infections of constant-site needling.
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

func (s *situations) charts(m moment, sheet reference.Sheet, b reference.Book) {
	zone := m.ward.Zone(m.ward.Facility)
	date := func(fact string) string { return s.facts[fact].At.In(zone).Format(time.DateOnly) }
	answers := map[string]bool{}
	standing := map[reference.Chart]bool{}
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
