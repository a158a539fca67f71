package surveil

import (
	"cmp"
	"slices"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Kind is a kind of event. Each kind has a 21-day clock of its own.
type Kind string

// The kinds.
const (
	BloodCulture Kind = "blood-culture"
	Course       Kind = "antimicrobial-course"
	SiteSigns    Kind = "site-signs"
)

// Clock is the days of the 21-day rule, Near the days either side within which signs belong
// to an access-related bloodstream infection.
const (
	Clock = 21
	Near  = 20
)

// Event is one occurrence that surveillance looks at, whether it counts or not.
type Event struct {
	Kind Kind   `json:"kind"`
	Fact string `json:"fact"`
	// Facility is the one that it counts for. Day is its date.
	Facility string `json:"facility"`
	Day      Day    `json:"day"`
	// Counted reports that the setting and the 21-day rule make it an event. Why says why it is
	// not one, or what is in doubt.
	Counted bool   `json:"counted"`
	Why     string `json:"why,omitempty"`
	// Technique and Access are those of the patient on that day. Tracks are the tracks in use,
	// or the one at which the signs were seen. Outside reports that the patient had no stay that
	// day.
	Technique Technique `json:"technique"`
	Access    string    `json:"access,omitempty"`
	Tracks    []string  `json:"tracks,omitempty"`
	Outside   bool      `json:"outside,omitempty"`
	// Source is the assessed source of a culture; not recorded if nobody assessed it.
	Source cannularyv1.SuspectedSource `json:"source,omitempty"`
	// Organisms are those of the positive blood cultures of that date.
	Organisms []cannularyv1.OrganismGroup `json:"organisms,omitempty"`
	// Related reports signs near an access-related bloodstream infection.
	Related bool `json:"related,omitempty"`
	// Tested are the susceptibilities of those organisms, sorted.
	Tested []Tested `json:"tested,omitempty"`
	// Vancomycin and CultureTaken are the answers about an antimicrobial start.
	Vancomycin   cannularyv1.Answer `json:"vancomycin,omitempty"`
	CultureTaken cannularyv1.Answer `json:"cultureTaken,omitempty"`
	// Outcome is what the latest assessment of the event says.
	Outcome Outcome `json:"outcome,omitzero"`
}

// Tested is how an organism answered to an antimicrobial, in the laboratory's words.
type Tested struct {
	Organism cannularyv1.OrganismGroup        `json:"organism"`
	Agent    string                           `json:"agent"`
	Result   cannularyv1.SusceptibilityResult `json:"result"`
}

func compareTested(a, b Tested) int {
	return cmp.Or(cmp.Compare(a.Organism, b.Organism), cmp.Compare(a.Agent, b.Agent), cmp.Compare(a.Result, b.Result))
}

// Outcome is what an event led to; 0 if it was not assessed.
type Outcome struct {
	HospitalStay cannularyv1.Answer `json:"hospitalStay,omitempty"`
	AccessLost   cannularyv1.Answer `json:"accessLost,omitempty"`
	Death        cannularyv1.Answer `json:"death,omitempty"`
}

// Is reports whether the event is one of the class.
func (e *Event) Is(c Class) bool {
	if !e.Counted {
		return false
	}
	switch c {
	case Bloodstream:
		return e.Kind == BloodCulture
	case AccessRelated:
		return e.Kind == BloodCulture && accessRelated(e.Source)
	case LocalAccess:
		return e.Kind == SiteSigns && !e.Related
	case Antimicrobial:
		return e.Kind == Course
	}
	return false
}

// accessRelated reports whether a source counts as the access. An uncertain source counts, and
// so does one that was not assessed.
func accessRelated(s cannularyv1.SuspectedSource) bool {
	switch s {
	case cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE, cannularyv1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION:
		return false
	}
	return true
}

// events returns the patient's events, each with whether it counts.
func (h *history) events() []Event {
	cultures := h.cultures()
	all := append(append(slices.Clip(cultures), h.courses()...), h.signs(cultures)...)
	outcomes := h.outcomes()
	for i := range all {
		all[i].Outcome = outcomes[all[i].Fact]
	}
	slices.SortFunc(all, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Fact, b.Fact))
	})
	return all
}

// outcomes returns the latest assessment of what each event led to, by the event's fact.
func (h *history) outcomes() map[string]Outcome {
	out := map[string]Outcome{}
	for i := range h.in.Items {
		it := &h.in.Items[i]
		if b, ok := it.Body.(*cannularyv1.EventOutcomeAssessed); ok && !it.Void {
			// Items are in order of time, so the latest stands.
			out[record.ReferencedFactID(it.Source, b.GetEvent())] = Outcome{b.GetHospitalStay(), b.GetAccessLost(), b.GetDeath()}
		}
	}
	return out
}

