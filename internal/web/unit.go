package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/life"
	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
	"cannulary/internal/track"
	"cannulary/internal/trail/seen"
	"cannulary/internal/unit"
)

// unitAnswer is a unit's figures as JSON gives them.
type unitAnswer struct {
	Facility string `json:"facility"`
	Name     string `json:"name"`
	AsOf     string `json:"asOf"`
	From     string `json:"from"` // months of the window
	Until    string `json:"until"`
	unit.Figures
	// Years compares the twelve months that end with Until with the twelve before.
	Years   []unit.Years `json:"thisYearAgainstLast"`
	Open    openPart     `json:"open"`
	Caution string       `json:"caution"`
}

// openPart is what waits for somebody.
type openPart struct {
	Holds    []openHold `json:"holds"`
	Reviews  []openRow  `json:"reviews"`
	Cautions []openRow  `json:"cautions"`
}

type openHold struct {
	openRow
	Since string `json:"since"`
}

// openRow leads to one patient. Name and Address stand on the page alone.
type openRow struct {
	Patient string   `json:"patient"`
	Track   string   `json:"track,omitempty"`
	Texts   []string `json:"texts,omitempty"`
	Name    string   `json:"-"`
	Address string   `json:"-"`
}

// unitPage is the unit as its page shows it.
type unitPage struct {
	unitAnswer
	Fresh       freshness
	Stages      []stageCount
	Rows        []yearsRow
	From, Until string
	Windows     []windowLink
	Earlier     string
	Later       string
	Report      string
	Cannulators string
	NoDays      int // days of the year before that are not on record
}

type stageCount struct {
	Name, Address string
	Tracks        int
}

// yearsRow is a comparison in words.
type yearsRow struct {
	What, Group       string
	Now, Before       string
	Rate, RateBefore  string
	Ratio, Limits     string
	Verdict, VerdictN string
}

// readUnit reads the question for a page of a unit.
func readUnit(r *http.Request, names ...string) (p map[string]string, as form, err error) {
	as = formOf(r, formHTML)
	if p, err = answer.Query(r, append(names, paramFacility, paramFormat)...); err != nil {
		return p, as, err
	}
	as, err = readForm(p, as)
	return p, as, err
}

// unitFigures answers "/unit".
func (h *handler) unitFigures(w http.ResponseWriter, r *http.Request) error {
	p, as, err := readUnit(r, paramMonths, paramUntil)
	if err != nil {
		return err
	}
	if p[paramMonths] == "" {
		p[paramMonths] = "12"
	}
	window, err := readWindow(p)
	if err != nil {
		return err
	}
	// First, so that the figures are no older than the page says.
	fresh, err := h.fresh(r.Context())
	if err != nil {
		return err
	}
	d, err := h.judged.Of(r.Context(), p[paramFacility])
	if err != nil {
		return err
	}
	period, err := periodOf(window, d.Today)
	if err != nil {
		return err
	}
	a := unitAnswer{Facility: d.Facility.ID, Name: cmp.Or(d.Facility.Name, d.Facility.ID), AsOf: d.Today.String(),
		From: period.From.String(), Until: period.To.String(), Figures: unit.Of(d.Tracks, period, d.Today), Caution: card.Caution}
	if a.Years, err = h.years(r.Context(), &d, period.To); err != nil {
		return err
	}
	if a.Open, err = h.open(r.Context(), &d); err != nil {
		return err
	}
	for _, x := range a.Open.Holds {
		seen.Patients(r.Context(), x.Patient)
	}
	for _, x := range slices.Concat(a.Open.Reviews, a.Open.Cautions) {
		seen.Patients(r.Context(), x.Patient)
	}
	if as == formJSON {
		return answer.Value(w, r, http.StatusOK, a)
	}
	page, err := h.unitPage(r.Context(), a, fresh, window.Months, surveil.Day(d.Today).Month())
	if err != nil {
		return err
	}
	return h.render(w, r, "unit", frame{Title: h.words.must("unit.title", "Unit", a.Name), Page: "unit", Facility: a.Facility}, page)
}

