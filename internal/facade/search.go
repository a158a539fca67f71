package facade

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

func (h *Handler) search(r *request, t *Type) (reply, error) {
	s, c, err := h.beginSearch(r, t, searchCursor)
	if err != nil {
		return reply{}, err
	}
	s.query.After = c.after
	s.name(r.Context())
	var page view.Page
	err = h.gate.run(r.Context(), s.wide(), func(ctx context.Context) (err error) {
		page, err = h.cfg.Store.Search(ctx, s.query)
		return err
	})
	if errors.Is(err, view.ErrTooMany) {
		return reply{}, s.tooMany(page.Rows)
	}
	if err != nil {
		return reply{}, err
	}
	if s.silent {
		page.Total = -1
	}
	return answerPage(&page, c, pageOf{base: r.base, path: t.Name, used: s.used, cursor: s.cursor, notices: s.notices(), part: s.part})
}

// beginSearch reads a search with its cursor, which is of the kind.
func (h *Handler) beginSearch(r *request, t *Type, kind byte) (*searching, cursor, error) {
	s, err := h.readSearch(r, t)
	if err != nil {
		return nil, cursor{}, err
	}
	s.finish()
	c, err := readCursor(s.cursor, kind, identity(t.Name, s.used))
	return s, c, err
}

// name notes for the trail the patients who were asked about: that nothing is known of one, or how much, is told
// too.
func (s *searching) name(ctx context.Context) {
	for _, f := range s.query.Filters {
		for _, c := range f {
			if p, ok := c.(view.InCompartment); ok {
				seen.Patients(ctx, p.Patient)
			}
		}
	}
}

// tooMany reports what to do where a page of rows would include too much.
func (s *searching) tooMany(rows []view.Row) *problem {
	p := &problem{Status: http.StatusBadRequest, Code: "too-costly", Expression: "http." + paramInclude,
		Text: fmt.Sprintf("the page would include more than %d resources; give a smaller _count or leave an include out", maxIncluded)}
	if len(s.query.RevIncludes) == 0 || len(rows) == 0 {
		return p
	}
	p.Expression = "http." + paramRevInclude
	// One resource of the page may have too many by itself: then no _count helps.
	var alone []string
	for _, x := range s.query.RevIncludes {
		alone = append(alone, fmt.Sprintf("%s?%s=%s/%s", x.Type, x.Param, rows[0].Type, rows[0].ID))
	}
	ask := strings.Join(slices.Compact(alone), " and ")
	if len(rows) == 1 {
		p.Text = fmt.Sprintf("%s/%s alone would include more than %d resources; ask for them alone, page by page: %s", rows[0].Type,
			rows[0].ID, maxIncluded, ask)
		return p
	}
	p.Text += "; what refers to one resource can be asked for alone, page by page: " + ask
	return p
}

// pageOf is what a page of resources is answered with.
type pageOf struct {
	base, path, cursor string
	used               url.Values
	notices            []entry
	part               part
	everything         bool // of a patient: what is not the patient's own is included
}

func answerPage(page *view.Page, c cursor, p pageOf) (reply, error) {
	state, err := c.settle(page.Mark)
	if err != nil {
		return reply{}, err
	}
	b := bundle{kind: "searchset", watermark: state.Watermark, total: page.Total, self: link(p.base, p.path, p.used, p.cursor)}
	add := func(row *view.Row, mode string) error {
		body, err := p.part.of(row.Type, row.Body)
		b.entries = append(b.entries, entry{fullURL: p.base + "/" + row.Type + "/" + row.ID, body: body, mode: mode,
			patients: patientsOf(row)})
		return err
	}
	for i := range page.Rows {
		mode := "match"
		if p.everything && page.Rows[i].Patient == "" {
			mode = "include"
		}
		if err := add(&page.Rows[i], mode); err != nil {
			return reply{}, err
		}
	}
	for i := range page.Included {
		if err := add(&page.Included[i], "include"); err != nil {
			return reply{}, err
		}
	}
	b.entries = append(b.entries, p.notices...)
	if page.More {
		next := cursor{kind: c.kind, after: page.Next, first: state}
		b.next = link(p.base, p.path, p.used, next.encode(identity(p.path, p.used)))
	}
	return b.reply(), nil
}