// event returns a new event of a fact on a day.
func (h *history) event(k Kind, f *record.Fact, d Day) Event {
	e := Event{Kind: k, Fact: f.ID, Facility: h.stayOn(d), Day: d, Tracks: h.tracksOn(d)}
	if e.Facility == "" {
		e.Facility, e.Outside = f.Facility, true
	}
	e.Technique, e.Access = h.at(d)
	return e
}

// inOrder sorts by day, then fact, so that the first event of a day is the one that can count.
func inOrder(list []Event) {
	slices.SortFunc(list, func(a, b Event) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Fact, b.Fact)) })
}

// cultures returns the positive blood cultures.
func (h *history) cultures() []Event {
	assessed := map[string]cannularyv1.SuspectedSource{}
	order := map[string]int{} // the place of the latest assessment among the facts
	var out []Event
	eligible := map[string]bool{}
	for i := range h.in.Items {
		it := &h.in.Items[i]
		if it.Void {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.SuspectedSourceAssessed:
			// Items are in order of time, so the latest stands.
			culture := record.ReferencedFactID(it.Source, b.GetCulture())
			assessed[culture], order[culture] = b.GetSuspectedSource(), i+1
		case *cannularyv1.CultureResulted:
			if b.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD ||
				b.GetGrowth() != cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
				continue
			}
			e := h.event(BloodCulture, &it.Fact, h.day(&it.Fact, b.GetCollectedAt().AsTime()))
			e.Organisms, e.Tested = grown(b)
			eligible[e.Fact], e.Why = h.eligible(b.GetSetting(), e.Day)
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b Event) int {
		if a.Day == b.Day && eligible[a.Fact] != eligible[b.Fact] {
			// Of the cultures of one date, those that can count come first.
			if eligible[a.Fact] {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Fact, b.Fact))
	})
	for i := range out {
		e := &out[i]
		e.Source = assessed[e.Fact]
		latest := 0
		for k := range out {
			if out[k].Day != e.Day || k == i {
				continue
			}
			if n := order[out[k].Fact]; order[e.Fact] == 0 && n > latest {
				e.Source, latest = assessed[out[k].Fact], n
			}
			organisms, tested := h.grownIn(out[k].Fact)
			e.Organisms, e.Tested = append(e.Organisms, organisms...), append(e.Tested, tested...)
		}
		slices.Sort(e.Organisms)
		slices.SortFunc(e.Tested, compareTested)
		e.Organisms, e.Tested = slices.Compact(e.Organisms), slices.Compact(e.Tested)
	}
	for i := range out {
		e := &out[i]
		switch {
		case !eligible[e.Fact]:
		case i > 0 && e.Day-out[i-1].Day < Clock:
			e.Why = "less than 21 days after the previous positive blood culture"
		default:
			e.Counted = true
		}
	}
	return out
}

// results returns all blood cultures with a positive or negative result.
func (h *history) results() []Culture {
	var out []Culture
	for i := range h.in.Items {
		it := &h.in.Items[i]
		b, ok := it.Body.(*cannularyv1.CultureResulted)
		if !ok || it.Void || b.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD {
			continue
		}
		c := Culture{Fact: it.ID, Day: h.day(&it.Fact, b.GetCollectedAt().AsTime()),
			Positive: b.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE}
		if !c.Positive && b.GetGrowth() != cannularyv1.CultureGrowth_CULTURE_GROWTH_NEGATIVE {
			continue
		}
		if c.Facility = h.stayOn(c.Day); c.Facility == "" {
			c.Facility = it.Facility
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b Culture) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Fact, b.Fact)) })
	return out
}

// grownIn returns what grew by one culture's own message.
func (h *history) grownIn(fact string) (organisms []cannularyv1.OrganismGroup, tested []Tested) {
	for i := range h.in.Items {
		if b, ok := h.in.Items[i].Body.(*cannularyv1.CultureResulted); ok && h.in.Items[i].ID == fact {
			o, t := grown(b)
			organisms, tested = append(organisms, o...), append(tested, t...)
		}
	}
	return organisms, tested
}

// grown returns what grew in a culture, and how it answered to antimicrobials.
func grown(b *cannularyv1.CultureResulted) (organisms []cannularyv1.OrganismGroup, tested []Tested) {
	for _, o := range b.GetOrganisms() {
		organisms = append(organisms, o.GetGroup())
		for _, s := range o.GetSusceptibilities() {
			tested = append(tested, Tested{o.GetGroup(), cmp.Or(s.GetAgent().GetDisplay(), s.GetAgent().GetCode()), s.GetResult()})
		}
	}
	return organisms, tested
}