// periodOf is the months of a window; without one asked for, those that end with the last month
// that is over.
func periodOf(w life.Window, today zone.Day) (surveil.Period, error) {
	now := surveil.Day(today).Month()
	to := now - 1
	if w.Until != "" {
		m, err := surveil.ParseMonth(w.Until)
		if err != nil {
			return surveil.Period{}, fault.New(fault.Invalid, fmt.Sprintf("until %.20q is not a month", w.Until), "write YYYY-MM")
		}
		if to = m; to > now {
			return surveil.Period{}, fault.New(fault.Invalid, fmt.Sprintf("the month %s has not come yet", m),
				fmt.Sprintf("choose %s or an earlier one", now))
		}
	}
	return surveil.Period{From: to - surveil.Month(w.Months) + 1, To: to}, nil
}

// years compares the year that ends with a month with the year before.
func (h *handler) years(ctx context.Context, d *chairside.Dossier, m surveil.Month) ([]unit.Years, error) {
	watches, err := h.cfg.Watch(ctx)
	if err != nil {
		return nil, err
	}
	var out []unit.Years
	for _, w := range watches {
		if w.Facility == d.Facility.ID {
			if out, err = unit.Infections(&w.Unit, m); err != nil {
				return nil, err
			}
		}
	}
	needling, err := unit.Needling(d.Tracks, m)
	return append(out, needling...), err
}

// open lists what waits for somebody: open holds, reviews, and cautions on tracks in use.
func (h *handler) open(ctx context.Context, d *chairside.Dossier) (openPart, error) {
	o := openPart{Holds: []openHold{}, Reviews: []openRow{}, Cautions: []openRow{}}
	holds, err := h.cfg.Store.Holds(ctx)
	if err != nil {
		return o, err
	}
	for _, x := range holds {
		if x.Facility == d.Facility.ID && x.Stands() {
			o.Holds = append(o.Holds, openHold{openRow{Patient: x.Patient, Texts: []string{x.Place, x.Text}},
				cmp.Or(x.Day, zone.Date(x.Since, d.Zone))})
		}
	}
	for i := range d.Tracks {
		t := &d.Tracks[i]
		if t.Away || t.Stage == track.Retired {
			continue
		}
		if t.UnderReview {
			o.Reviews = append(o.Reviews, openRow{Patient: t.Patient, Track: t.Name})
		}
		if len(t.Cautions) > 0 {
			o.Cautions = append(o.Cautions, openRow{Patient: t.Patient, Track: t.Name, Texts: t.Cautions})
		}
	}
	return o, nil
}

// name gives the patients of rows their names.
func (h *handler) name(ctx context.Context, rows []*openRow) (failed bool, err error) {
	var keys []string
	for _, r := range rows {
		keys = append(keys, r.Patient)
	}
	names, err := h.cfg.Cards.Names(ctx, keys)
	for _, r := range rows {
		r.Name = cmp.Or(names[r.Patient].Name, h.words.must("unit.no-name"))
		r.Address = cardOf(r.Patient)
	}
	return h.unnamed(ctx, err)
}

