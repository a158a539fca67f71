package surveillance

import (
	"fmt"
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
		// Reading: signs belong to the access that they were seen at, with the technique of the day.
		e.Technique = technique
		e.Outcome = w.ledTo(e.Fact)
		if e.Access == "" {
			e.Access = access
		}
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
// Reading: of one date those whose setting lets them count come first, then by fact.
func (w *world) positives() []positive {
	var out []positive
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.CultureResulted)
		if ok && b.GetSpecimen() == cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD &&
			b.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
			out = append(out, positive{f, b, w.local(b.GetCollectedAt().AsTime(), f.Facility)})
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].date != out[j].date {
			return out[i].date < out[j].date
		}
		a, _ := w.setting(out[i])
		b, _ := w.setting(out[j])
		if a != b {
			return a
		}
		return out[i].ID < out[j].ID
	})
	return out
}

// withResult lists the blood cultures with a result, of whatever setting.
func (w *world) withResult() []Culture {
	var out []Culture
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.CultureResulted)
		if !ok || b.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD ||
			b.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_UNSPECIFIED {
			continue
		}
		date := w.local(b.GetCollectedAt().AsTime(), f.Facility)
		out = append(out, Culture{f.ID, told(w.at(date), f.Facility), date,
			b.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE})
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].Date != out[j].Date {
			return out[i].Date < out[j].Date
		}
		return out[i].Fact < out[j].Fact
	})
	return out
}

func (w *world) cultures() []Event {
	var out []Event
	list := w.positives()
	for i, c := range list {
		e := Event{Kind: "blood-culture", Fact: c.ID, Facility: c.Facility, Date: c.date}
		e.Counted, e.Named = w.setting(c)
		if i > 0 && apart(list[i-1].date, c.date) < clock {
			e.Counted, e.Named = false, true
		}
		organisms, tested := map[int32]bool{}, map[string]bool{}
		for _, other := range list {
			if other.date == c.date {
				for _, o := range other.says.GetOrganisms() {
					organisms[int32(o.GetGroup())] = true
					for _, s := range o.GetSusceptibilities() {
						agent := s.GetAgent().GetDisplay()
						if agent == "" {
							agent = s.GetAgent().GetCode()
						}
						tested[fmt.Sprint(int32(o.GetGroup()), " ", agent, " ", int32(s.GetResult()))] = true
					}
				}
			}
		}
		for o := range organisms {
			e.Organisms = append(e.Organisms, o)
		}
		sort.Slice(e.Organisms, func(i, j int) bool { return e.Organisms[i] < e.Organisms[j] })
		for s := range tested {
			e.Tested = append(e.Tested, s)
		}
		sort.Strings(e.Tested)
		e.Source = w.source(c, list)
		out = append(out, e)
	}
	return out
}

// setting tells of a culture whether its setting lets it count, and whether it is named.
func (w *world) setting(c positive) (counts, named bool) {
	switch c.says.GetSetting() {
	case cannularyv1.CollectionSetting_COLLECTION_SETTING_INPATIENT:
		return w.inpatient(c.date)
	case cannularyv1.CollectionSetting_COLLECTION_SETTING_UNSPECIFIED:
		return true, true
	}
	return true, false
}

// inpatient tells of a culture collected in hospital whether it counts and must be named.
// Reading: it counts after any admission of that day or the day before, whether or not an
// earlier stay was told to end; no admission is on record where the last was ended before.
func (w *world) inpatient(date string) (counts, named bool) {
	admitted := ""
	for _, f := range w.facts {
		switch f.Body.(type) {
		case *cannularyv1.HospitalAdmission:
			switch days := apart(w.date(f), date); {
			case days == 0 || days == 1:
				return true, false
			case days > 1:
				admitted = w.date(f)
			}
		case *cannularyv1.HospitalDischarge:
			if w.date(f) < date {
				admitted = ""
			}
		}
	}
	return admitted == "", true
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

// ledTo is what the latest assessment of an event's fact says.
// Reading: what an assessment leaves out is not assessed, whatever an earlier one said.
func (w *world) ledTo(fact string) (out [3]int32) {
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.EventOutcomeAssessed)
		if ok && record.ReferencedFactID(f.Source, b.GetEvent()) == fact {
			out = [3]int32{int32(b.GetHospitalStay()), int32(b.GetAccessLost()), int32(b.GetDeath())}
		}
	}
	return out
}