// eligible reports whether a culture's setting lets it count, and what is in doubt.
func (h *history) eligible(s cannularyv1.CollectionSetting, d Day) (ok bool, why string) {
	switch s {
	case cannularyv1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, cannularyv1.CollectionSetting_COLLECTION_SETTING_EMERGENCY_DEPARTMENT:
		return true, ""
	case cannularyv1.CollectionSetting_COLLECTION_SETTING_INPATIENT:
		inside := false
		for _, s := range h.hospital {
			if s.admitted <= d && d-s.admitted <= 1 {
				return true, ""
			}
			inside = inside || s.admitted <= d && d <= s.discharged
		}
		if inside {
			return false, "collected in hospital more than one day after admission"
		}
		return true, "collected in hospital, but no admission is on record for that date"
	}
	return true, "where it was collected is not recorded"
}

// courses returns the intravenous antimicrobial starts.
func (h *history) courses() []Event {
	type course struct {
		Event
		end   Day
		ended bool
	}
	ends := map[string]Day{}
	var list []course
	for i := range h.in.Items {
		it := &h.in.Items[i]
		if it.Void {
			continue
		}
		if b, ok := it.Body.(*cannularyv1.AntimicrobialEnded); ok {
			d := h.stated(&it.Fact, b.GetLastDoseOn())
			if old, ok := ends[b.GetCourse()]; !ok || d > old {
				ends[b.GetCourse()] = d
			}
		}
	}
	for i := range h.in.Items {
		it := &h.in.Items[i]
		b, ok := it.Body.(*cannularyv1.AntimicrobialStarted)
		if !ok || it.Void || b.GetRoute() != cannularyv1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS {
			continue
		}
		c := course{Event: h.event(Course, &it.Fact, h.day(&it.Fact, it.At))}
		c.Vancomycin, c.CultureTaken = b.GetVancomycin(), b.GetBloodCultureTaken()
		if c.end, c.ended = ends[b.GetCourse()]; !c.ended || c.end < c.Day {
			c.end = c.Day
		}
		if !c.ended {
			c.Why = "no end of the course is on record: it counts as ended on its last known dose"
		}
		list = append(list, c)
	}
	slices.SortFunc(list, func(a, b course) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Fact, b.Fact)) })
	var out []Event
	last := First
	for _, c := range list {
		if c.Day-last >= Clock {
			c.Counted = true
		} else {
			c.Why = "less than 21 days after the end of an earlier intravenous course"
		}
		last = max(last, c.end)
		out = append(out, c.Event)
	}
	return out
}

const present = cannularyv1.Finding_FINDING_PRESENT

// signsOf returns the tracks at whose sites an examination found signs.
func signsOf(b *cannularyv1.AccessExamined) []string {
	var out []string
	for _, s := range b.GetSites() {
		if s.GetPus() == present || s.GetRedness() == present || s.GetSwelling() == present {
			out = append(out, s.GetTrack())
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// overAccess reports that an examination found pus or redness over the access as a whole.
func overAccess(b *cannularyv1.AccessExamined) bool {
	return b.GetLook().GetPus() == present || b.GetLook().GetRedness() == present
}

// signs returns pus, redness or swelling at an access site.
func (h *history) signs(cultures []Event) []Event {
	var out []Event
	add := func(f *record.Fact, access string, tracks []string) {
		e := h.event(SiteSigns, f, h.day(f, f.At))
		if access != "" {
			e.Access = access
		}
		if len(tracks) > 0 {
			e.Tracks = tracks
		}
		out = append(out, e)
	}
	for i := range h.in.Items {
		it := &h.in.Items[i]
		if it.Void {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.SiteSignsSeen:
			if b.GetPus() != present && b.GetRedness() != present && b.GetSwelling() != present {
				continue
			}
			var tracks []string
			if b.GetTrack() != "" {
				tracks = []string{b.GetTrack()}
			}
			add(&it.Fact, b.GetAccess(), tracks)
		case *cannularyv1.AccessExamined:
			if tracks := signsOf(b); len(tracks) > 0 || overAccess(b) {
				add(&it.Fact, b.GetAccess(), tracks)
			}
		}
	}
	inOrder(out)
	for i := range out {
		if i > 0 && out[i].Day-out[i-1].Day < Clock {
			out[i].Why = "less than 21 days after the previous signs"
		} else {
			out[i].Counted = true
		}
		for k := range cultures {
			c := &cultures[k]
			if near := c.Day - out[i].Day; c.Is(AccessRelated) && near >= -Near && near <= Near {
				out[i].Related = true
			}
		}
	}
	return out
}