func (h *handler) unitPage(ctx context.Context, a unitAnswer, fresh freshness, months int, now surveil.Month) (unitPage, error) {
	t := h.words
	here := url.Values{paramFacility: {a.Facility}}
	p := unitPage{unitAnswer: a, Fresh: fresh, From: h.monthName(a.From), Until: h.monthName(a.Until),
		Report:      "surveillance/report?format=html&" + here.Encode(),
		Cannulators: "cannulators?" + here.Encode()}
	for _, s := range a.Figures.Stages {
		to := chosen{Facility: a.Facility, List: listAll, Stage: string(s.Stage)}.link()
		p.Stages = append(p.Stages, stageCount{t.must("life.stage." + string(s.Stage)), to, s.Tracks})
	}
	until, _ := surveil.ParseMonth(a.Until)
	to := func(n int, m surveil.Month) string {
		return "unit?" + url.Values{paramFacility: {a.Facility}, paramMonths: {strconv.Itoa(n)}, paramUntil: {m.String()}}.Encode()
	}
	p.Windows = h.windows(months, func(n int) string { return to(n, until) })
	p.Earlier = to(months, until-surveil.Month(months))
	if until < now-1 {
		p.Later = to(months, min(now-1, until+surveil.Month(months)))
	}
	for i := range a.Years {
		y := &a.Years[i]
		p.Rows = append(p.Rows, h.yearsRow(y))
		p.NoDays = max(p.NoDays, y.DaysBefore-y.OnRecord)
	}
	var rows []*openRow
	for i := range p.Open.Holds {
		rows = append(rows, &p.Open.Holds[i].openRow)
	}
	for _, list := range [][]openRow{p.Open.Reviews, p.Open.Cautions} {
		for i := range list {
			rows = append(rows, &list[i])
		}
	}
	var err error
	p.Fresh.NamesFailed, err = h.name(ctx, rows)
	return p, err
}

// Percent writes a share as so many of a hundred, with one decimal at most.
func (unitPage) Percent(v float64) string { return figure(100 * v) }

// yearsRow words a comparison.
func (h *handler) yearsRow(y *unit.Years) yearsRow {
	t := h.words
	r := yearsRow{What: t.must("unit.what." + y.What), Group: t.must("unit.group." + cmp.Or(string(y.Group), "none")),
		Verdict: t.must("unit.verdict." + verdictKey(y.Verdict)), VerdictN: verdictKey(y.Verdict), Ratio: "–", Limits: "–"}
	sessions := y.Group == ""
	r.Now, r.Rate = h.inExposure(sessions, y.Events, y.Exposure), h.perExposure(sessions, y.Rate)
	r.Before, r.RateBefore = h.inExposure(sessions, y.Before, y.ExposureBefore), h.perExposure(sessions, y.RateBefore)
	if y.Ratio != nil {
		r.Ratio = two(*y.Ratio)
	}
	switch {
	case y.Lower != nil && y.Upper != nil:
		r.Limits = t.must("unit.limits", "Lower", two(*y.Lower), "Upper", two(*y.Upper))
	case y.Lower != nil:
		r.Limits = t.must("unit.limits-open", "Lower", two(*y.Lower))
	}
	return r
}

func (h *handler) inExposure(sessions bool, events, of int) string {
	if sessions {
		return h.words.must("unit.in-sessions", "Events", events, "Of", of)
	}
	return h.words.must("unit.in-days", "Events", events, "Of", of)
}

func (h *handler) perExposure(sessions bool, r *unit.Rate) string {
	if r == nil {
		return ""
	}
	if sessions {
		return h.words.must("unit.per-sessions", "Rate", two(r.Value), "Lower", two(r.Lower), "Upper", two(r.Upper))
	}
	return h.words.must("unit.per-days", "Rate", two(r.Value), "Lower", two(r.Lower), "Upper", two(r.Upper))
}

