package web

import (
	"context"
	"net/http"
	"sort"
	"strings"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/fault"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/view"
)

const paramFacility = "facility"

// boardPage is the board.
type boardPage struct {
	Status       Status
	StatusFailed bool
	Behind       int // events that the view has still to follow
	Quarantined  int
	NamesFailed  bool
	Filter       string
	Choices      []choice // facilities to choose from
	Holds        int      // open ones
	Counters     []counter
	Units        []unitPart
	Overview     bool // too many patients: choose a facility
	Patients     int
	Search       search
	Caution      string
}

// choice is a facility to choose.
type choice struct{ ID, Name string }

// counter is how many tracks are in a stage.
type counter struct {
	Stage string
	Count int
}

// unitPart is a facility on the board.
type unitPart struct {
	ID, Name, Zone   string
	Heard, HeardAgo  string // when the last message arrived; empty if none has
	Newest, Day      string // the newest fact, the newest day started
	SharpOnly        bool
	Patients, Tracks int
	Holds            int
	Groups           []groupPart
}

// groupPart are patients of like urgency.
type groupPart struct {
	Title    string
	Patients []patientPart
}

// patientPart is a patient on the board.
type patientPart struct {
	Key, Name, Birth, Number string
	Holds                    []holdPart
	GivenUp                  []holdPart // holds on what is no longer used
	Tracks                   []rowPart
	Retired                  int // tracks that were given up
	rank                     int
}

// Rows is how many rows of the table the patient takes.
func (p patientPart) Rows() int { return max(1, len(p.Tracks)) }

type holdPart struct {
	Rule, Since, Text, Place string
	Away                     bool // the patient left the unit
	Count                    int  // of reports that are shown as this one
}

// rowPart is a track on the board.
type rowPart struct {
	Name, Role, Stage, Needle string
	Held                      bool
	Forming                   bool // its sessions are still counted
	Counted, Target           int
	Caution                   string // what is serious, see track.Next
}

// search is the form that asks for a card.
type search struct {
	Systems []string // systems of identifiers to choose from; empty asks for SYSTEM|VALUE
}

// board answers "/".
func (h *handler) board(w http.ResponseWriter, r *http.Request) error {
	p, err := answer.Query(r, paramFacility)
	if err != nil {
		return err
	}
	page, err := h.boardPage(r.Context(), p[paramFacility])
	if err != nil {
		return err
	}
	title := "Board"
	if page.Filter != "" {
		title += ": " + page.Filter
	}
	return h.render(w, r, "board", frame{Title: title, Page: "today", Facility: page.Filter}, page)
}

func (h *handler) boardPage(ctx context.Context, filter string) (boardPage, error) {
	page := boardPage{Filter: filter, Caution: card.Caution}
	if st, err := h.cfg.Status(ctx); err != nil {
		// The board is worth having when the log cannot be asked, and says so.
		h.cfg.Log.WarnContext(ctx, "the board could not ask how far the log is", "err", err)
		page.StatusFailed = true
	} else {
		page.Status, page.Behind = st, int(st.LogSequence-min(st.LogSequence, st.ViewSequence))
	}
	var err error
	if page.Quarantined, err = h.cfg.Store.Quarantined(ctx); err != nil {
		return page, err
	}
	facilities, err := h.cfg.Store.Facilities(ctx)
	if err != nil {
		return page, err
	}
	tracks, err := h.cfg.Store.Tracks(ctx)
	if err != nil {
		return page, err
	}
	holds, err := h.cfg.Store.Holds(ctx)
	if err != nil {
		return page, err
	}
	for _, f := range facilities {
		page.Choices = append(page.Choices, choice{f.ID, or(f.Name, f.ID)})
		if filter != "" && f.ID != filter {
			continue
		}
		u, err := h.unit(ctx, f)
		if err != nil {
			return page, err
		}
		page.Units = append(page.Units, u)
	}
	if filter != "" && len(page.Units) == 0 {
		return page, fault.New(fault.NotFound, "no facility of this code is registered", "choose one on the board, at /")
	}
	return page, h.fill(ctx, &page, tracks, holds)
}

// unit says how a facility is heard and by which protocol it needles.
func (h *handler) unit(ctx context.Context, f view.Facility) (unitPart, error) {
	now, z := h.cfg.Now(), h.cfg.Cards.Zone(f.ID)
	u := unitPart{ID: f.ID, Name: or(f.Name, f.ID), Zone: f.Zone, Day: f.Day}
	if f.LastLogged.Unix() > 0 {
		u.Heard, u.HeardAgo = f.LastLogged.In(z).Format(minutes), ago(now.Sub(f.LastLogged))
	}
	if f.LastOccurred.Unix() > 0 {
		u.Newest = f.LastOccurred.In(z).Format(minutes)
	}
	// Stored judgements are as of the later of the newest day and the newest fact.
	date := f.Day
	if f.LastOccurred.Unix() > 0 {
		date = max(date, zone.Date(f.LastOccurred, z))
	}
	p, err := h.cfg.Cards.Protocol(ctx, f.ID, or(date, zone.Date(now, z)))
	u.SharpOnly = p.SharpOnly
	return u, err
}

// stages in the order of the counters.
func stages() []track.Stage {
	return []track.Stage{track.Ready, track.Forming, track.Planned, track.Trial, track.Established, track.Resting, track.Retired}
}

