package infectioncontrol

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// Histories returns the versions of stored resources; view.Store implements it.
type Histories interface {
	History(ctx context.Context, q view.HistoryQuery) (view.HistoryPage, bool, error)
}

// measureOf returns the published measure of a class.
func measureOf(c surveil.Class) string {
	switch c {
	case surveil.AccessRelated:
		return fhir.MeasureAccessRelated
	case surveil.Bloodstream:
		return fhir.MeasureBloodstream
	}
	return fhir.MeasureLocalAccess
}

// restatements compares each of the year's reports as it was first with what it is now.
func restatements(ctx context.Context, h Histories, facility string, m surveil.Month) (Restatements, error) {
	out := Restatements{List: []Restatement{}}
	made := 0
	var withdrawn []string
	for month := surveil.Year(m).From; month <= m; month++ {
		for i, class := range surveil.Infections() {
			first, now, err := ends(ctx, h, fhir.MeasureReportID(facility, measureOf(class), month.String()))
			if err != nil {
				return out, fmt.Errorf("report of %s, %s: %w", class, month, err)
			}
			if now == nil {
				continue
			}
			made++
			if now.withdrawn() {
				if !first.withdrawn() && !slices.Contains(withdrawn, month.String()) {
					withdrawn = append(withdrawn, month.String())
				}
				continue
			}
			for _, x := range changed(month, class, first, now) {
				// Denominators are the same for every class, so they are listed once.
				if x.Figure != figureEvents {
					x.Class = ""
				}
				if i == 0 || x.Figure == figureEvents {
					out.List = append(out.List, x)
				}
			}
		}
	}
	switch {
	case made == 0:
		out.Says = "No month of the year has been reported yet."
	case len(out.List)+len(withdrawn) == 0:
		out.Says = "No figure of the year's months has changed since it was first reported."
	case len(out.List) > 0:
		out.Says = "These figures are no longer what was first reported: facts came late or were corrected."
	}
	if len(withdrawn) > 0 {
		out.Says = strings.TrimSpace(out.Says + " Withdrawn, as nothing of the month is on record any more: " +
			strings.Join(withdrawn, ", ") + ".")
	}
	return out, nil
}

// reported is what is read of a stored report.
type reported struct {
	Status string `json:"status"`
	Date   string `json:"date"`
	Group  []struct {
		Code       coded        `json:"code"`
		Population []population `json:"population"`
		Stratifier []struct {
			Stratum []struct {
				Value      coded        `json:"value"`
				Population []population `json:"population"`
			} `json:"stratum"`
		} `json:"stratifier"`
	} `json:"group"`
}

// withdrawn reports that nothing that the report rested on is on record any more.
func (r *reported) withdrawn() bool { return r.Status == "error" }

type coded struct {
	Coding []struct {
		Code string `json:"code"`
	} `json:"coding"`
}

func (c coded) is(code string) bool {
	for _, x := range c.Coding {
		if x.Code == code {
			return true
		}
	}
	return false
}

type population struct {
	Code  coded `json:"code"`
	Count *int  `json:"count"`
}

// mostVersions limits how many versions are read of one report. A month with more is compared
// with the oldest of the newest ones.
const mostVersions = 2000

// ends returns a report's first and newest version, nil if it was never made. Changes on the day
// of the first report are no restatement (ours): nobody has relied on it yet, and a record that
// is loaded in one go would restate all its months.
func ends(ctx context.Context, h Histories, id string) (first, now *reported, err error) {
	page, ok, err := h.History(ctx, view.HistoryQuery{Type: "MeasureReport", ID: id, Count: mostVersions})
	if err != nil || !ok {
		return nil, nil, err
	}
	for _, row := range slices.Backward(page.Rows) {
		now = &reported{}
		if err := json.Unmarshal(row.Body, now); err != nil {
			return nil, nil, fmt.Errorf("a stored version is not a report: %w", err)
		}
		if first == nil || now.Date == first.Date {
			first = now
		}
	}
	return first, now, nil
}

// Figures of a restatement.
const (
	figureEvents        = "events"
	figurePatientMonths = "patient-months"
	figureAccessDays    = "access-days"
)

type place struct {
	group  surveil.Group
	figure string
}

// figures returns the counts of a report; none for one that is withdrawn.
func (r *reported) figures() map[place]int {
	out := map[place]int{}
	if r.withdrawn() {
		return out
	}
	for _, g := range r.Group {
		denominator := figurePatientMonths
		if g.Code.is("rate-by-access-days") {
			denominator = figureAccessDays
		}
		put := func(of surveil.Group, list []population) {
			for _, p := range list {
				switch {
				case p.Count == nil:
				case p.Code.is("numerator"):
					out[place{of, figureEvents}] = *p.Count
				case p.Code.is("denominator"):
					out[place{of, denominator}] = *p.Count
				}
			}
		}
		put(surveil.AllAccess, g.Population)
		for _, s := range g.Stratifier {
			for _, x := range s.Stratum {
				for _, t := range surveil.Techniques() {
					if x.Value.is("technique-" + string(t)) {
						put(surveil.Group(t), x.Population)
					}
				}
			}
		}
	}
	return out
}

// changed returns what differs between two versions. A technique that is missing in a report had
// 0 events, 0 days and no census.
func changed(m surveil.Month, c surveil.Class, first, now *reported) []Restatement {
	was, is := first.figures(), now.figures()
	places := maps.Clone(was)
	maps.Copy(places, is)
	var out []Restatement
	for p := range places {
		a, b := at(was, p), at(is, p)
		if a == nil && b == nil || a != nil && b != nil && *a == *b {
			continue
		}
		out = append(out, Restatement{Month: m.String(), Class: c, Group: p.group, Figure: p.figure, First: a, FirstOn: first.Date, Now: b,
			NowOn: now.Date})
	}
	slices.SortFunc(out, func(a, b Restatement) int {
		return cmp.Or(cmp.Compare(slices.Index(surveil.Groups(), a.Group), slices.Index(surveil.Groups(), b.Group)),
			cmp.Compare(order(a.Figure), order(b.Figure)))
	})
	return out
}

func order(figure string) int {
	return slices.Index([]string{figureEvents, figurePatientMonths, figureAccessDays}, figure)
}

func at(figures map[place]int, p place) *int {
	n, ok := figures[p]
	if !ok && p.figure == figurePatientMonths {
		return nil
	}
	return &n
}