// courses looks at the intravenous starts.
// Reading: the courses begun before are intravenous ones too, and those of the same day
// whose fact comes first by its id.
func (w *world) courses() []Event {
	type start struct {
		*record.Fact
		date, end string
		known     bool
		says      *cannularyv1.AntimicrobialStarted
	}
	var starts []start
	for _, f := range w.facts {
		b, ok := f.Body.(*cannularyv1.AntimicrobialStarted)
		if ok && b.GetRoute() == cannularyv1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS {
			end, known := w.end(b.GetCourse(), w.date(f))
			starts = append(starts, start{f, w.date(f), end, known, b})
		}
	}
	var out []Event
	for _, s := range starts {
		// Reading: the course that has no end is named, not the one after it.
		e := Event{Kind: "antimicrobial-course", Fact: s.ID, Facility: s.Facility, Date: s.date, Counted: true, Named: !s.known,
			Vancomycin: int32(s.says.GetVancomycin()), CultureTaken: int32(s.says.GetBloodCultureTaken())}
		for _, o := range starts {
			before := o.date < s.date || o.date == s.date && o.ID < s.ID
			if before && apart(o.end, s.date) < clock {
				e.Counted, e.Named = false, true
			}
		}
		out = append(out, e)
	}
	return out
}

// end is the day on which a course ended; known is false where nobody said so.
// Reading: the latest of several ends, and none before the start; where there is none, the
// start is the last known dose.
func (w *world) end(course, started string) (date string, known bool) {
	date = started
	for _, f := range w.facts {
		if b, ok := f.Body.(*cannularyv1.AntimicrobialEnded); ok && b.GetCourse() == course {
			known = true
			date = max(date, told(b.GetLastDoseOn(), w.date(f)))
		}
	}
	return date, known
}

// signs looks at pus, redness and swelling.
// Reading: one message of signs, or one examination, is one occurrence.
func (w *world) signs() []Event {
	var out []Event
	for _, f := range w.facts {
		if seen, access, tracks := signsOf(f); seen {
			out = append(out, Event{Kind: "site-signs", Fact: f.ID, Facility: f.Facility, Date: w.date(f), Access: access, Tracks: tracks})
		}
	}
	for i := range out {
		e := &out[i]
		e.Counted = true
		for _, o := range out {
			before := o.Date < e.Date || o.Date == e.Date && o.Fact < e.Fact
			if before && apart(o.Date, e.Date) < clock {
				e.Counted, e.Named = false, true
			}
		}
	}
	return out
}

// signsOf reports whether a fact tells of signs, in which access and at which tracks.
func signsOf(f *record.Fact) (seen bool, access string, tracks []string) {
	const present = cannularyv1.Finding_FINDING_PRESENT
	at := map[string]bool{}
	switch b := f.Body.(type) {
	case *cannularyv1.SiteSignsSeen:
		access = b.GetAccess()
		if b.GetPus() == present || b.GetRedness() == present || b.GetSwelling() == present {
			seen, at[b.GetTrack()] = true, true
		}
	case *cannularyv1.AccessExamined:
		access = b.GetAccess()
		seen = b.GetLook().GetPus() == present || b.GetLook().GetRedness() == present
		for _, s := range b.GetSites() {
			if s.GetPus() == present || s.GetRedness() == present || s.GetSwelling() == present {
				seen, at[s.GetTrack()] = true, true
			}
		}
	}
	return seen, access, sorted(at)
}
