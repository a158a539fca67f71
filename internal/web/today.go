package web

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/fault"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
	"cannulary/internal/worklist"
)

// Parameters of Today, beside find.
const (
	paramFacility  = "facility"
	paramDate      = "date"      // today, or one of the days that follow
	paramList      = "list"      // empty is who is due; or one of the lists below
	paramShift     = "shift"     // of those who are due
	paramStage     = "stage"     // patients with a track of that stage
	paramAttention = "attention" // patients whom somebody has to look at first: any, or one of the kinds below
)

// Lists beside that of who is due.
const (
	listAll         = "all"
	listOthers      = "others"      // not due on the date
	listUnscheduled = "unscheduled" // without a schedule
)

// Kinds of attention.
const (
	attentionAny     = "any"
	attentionHold    = "hold"
	attentionCaution = "caution"
	attentionFirst   = "first-blunt"
)

// daysAhead is how far ahead Today can be asked.
const daysAhead = 7

// noShift stands for the patients whose schedule names no shift.
const noShift = "-"

// chosen is what Today is asked for.
type chosen struct {
	Facility, Date, List, Shift, Stage, Attention, Find string
}

// link is the address of Today as chosen.
func (c chosen) link() string {
	q := url.Values{}
	for _, p := range []struct{ name, value string }{{paramFacility, c.Facility}, {paramDate, c.Date}, {paramList, c.List},
		{paramShift, c.Shift}, {paramStage, c.Stage}, {paramAttention, c.Attention}} {
		if p.value != "" {
			q.Set(p.name, p.value)
		}
	}
	if len(q) == 0 {
		return "./"
	}
	return "./?" + q.Encode()
}

// Back is the address of Today without what was looked for.
func (c chosen) Back() string { return chosen{Facility: c.Facility}.link() }

func readChosen(r *http.Request) (chosen, error) {
	p, err := answer.Query(r, paramFacility, paramDate, paramList, paramShift, paramStage, paramAttention, paramFind)
	if err != nil {
		return chosen{}, err
	}
	c := chosen{p[paramFacility], p[paramDate], p[paramList], p[paramShift], p[paramStage], p[paramAttention], p[paramFind]}
	var stageNames []string
	for _, s := range stages() {
		stageNames = append(stageNames, string(s))
	}
	for _, x := range []struct {
		name, value string
		known       []string
	}{
		{paramList, c.List, []string{listAll, listOthers, listUnscheduled}},
		{paramStage, c.Stage, stageNames},
		{paramAttention, c.Attention, []string{attentionAny, attentionHold, attentionCaution, attentionFirst}},
	} {
		if x.value != "" && !slices.Contains(x.known, x.value) {
			return c, fault.New(fault.Invalid, fmt.Sprintf("%s %.40q is not known", x.name, x.value),
				"choose "+strings.Join(x.known, ", ")+", or leave it out")
		}
	}
	return c, nil
}

// todayPage is Today.
type todayPage struct {
	freshness
	Chosen   chosen
	Units    []unitLink // to choose from, where there are several
	None     bool       // no facility is registered
	Day      string     // the date that is shown
	IsToday  bool
	Closed   bool // the unit's calendar names no treatment on that day
	Before   string
	After    string // addresses of the days around
	AfterDay string
	Chips    []chip
	Whole    []chip // of the whole unit
	Sections []section
	Nobody   bool   // is due
	Found    *found // what find came to; nil where nobody was looked for
}

// freshness is how far the page can be trusted to be of now.
type freshness struct {
	Status       Status
	StatusFailed bool
	Behind       int // events that the view has still to follow
	Quarantined  int
	NamesFailed  bool
	Heard        string // when the last message arrived; empty if none has
	HeardAgo     string
	Newest, AsOf string // the newest fact, the newest day started
}

// unitLink is a facility to choose, with what waits there.
type unitLink struct {
	Name, Link           string
	Due, Patients, Holds int
}

// chip is a filter with how many it leaves.
type chip struct {
	Text, Link string
	Count      int
	On         bool
	Stop       bool // somebody must act
}

// section is a group of rows.
type section struct {
	ID, Title string
	Rows      []row
}