// fill puts patients and counters onto the page.
func (h *handler) fill(ctx context.Context, page *boardPage, tracks []view.TrackRow, holds []view.HoldRow) error {
	units := map[string]*unitPart{}
	for i := range page.Units {
		units[page.Units[i].ID] = &page.Units[i]
	}
	type place struct{ facility, patient string }
	patients := map[place]*patientPart{}
	var order []place
	at := func(facility, patient string) *patientPart {
		k := place{facility, patient}
		if patients[k] == nil {
			patients[k] = &patientPart{Key: patient, rank: rankRest}
			order = append(order, k)
		}
		return patients[k]
	}
	byStage := map[string]int{}
	for _, t := range tracks {
		u := units[t.Facility]
		if u == nil {
			continue
		}
		byStage[t.Stage]++
		u.Tracks++
		p := at(t.Facility, t.Patient)
		if t.Stage == string(track.Retired) {
			p.Retired++
			continue
		}
		p.Tracks = append(p.Tracks, row(t))
		p.rank = min(p.rank, rank(t))
	}
	for _, x := range holds {
		u := units[x.Facility]
		if u == nil {
			continue
		}
		p := at(x.Facility, x.Patient)
		part := holdPart{x.Rule, or(x.Day, x.Since.In(h.cfg.Cards.Zone(x.Facility)).Format(minutes)), x.Text, x.Place, x.Away, x.Count}
		if !x.Stands() {
			p.GivenUp = append(p.GivenUp, part)
			continue
		}
		u.Holds++
		page.Holds++
		p.rank = rankHold
		p.Holds = append(p.Holds, part)
	}
	for _, s := range stages() {
		page.Counters = append(page.Counters, counter{string(s), byStage[string(s)]})
	}
	var keys []string
	for _, k := range order {
		units[k.facility].Patients++
		keys = append(keys, k.patient)
	}
	page.Patients = len(keys)
	if page.Filter == "" && len(page.Units) > 1 && len(keys) > h.cfg.ListLimit {
		page.Overview = true
		return nil
	}
	names, err := h.cfg.Cards.Names(ctx, keys)
	if err != nil {
		if ctx.Err() != nil {
			return err
		}
		h.cfg.Log.ErrorContext(ctx, "not every name on the board could be opened", "err", err)
		page.NamesFailed = true
	}
	page.Search.Systems = systems(names)
	listed := map[string][]patientPart{}
	for _, k := range order {
		p := patients[k]
		who := names[k.patient]
		p.Name, p.Birth = who.Name, who.BirthDate
		if len(who.Identifiers) > 0 {
			p.Number = who.Identifiers[0].Value
		}
		listed[k.facility] = append(listed[k.facility], *p)
	}
	for id, list := range listed {
		units[id].Groups = groups(list, units[id].SharpOnly)
	}
	return nil
}

// row is a track as the board shows it.
func row(t view.TrackRow) rowPart {
	s := track.Stage(t.Stage)
	return rowPart{
		Name: t.Track, Role: or(t.Role, "role not stated"), Stage: t.Stage, Held: t.Held, Counted: t.Counted, Target: t.Target,
		Forming: forming(s),
		Needle:  t.Needle,
		Caution: t.Caution,
	}
}

// forming tells whether the sessions of a track in that stage are still counted.
func forming(s track.Stage) bool {
	return s == track.Planned || s == track.Forming || s == track.Ready
}

// Ranks of urgency.
const (
	rankHold = iota
	rankCaution
	rankReady
	rankForming
	rankRest
)

func rank(t view.TrackRow) int {
	switch s := track.Stage(t.Stage); {
	case t.Held:
		return rankHold
	case t.Caution != "" && s != track.Retired:
		return rankCaution
	case s == track.Ready:
		return rankReady
	case s == track.Planned || s == track.Forming:
		return rankForming
	}
	return rankRest
}

// groups orders patients by urgency, then name.
func groups(list []patientPart, sharpOnly bool) []groupPart {
	titles := map[int]string{
		rankHold:    "On hold: no needle there until a person lifts the hold",
		rankCaution: "Look first: a caution stands",
		rankReady:   "Ready for the first blunt needle",
		rankForming: "Forming: sharp needles",
		rankRest:    "In use past forming, resting or given up",
	}
	if sharpOnly {
		titles[rankReady] = "Formed: this unit's protocol keeps tracks sharp"
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if a.rank != b.rank {
			return a.rank < b.rank
		}
		if x, y := a.Name == "", b.Name == ""; x != y {
			return y
		}
		if x, y := strings.ToLower(a.Name), strings.ToLower(b.Name); x != y {
			return x < y
		}
		return a.Key < b.Key
	})
	var out []groupPart
	last := -1
	for _, p := range list {
		if p.rank != last {
			out = append(out, groupPart{Title: titles[p.rank]})
			last = p.rank
		}
		g := &out[len(out)-1]
		g.Patients = append(g.Patients, p)
	}
	return out
}

// systems lists the systems of the patients' identifiers, the most frequent first.
func systems(names map[string]card.Patient) []string {
	count := map[string]int{}
	for _, p := range names {
		for _, id := range p.Identifiers {
			count[id.System]++
		}
	}
	var out []string
	for s := range count {
		out = append(out, s)
	}
	sort.Slice(out, func(i, j int) bool {
		if count[out[i]] != count[out[j]] {
			return count[out[i]] > count[out[j]]
		}
		return out[i] < out[j]
	})
	return out
}

// ago says how long something is past, in whole minutes, hours or days.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute") + " ago"
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour") + " ago"
	}
	return plural(int(d.Hours()/24), "day") + " ago"
}