// everything answers Patient/[id]/$everything.
func (h *Handler) everything(r *request, id string) (reply, error) {
	names := []string{paramCount, paramCursor, paramEnd, paramFormat, paramPretty, paramSince, paramStart, paramType}
	if r.Method == http.MethodPost {
		if err := readParameters(r, "$everything", `{"name":"start","valueDate":"2026-01-01"}`, names); err != nil {
			return reply{}, err
		}
	}
	q := view.EverythingQuery{Patients: []string{id}, Count: min(defaultCount, h.cfg.MaxCount)}
	if types, ok := r.params[paramType]; ok {
		// It may be given several times, and adds up.
		if err := h.onlyTypes(types, &q); err != nil {
			return reply{}, err
		}
		r.params[paramType] = []string{strings.Join(types, ",")}
	}
	if err := h.mayRead(r.Context(), &q.Types); err != nil {
		return reply{}, err
	}
	seen.Patients(r.Context(), id)
	used, given, err := h.window(r, "$everything", names, func(name, v string) (string, error) {
		switch name {
		case paramCount:
			v, err := h.countInto(&q.Count, v)
			q.Total = q.Count == 0
			return v, err
		case paramSince:
			return sinceInto(&q.Since, v)
		case paramStart, paramEnd:
			d, ok := readSpan(v)
			if !ok || strings.Contains(v, "T") {
				return v, invalid(name, "%s: %s is not a date; write YYYY, YYYY-MM or YYYY-MM-DD", name, shown(v))
			}
			if name == paramStart {
				q.From = d.low
			} else {
				q.Until = d.high
			}
		}
		return v, nil
	})
	if err != nil {
		return reply{}, err
	}
	if !q.From.IsZero() && !q.Until.IsZero() && !q.From.Before(q.Until) {
		return reply{}, invalid(paramEnd, "end: %s lies before start", shown(r.params.Get(paramEnd)))
	}
	path := "Patient/" + id + "/$everything"
	c, err := readCursor(given, everythingCursor, identity(path, used))
	if err != nil {
		return reply{}, err
	}
	if _, ok, err := h.cfg.Store.Get(r.Context(), "Patient", id); err != nil {
		return reply{}, err
	} else if !ok {
		return reply{}, unknownResource("Patient")
	}
	var notices []entry
	if to := h.cfg.Survivor(id); to != "" && to != id {
		q.Patients = append(q.Patients, to)
		notices = append(notices, outcomeEntry("information", "informational", mergedNotice(id, to)))
	}
	q.After = c.after
	var page view.Page
	err = h.gate.run(r.Context(), false, func(ctx context.Context) (err error) {
		page, err = h.cfg.Store.Everything(ctx, q)
		return err
	})
	if err != nil {
		return reply{}, err
	}
	return answerPage(&page, c, pageOf{base: r.base, path: path, used: used, cursor: given, notices: notices, everything: true})
}

// mayRead refuses types that the principal may not read. No types stand for all, and become those that
// it may.
func (h *Handler) mayRead(ctx context.Context, types *[]string) error {
	may := h.readable(access.From(ctx))
	if len(may) == 0 {
		return access.Refused()
	}
	if len(*types) == 0 && len(may) < len(h.stored()) {
		*types = may
	}
	for _, name := range *types {
		if t := h.typeNamed(name); !t.Published && !slices.Contains(may, name) {
			return access.Refused()
		}
	}
	return nil
}

// onlyTypes reads the _type of $everything: one list, or several that add up.
func (h *Handler) onlyTypes(values []string, q *view.EverythingQuery) error {
	for _, name := range strings.Split(strings.Join(values, ","), ",") {
		if h.typeNamed(name) == nil {
			return invalid(paramType, "_type: there is no resource type %s here; use one of %s", shown(orNothing(name)), h.typeNames())
		}
		if !slices.Contains(q.Types, name) {
			q.Types = append(q.Types, name)
		}
	}
	return nil
}