// today answers "/".
func (h *handler) today(w http.ResponseWriter, r *http.Request) error {
	c, err := readChosen(r)
	if err != nil {
		return err
	}
	facilities, err := h.cfg.Store.Facilities(r.Context())
	if err != nil {
		return err
	}
	if len(facilities) == 1 && c.Facility == "" {
		c.Facility = facilities[0].ID
	}
	k := slices.IndexFunc(facilities, func(f view.Facility) bool { return f.ID == c.Facility })
	if k < 0 && c.Facility != "" {
		return notRegistered()
	}
	page := todayPage{Chosen: c, None: len(facilities) == 0}
	if page.freshness, err = h.fresh(r.Context()); err != nil {
		return err
	}
	rec, err := h.records(r.Context())
	if err != nil {
		return err
	}
	if c.Find != "" {
		opened, err := h.find(w, r, rec, facilities, &page)
		if err != nil || opened {
			return err
		}
	} else if k < 0 {
		page.Units = h.units(rec, facilities)
	}
	if k >= 0 {
		if err := h.fillToday(r.Context(), &page, rec, facilities[k]); err != nil {
			return err
		}
	}
	page.named(r.Context())
	title := h.words.must("today.title")
	if page.Day != "" {
		title += " · " + page.Day
	}
	return h.render(w, r, "today", frame{Title: title, Page: "today", Facility: c.Facility}, page)
}

// named names for the trail the patients whom the page shows.
func (p *todayPage) named(ctx context.Context) {
	lists := p.Sections
	if p.Found != nil {
		lists = append(lists[:len(lists):len(lists)], section{Rows: p.Found.Rows})
	}
	for _, s := range lists {
		for i := range s.Rows {
			seen.Patients(ctx, s.Rows[i].Key)
		}
	}
}

// fresh reports how far the view has come.
func (h *handler) fresh(ctx context.Context) (f freshness, err error) {
	if st, err := h.cfg.Status(ctx); err != nil {
		// The page is worth having when the log cannot be asked, and says so.
		if ctx.Err() == nil { // else nobody waits for the page any more
			h.cfg.Log.WarnContext(ctx, "a page could not ask how far the log is", "err", err)
		}
		f.StatusFailed = true
	} else {
		f.Status, f.Behind = st, int(st.LogSequence-min(st.LogSequence, st.ViewSequence))
	}
	f.Quarantined, err = h.cfg.Store.Quarantined(ctx)
	return f, err
}

// records are what lists show, by patient key.
type records struct {
	persons map[string]*worklist.Person
	tracks  map[string][]view.TrackRow
	holds   map[string][]view.HoldRow
}

func (h *handler) records(ctx context.Context) (rec records, err error) {
	rec = records{tracks: map[string][]view.TrackRow{}, holds: map[string][]view.HoldRow{}}
	if rec.persons, err = h.cfg.Store.Worklist(ctx); err != nil {
		return rec, err
	}
	tracks, err := h.cfg.Store.Tracks(ctx)
	if err != nil {
		return rec, err
	}
	for _, t := range tracks {
		rec.tracks[t.Patient] = append(rec.tracks[t.Patient], t)
	}
	holds, err := h.cfg.Store.Holds(ctx)
	for _, x := range holds {
		rec.holds[x.Patient] = append(rec.holds[x.Patient], x)
	}
	return rec, err
}