// two writes a number with two decimals.
func two(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func verdictKey(v unit.Verdict) string {
	switch v {
	case unit.CouldBeChance:
		return "could-be"
	case unit.HardlyChance:
		return "hardly"
	case unit.TooFew:
		return "too-few"
	}
	return "none"
}

// cannulatorsPage is who needles in a unit.
type cannulatorsPage struct {
	Facility string            `json:"facility"`
	AsOf     string            `json:"asOf"`
	Months   int               `json:"ratingsLapseAfterMonths"`
	People   []unit.Cannulator `json:"cannulators"`
	Caution  string            `json:"caution"`
	Rows     []cannulatorRow   `json:"-"`
	Unit     string            `json:"-"` // address of the unit's page
	Fresh    freshness         `json:"-"`
}

// cannulatorRow is one member of staff as the page shows it.
type cannulatorRow struct {
	Name, Rating    string
	Lapsed, Unrated bool
	Earlier         []string
	Created, Deputy []patientTracks
}

// patientTracks are tracks of one patient.
type patientTracks struct {
	key, Who string
	Tracks   []trackLink
}

// trackLink leads to a track's life.
type trackLink struct{ Text, Address string }

// cannulators answers "/cannulators".
func (h *handler) cannulators(w http.ResponseWriter, r *http.Request) error {
	p, as, err := readUnit(r)
	if err != nil {
		return err
	}
	fresh, err := h.fresh(r.Context())
	if err != nil {
		return err
	}
	d, err := h.judged.Of(r.Context(), p[paramFacility])
	if err != nil {
		return err
	}
	page := cannulatorsPage{Fresh: fresh, Facility: d.Facility.ID, AsOf: d.Today.String(), Months: d.Protocol.RatingMonths,
		Caution: card.Caution,
		People:  unit.Cannulators(d.Ratings, d.Tracks, d.Facility.ID, d.Protocol.RatingMonths, d.Today, h.cfg.Cards.Zone)}
	for i := range page.People {
		for _, x := range slices.Concat(page.People[i].Created, page.People[i].Deputy) {
			seen.Patients(r.Context(), x.Patient)
		}
	}
	if as == formJSON {
		return answer.Value(w, r, http.StatusOK, page)
	}
	page.Unit = "unit?" + url.Values{paramFacility: {page.Facility}}.Encode()
	if page.Rows, page.Fresh.NamesFailed, err = h.cannulatorRows(r.Context(), &d, page.People); err != nil {
		return err
	}
	title := h.words.must("cannulators.title", "Unit", cmp.Or(d.Facility.Name, d.Facility.ID))
	return h.render(w, r, "cannulators", frame{Title: title, Page: "unit", Facility: page.Facility}, page)
}

func (h *handler) cannulatorRows(ctx context.Context, d *chairside.Dossier, people []unit.Cannulator) (
	_ []cannulatorRow, failed bool, _ error,
) {
	var keys []string
	for i := range d.Tracks {
		keys = append(keys, d.Tracks[i].Patient)
	}
	names, err := h.cfg.Cards.Names(ctx, keys)
	if failed, err = h.unnamed(ctx, err); err != nil {
		return nil, false, err
	}
	t, now := h.words, d.Today.Time()
	links := func(list []unit.Ref) []patientTracks {
		var out []patientTracks
		for _, x := range list {
			if n := len(out); n == 0 || out[n-1].key != x.Patient {
				out = append(out, patientTracks{key: x.Patient, Who: cmp.Or(names[x.Patient].Name, t.must("unit.no-name"))})
			}
			p := &out[len(out)-1]
			p.Tracks = append(p.Tracks, trackLink{t.must("cannulators.track", "Track", x.Track, "Stage", t.must("life.stage."+x.Stage)),
				"track?" + url.Values{paramPatient: {x.Patient}, paramTrack: {x.Track}}.Encode()})
		}
		return out
	}
	rated := func(x *unit.Rating) string {
		on := t.day(x.On.Time(), now)
		switch {
		case x.Lapsed:
			return t.must("cannulators.lapsed", "Level", x.Level, "On", on, "Until", h.date(x.Until, now))
		case x.Until != "":
			return t.must("cannulators.until", "Level", x.Level, "On", on, "Until", h.date(x.Until, now))
		}
		return t.must("cannulators.rated", "Level", x.Level, "On", on)
	}
	var out []cannulatorRow
	for i := range people {
		c := &people[i]
		row := cannulatorRow{Name: c.Name, Created: links(c.Created), Deputy: links(c.Deputy)}
		if c.Rating == nil {
			row.Rating, row.Unrated = t.must("cannulators.unrated"), true
		} else {
			row.Rating, row.Lapsed = rated(c.Rating), c.Rating.Lapsed
		}
		for k := range c.Before {
			r := &c.Before[k]
			row.Earlier = append(row.Earlier, t.must("cannulators.rated", "Level", r.Level, "On", t.day(r.On.Time(), now)))
		}
		out = append(out, row)
	}
	return out, failed, nil
}
