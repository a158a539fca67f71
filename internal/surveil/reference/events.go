package reference

import (
	"sort"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// clock is the 21-day rule, near the days either side of a bloodstream infection.
const (
	clock = 21
	near  = 20
)

// events lists all occurrences by date, kind and fact.
func (w *world) events() []Event {
	var out []Event
	out = append(out, w.cultures()...)
	out = append(out, w.courses()...)
	out = append(out, w.signs()...)
	for i := range out {
		e := &out[i]
		technique, access, tracks := w.dialysedThrough(e.Date)
		e.Technique, e.Access = technique, access
		if len(e.Tracks) == 0 {
			e.Tracks = tracks
		}
		at := w.at(e.Date)
		e.Outside = at == ""
		if at != "" {
			e.Facility = at
		}
	}
	for i := range out {
		if out[i].Kind == "site-signs" {
			for _, c := range out {
				if accessRelated(c) && apart(c.Date, out[i].Date) <= near && apart(out[i].Date, c.Date) <= near {
					out[i].Related = true
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.Date != b.Date {
			return a.Date < b.Date
		}
		if a.Kind != b.Kind {
			return a.Kind < b.Kind
		}
		return a.Fact < b.Fact
	})
	return out
}

// at is the facility of the stay on a day.
func (w *world) at(date string) string {
	for i, d := range w.dates {
		if d == date {
			return w.stay[i]
		}
	}
	return ""
}

// accessRelated tells of a culture event from the access, as far as anybody knows.
func accessRelated(e Event) bool {
	if e.Kind != "blood-culture" || !e.Counted {
		return false
	}
	switch cannularyv1.SuspectedSource(e.Source) {
	case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE, cannularyv1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION:
		return false
	}
	return true
}

// positive is a positive blood culture and the date of its collection.
type positive struct {
	*record.Fact
	says *cannularyv1.CultureResulted
	date string
}

// positives lists them by date of collection.
// Reading: those of one date in the order of collection, then of the facts.
func (w *world) positives() []positive {
	var out []positive
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.CultureResulted)
		if ok && b.GetSpecimen() == cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD && b.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
			out = append(out, positive{f, b, w.local(b.GetCollectedAt().AsTime(), f.Facility)})
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].date != out[j].date {
			return out[i].date < out[j].date
		}
		return out[i].says.GetCollectedAt().AsTime().Before(out[j].says.GetCollectedAt().AsTime())
	})
	return out
}

func (w *world) cultures() []Event {
	var out []Event
	list := w.positives()
	for i, c := range list {
		e := Event{Kind: "blood-culture", Fact: c.ID, Facility: c.Facility, Date: c.date, Counted: true}
		switch c.says.GetSetting() {
		case cannularyv1.CollectionSetting_COLLECTION_SETTING_INPATIENT:
			e.Counted, e.Named = w.inpatient(c.date)
		case cannularyv1.CollectionSetting_COLLECTION_SETTING_UNSPECIFIED:
			e.Named = true
		}
		if i > 0 && apart(list[i-1].date, c.date) < clock {
			e.Counted, e.Named = false, true
		}
		organisms := map[int32]bool{}
		for _, other := range list {
			if other.date == c.date {
				for _, o := range other.says.GetOrganisms() {
					organisms[int32(o.GetGroup())] = true
				}
			}
		}
		for o := range organisms {
			e.Organisms = append(e.Organisms, o)
		}
		sort.Slice(e.Organisms, func(i, j int) bool { return e.Organisms[i] < e.Organisms[j] })
		e.Source = w.source(c, list)
		out = append(out, e)
	}
	return out
}

// inpatient tells of a culture collected in hospital whether it counts and must be named.
// Reading: the stay in hospital that counts is the one begun last by that day and not ended
// before it; where a stay was ended before, none is on record.
func (w *world) inpatient(date string) (counted, named bool) {
	admitted := ""
	for _, f := range w.facts {
		switch f.Body.(type) {
		case *cannularyv1.HospitalAdmission:
			if w.date(f) <= date {
				admitted = w.date(f)
			}
		case *cannularyv1.HospitalDischarge:
			if w.date(f) < date {
				admitted = ""
			}
		}
	}
	if admitted == "" {
		return true, true
	}
	within := apart(admitted, date) <= 1
	return within, !within
}