// keys lists everybody of whom a list may tell something.
func (rec records) keys() []string {
	all := map[string]bool{}
	for k := range rec.persons {
		all[k] = true
	}
	for k := range rec.tracks {
		all[k] = true
	}
	for k := range rec.holds {
		all[k] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// on is a patient's record at one facility on a date. ok is false for who has nothing to do with it.
func (rec records) on(facility, key string, d zone.Day) (p patient, ok bool) {
	return rec.placed(facility, key, func(p *worklist.Person) worklist.Place { return p.On(facility, d) })
}

// at is likewise of a moment: a treatment that began before midnight may still run.
func (rec records) at(facility, key string, now time.Time, z *time.Location) (p patient, ok bool) {
	return rec.placed(facility, key, func(p *worklist.Person) worklist.Place { return p.At(facility, now, z) })
}

func (rec records) placed(facility, key string, place func(*worklist.Person) worklist.Place) (p patient, ok bool) {
	p = patient{key: key, person: rec.persons[key]}
	if p.person != nil {
		p.place = place(p.person)
	}
	for _, t := range rec.tracks[key] {
		if t.Facility == facility {
			p.tracks = append(p.tracks, t)
		}
	}
	for _, x := range rec.holds[key] {
		if x.Facility != facility {
			continue
		}
		if x.Stands() {
			p.holds = append(p.holds, x)
		} else {
			p.past = append(p.past, x)
		}
	}
	p.rank = rankOf(p)
	return p, p.place.Here || p.treated() || len(p.tracks)+len(p.holds)+len(p.past) > 0
}

// patient is a patient at one facility on a date.
type patient struct {
	key    string
	person *worklist.Person // nil where nothing is known
	place  worklist.Place
	tracks []view.TrackRow
	holds  []view.HoldRow // that stand
	past   []view.HoldRow // on what is no longer used
	rank   int
	who    card.Patient
}

// lapses reports whether a track's needle may be another one by a coming date, though nothing happens before. No date is today's.
func (p patient) lapses(date string) bool {
	return slices.ContainsFunc(p.tracks, func(t view.TrackRow) bool {
		return t.Stage != string(track.Retired) && t.Due != "" && t.Due <= date
	})
}

// Ranks: who is looked at first.
const (
	rankHold = iota
	rankCaution
	rankFirst // the first blunt needle
	rankRest
)

func rankOf(p patient) int {
	if len(p.holds) > 0 {
		return rankHold
	}
	out := rankRest
	if p.who.Doubt != "" {
		out = rankCaution
	}
	for _, t := range p.tracks {
		s := track.Stage(t.Stage)
		switch {
		case s == track.Retired:
		case t.Held:
			return rankHold
		case t.Caution != "":
			out = min(out, rankCaution)
		case s == track.Ready && t.Needle == string(track.Blunt):
			out = min(out, rankFirst)
		}
	}
	return out
}

// treated tells that the record has a treatment of the date, also one that was missed or that runs since the day before.
func (p patient) treated() bool {
	return p.place.Today != nil || p.place.Overnight != nil || p.place.Missed != nil
}

// expected tells that the patient is on the list of the date: due, or treated there all the same.
func (p patient) expected() bool { return p.place.Due || p.treated() }

// unscheduled tells that nobody can say whether the patient is due.
func (p patient) unscheduled() bool { return p.place.Here && !p.place.Scheduled && !p.expected() }

// other tells that the patient is neither on the list of the date nor one of whom nobody can say.
func (p patient) other() bool { return !p.expected() && !p.unscheduled() }

// shown reports whether the patient passes the filters beside list and shift.
func (p patient) shown(c chosen) bool {
	if c.Stage != "" && !slices.ContainsFunc(p.tracks, func(t view.TrackRow) bool { return t.Stage == c.Stage }) {
		return false
	}
	switch c.Attention {
	case attentionAny:
		return p.rank < rankRest
	case attentionHold:
		return p.rank == rankHold
	case attentionCaution:
		return p.who.Doubt != "" ||
			slices.ContainsFunc(p.tracks, func(t view.TrackRow) bool { return t.Caution != "" && t.Stage != string(track.Retired) })
	case attentionFirst:
		return slices.ContainsFunc(p.tracks, func(t view.TrackRow) bool {
			return t.Stage == string(track.Ready) && t.Needle == string(track.Blunt)
		})
	}
	return true
}

// units are the facilities to choose from.
func (h *handler) units(rec records, facilities []view.Facility) []unitLink {
	var out []unitLink
	keys := rec.keys()
	for _, f := range facilities {
		u := unitLink{Name: cmp.Or(f.Name, f.ID), Link: chosen{Facility: f.ID}.link()}
		now, z := h.cfg.Now(), h.cfg.Cards.Zone(f.ID)
		for _, key := range keys {
			p, ok := rec.at(f.ID, key, now, z)
			if !ok {
				continue
			}
			u.Patients++
			u.Holds += len(p.holds)
			if p.expected() {
				u.Due++
			}
		}
		out = append(out, u)
	}
	return out
}

// fillToday puts the day of a facility onto the page.
func (h *handler) fillToday(ctx context.Context, page *todayPage, rec records, f view.Facility) error {
	now, z := h.cfg.Now(), h.cfg.Cards.Zone(f.ID)
	if f.LastLogged.Unix() > 0 {
		page.Heard, page.HeardAgo = h.words.when(f.LastLogged.In(z), now.In(z)), h.ago(now.Sub(f.LastLogged))
	}
	if f.LastOccurred.Unix() > 0 {
		page.Newest = h.words.when(f.LastOccurred.In(z), now.In(z))
	}
	if d, err := zone.ParseDay(f.Day); err == nil {
		page.AsOf = h.words.day(d.Time(), now.In(z))
	}
	if page.Found != nil {
		return nil
	}
	c := page.Chosen
	today := zone.DayOf(now, z)
	d := today
	if c.Date != "" {
		var err error
		if d, err = zone.ParseDay(c.Date); err != nil || d < today || d > today+daysAhead {
			return fault.New(fault.Invalid, fmt.Sprintf("date %.20q cannot be shown", c.Date),
				fmt.Sprintf("give a date from %s to %s, or leave it out", today, today+daysAhead))
		}
	}
	page.IsToday, page.Day = d == today, h.words.day(d.Time(), now.In(z))
	if d > today {
		page.Before = chosen{Facility: c.Facility}.link()
	}
	if d < today+daysAhead {
		page.After = chosen{Facility: c.Facility, Date: (d + 1).String()}.link()
		page.AfterDay = h.words.day((d + 1).Time(), now.In(z))
	}
	registered, err := h.cfg.Cards.Registration(ctx, f.ID)
	if err != nil {
		return err
	}
	page.Closed = slices.Contains(registered.GetHolidays(), d.String())
	var people []patient
	identities := map[string]string{}
	for _, key := range rec.keys() {
		p, ok := rec.on(f.ID, key, d)
		if page.IsToday {
			p, ok = rec.at(f.ID, key, now, z)
		}
		if ok {
			people = append(people, p)
			if p.person != nil {
				identities[key] = p.person.Identity
			}
		}
	}
	names, err := h.names(ctx, identities, &page.freshness)
	if err != nil {
		return err
	}
	for i := range people {
		people[i].who = names[people[i].key]
		people[i].rank = rankOf(people[i])
	}
	slices.SortStableFunc(people, byNeed)
	var shifts []string
	for _, p := range people {
		if p.expected() {
			shifts = append(shifts, p.place.Shift)
		}
	}
	shifts = worklist.Shifts(shifts, registered.GetShifts())
	page.Chips, page.Whole = h.chips(c, people, shifts)
	page.Sections = h.sections(c, people, shifts, z, now)
	page.Nobody = !slices.ContainsFunc(people, patient.expected)
	return nil
}

// names opens the names of a list. One that cannot be opened is said on the page.
func (h *handler) names(ctx context.Context, identities map[string]string, f *freshness) (map[string]card.Patient, error) {
	names, err := h.cfg.Cards.Named(ctx, identities)
	f.NamesFailed, err = h.unnamed(ctx, err)
	return names, err
}

// unnamed reports whether some names could not be opened, which the page says. The error is that of a reader who left.
func (h *handler) unnamed(ctx context.Context, err error) (bool, error) {
	if err == nil || ctx.Err() != nil {
		return false, err
	}
	h.cfg.Log.ErrorContext(ctx, "not every name of a list could be opened", "err", err)
	return true, nil
}

// byNeed orders who is looked at first, then by the chair of the day, then by name.
func byNeed(a, b patient) int {
	noName := func(p patient) int {
		if p.who.Name == "" {
			return 1
		}
		return 0
	}
	chair := func(p patient) string {
		if p.expected() {
			return p.place.Chair
		}
		return "" // that of another day
	}
	return cmp.Or(cmp.Compare(a.rank, b.rank), worklist.CompareChairs(chair(a), chair(b)), cmp.Compare(noName(a), noName(b)),
		strings.Compare(fold(a.who.Name), fold(b.who.Name)), strings.Compare(a.key, b.key))
}

// sections divides the patients who were asked for.
func (h *handler) sections(c chosen, people []patient, shifts []string, z *time.Location, now time.Time) []section {
	var out []section
	add := func(id, title string, in func(p patient) bool) {
		s := section{ID: id, Title: title}
		for _, p := range people {
			if in(p) && p.shown(c) {
				r := h.row(p, z, now)
				if p.lapses(c.Date) {
					r.First = append([]line{{Class: "care", Text: h.words.must("row.lapses")}}, r.First...)
					r.Urgency = cmp.Or(r.Urgency, "care")
				}
				s.Rows = append(s.Rows, r)
			}
		}
		if len(s.Rows) > 0 {
			out = append(out, s)
		}
	}
	if c.List == "" || c.List == listAll {
		for i, shift := range shifts {
			if c.Shift != "" && c.Shift != cmp.Or(shift, noShift) {
				continue
			}
			title := card.Capital(shift)
			switch {
			case shift == "" && len(shifts) > 1:
				title = h.words.must("today.no-shift")
			case shift == "":
				title = h.words.must("today.due")
			}
			add(fmt.Sprintf("shift-%d", i+1), title, func(p patient) bool { return p.expected() && p.place.Shift == shift })
		}
	}
	if c.Shift != "" {
		return out
	}
	if c.List != listOthers {
		add("unscheduled", h.words.must("today.unscheduled"), patient.unscheduled)
	}
	switch c.List {
	case "":
		add("held", h.words.must("today.held-elsewhere"), func(p patient) bool { return p.other() && p.rank == rankHold })
	case listAll, listOthers:
		add("others", h.words.must("today.others"), patient.other)
	}
	return out
}

// chips are the filters of the day, and those of the whole unit.
func (h *handler) chips(c chosen, people []patient, shifts []string) (day, whole []chip) {
	base := chosen{Facility: c.Facility, Date: c.Date}
	count := func(list []patient, in func(p patient) bool) (n int) {
		for _, p := range list {
			if in(p) {
				n++
			}
		}
		return n
	}
	var due []patient
	for _, p := range people {
		if p.expected() {
			due = append(due, p)
		}
	}
	add := func(list *[]chip, text string, n int, to chosen, stop bool) {
		now := c
		now.Find = ""
		*list = append(*list, chip{Text: text, Link: to.link(), Count: n, On: now == to, Stop: stop && n > 0})
	}
	with := func(f func(*chosen)) chosen { to := base; f(&to); return to }
	add(&day, h.words.must("chip.due"), len(due), base, false)
	first := count(people, func(p patient) bool { return p.rank < rankRest && (!p.other() || p.rank == rankHold) })
	add(&day, h.words.must("chip.attention"), first, with(func(to *chosen) { to.Attention = attentionAny }), true)
	if len(shifts) > 1 {
		for _, s := range shifts {
			text := card.Capital(s)
			if s == "" {
				text = h.words.must("today.no-shift")
			}
			add(&day, text, count(due, func(p patient) bool { return p.place.Shift == s }),
				with(func(to *chosen) { to.Shift = cmp.Or(s, noShift) }), false)
		}
	}
	add(&day, h.words.must("chip.others"), count(people, patient.other), with(func(to *chosen) { to.List = listOthers }), false)
	if n := count(people, patient.unscheduled); n > 0 {
		add(&day, h.words.must("chip.unscheduled"), n, with(func(to *chosen) { to.List = listUnscheduled }), false)
	}

	holds := 0
	byStage := map[string]int{}
	cautions := 0
	for _, p := range people {
		holds += len(p.holds)
		if p.who.Doubt != "" {
			cautions++
		}
		for _, t := range p.tracks {
			byStage[t.Stage]++
			if t.Caution != "" && t.Stage != string(track.Retired) {
				cautions++
			}
		}
	}
	add(&whole, h.words.must("chip.holds"), holds, with(func(to *chosen) { to.List, to.Attention = listAll, attentionHold }), true)
	add(&whole, h.words.must("chip.cautions"), cautions,
		with(func(to *chosen) { to.List, to.Attention = listAll, attentionCaution }), false)
	for _, s := range stages() {
		add(&whole, h.words.must("stage."+string(s)), byStage[string(s)],
			with(func(to *chosen) { to.List, to.Stage = listAll, string(s) }), false)
	}
	return day, whole
}

// stages in the order of the counters.
func stages() []track.Stage {
	return []track.Stage{track.Ready, track.Forming, track.Planned, track.Trial, track.Established, track.Resting, track.Retired}
}

// forming reports whether the sessions of a track in that stage are still counted.
func forming(s track.Stage) bool {
	return s == track.Planned || s == track.Forming || s == track.Ready
}

// ago says how long something is past, in whole minutes, hours or days.
func (h *handler) ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return h.words.must("ago.now")
	case d < 2*time.Hour:
		return h.words.must("ago.minutes", "Count", int(d.Minutes()))
	case d < 48*time.Hour:
		return h.words.must("ago.hours", "Count", int(d.Hours()))
	}
	return h.words.must("ago.days", "Count", int(d.Hours()/24))
}