// source is what was assessed of a culture.
// Reading: of several others of the same date the latest assessment stands.
func (w *world) source(c positive, list []positive) int32 {
	own, others := int32(0), int32(0)
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.SuspectedSourceAssessed)
		if !ok {
			continue
		}
		assessed := record.ReferencedFactID(f.Source, b.GetCulture())
		for _, other := range list {
			switch {
			case other.ID != assessed || other.date != c.date:
			case other.ID == c.ID:
				own = int32(b.GetSuspectedSource())
			default:
				others = int32(b.GetSuspectedSource())
			}
		}
	}
	if own != 0 {
		return own
	}
	return others
}

// courses looks at the intravenous starts.
// Reading: the courses begun before are intravenous ones too, those of the same day that
// come before in the order of facts among them; a course begun twice is two starts, and its
// last known dose the later of them.
func (w *world) courses() []Event {
	var out []Event
	for i, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.AntimicrobialStarted)
		if !ok || b.GetRoute() != cannularyv1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS {
			continue
		}
		date := w.date(f)
		e := Event{Kind: "antimicrobial-course", Fact: f.ID, Facility: f.Facility, Date: date, Counted: true}
		if _, known := w.end(b.GetCourse(), date); !known {
			e.Named = true
		}
		for _, before := range w.facts[:i] {
			earlier, ok := before.Body.(*cannularyv1.AntimicrobialStarted)
			if !ok || earlier.GetRoute() != cannularyv1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS {
				continue
			}
			end, known := w.end(earlier.GetCourse(), w.date(before))
			if !known {
				e.Named = true
			}
			if apart(end, date) < clock {
				e.Counted, e.Named = false, true
			}
		}
		out = append(out, e)
	}
	return out
}

// end is the day on which a course ended; known is false where nobody said so.
func (w *world) end(course, started string) (date string, known bool) {
	date = started
	for _, f := range w.facts {
		if b, ok := f.Body.(*cannularyv1.AntimicrobialEnded); ok && b.GetCourse() == course {
			date, known = told(b.GetLastDoseOn(), w.date(f)), true
		}
	}
	if known {
		return date, true
	}
	for _, f := range w.facts {
		if b, ok := f.Body.(*cannularyv1.AntimicrobialStarted); ok && b.GetCourse() == course && w.date(f) > date {
			date = w.date(f)
		}
	}
	return date, false
}

// signs looks at pus, redness and swelling.
// Reading: one message of signs, or one examination, is one occurrence.
func (w *world) signs() []Event {
	var out []Event
	previous := ""
	for _, f := range w.facts {
		seen, tracks := signsOf(f)
		if !seen {
			continue
		}
		e := Event{Kind: "site-signs", Fact: f.ID, Facility: f.Facility, Date: w.date(f), Counted: true, Tracks: tracks}
		if previous != "" && apart(previous, e.Date) < clock {
			e.Counted, e.Named = false, true
		}
		previous = e.Date
		out = append(out, e)
	}
	return out
}

// signsOf tells whether a fact tells of signs, and at which tracks.
func signsOf(f *record.Fact) (seen bool, tracks []string) {
	const present = cannularyv1.Finding_FINDING_PRESENT
	at := map[string]bool{}
	switch b := f.Body.(type) {
	case *cannularyv1.SiteSignsSeen:
		if b.GetPus() == present || b.GetRedness() == present || b.GetSwelling() == present {
			seen, at[b.GetTrack()] = true, true
		}
	case *cannularyv1.AccessExamined:
		seen = b.GetLook().GetPus() == present || b.GetLook().GetRedness() == present
		for _, s := range b.GetSites() {
			if s.GetPus() == present || s.GetRedness() == present || s.GetSwelling() == present {
				seen, at[s.GetTrack()] = true, true
			}
		}
	}
	return seen, sorted(at)
}
