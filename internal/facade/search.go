package facade

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"cannulary/internal/view"
)

func (h *Handler) search(r *request, t *Type) (reply, error) {
	s, err := h.readSearch(r, t)
	if err != nil {
		return reply{}, err
	}
	s.finish()
	c, err := readCursor(s.cursor, searchCursor, identity(t.Name, s.used))
	if err != nil {
		return reply{}, err
	}
	s.query.After = c.after
	page, err := h.cfg.Store.Search(r.Context(), s.query)
	if err != nil {
		return reply{}, err
	}
	if s.silent {
		page.Total = -1
	}
	return answerPage(&page, c, pageOf{base: r.base, path: t.Name, used: s.used, cursor: s.cursor, notices: s.notices(),
		mode: func(*view.Row) string { return "match" }})
}

// pageOf is what a page of resources is answered with.
type pageOf struct {
	base, path, cursor string
	used               url.Values
	notices            []entry
	mode               func(*view.Row) string
}

func answerPage(page *view.Page, c cursor, p pageOf) (reply, error) {
	state, err := c.settle(page.Mark)
	if err != nil {
		return reply{}, err
	}
	b := bundle{kind: "searchset", watermark: state.Watermark, total: page.Total, self: link(p.base, p.path, p.used, p.cursor), entries: p.notices}
	for i := range page.Rows {
		row := &page.Rows[i]
		b.entries = append(b.entries, entry{fullURL: p.base + "/" + row.Type + "/" + row.ID, body: row.Body, mode: p.mode(row)})
	}
	if page.More {
		next := cursor{kind: c.kind, after: page.Next, first: state}
		b.next = link(p.base, p.path, p.used, next.encode(identity(p.path, p.used)))
	}
	return b.reply(), nil
}

// everything answers Patient/[id]/$everything.
func (h *Handler) everything(r *request, id string) (reply, error) {
	q := view.EverythingQuery{Patients: []string{id}, Count: min(DefaultCount, h.cfg.MaxCount)}
	used, given := url.Values{}, ""
	for _, name := range []string{paramCount, paramCursor, paramFormat, paramSince, paramType} {
		if !r.params.Has(name) {
			continue
		}
		if name == paramType {
			if err := h.onlyTypes(r.params[name], &q); err != nil {
				return reply{}, err
			}
			used[name] = r.params[name]
			continue
		}
		v, err := single(name, r.params[name])
		if err != nil {
			return reply{}, err
		}
		switch name {
		case paramCount:
			if q.Count, err = h.count(v); err != nil {
				return reply{}, err
			}
			q.Total = q.Count == 0
			v = strconv.Itoa(q.Count)
		case paramSince:
			if q.Since, err = h.sinceParam(v); err != nil {
				return reply{}, err
			}
		case paramCursor:
			given = v
			continue
		}
		used.Set(name, v)
	}
	if err := onlyKnown(r, "$everything", paramCount, paramCursor, paramFormat, paramSince, paramType); err != nil {
		return reply{}, err
	}
	path := "Patient/" + id + "/$everything"
	c, err := readCursor(given, everythingCursor, identity(path, used))
	if err != nil {
		return reply{}, err
	}
	if _, ok, err := h.cfg.Store.Get(r.Context(), "Patient", id); err != nil {
		return reply{}, err
	} else if !ok {
		return reply{}, unknownResource("Patient", id)
	}
	var notices []entry
	if to := h.cfg.Survivor(id); to != "" && to != id {
		q.Patients = append(q.Patients, to)
		notices = append(notices, outcomeEntry("information", "informational", mergedNotice(id, to)))
	}
	q.After = c.after
	page, err := h.cfg.Store.Everything(r.Context(), q)
	if err != nil {
		return reply{}, err
	}
	return answerPage(&page, c, pageOf{base: r.base, path: path, used: used, cursor: given, notices: notices,
		mode: func(row *view.Row) string {
			if row.Patient == "" {
				return "include"
			}
			return "match"
		}})
}

// onlyTypes reads the _type of $everything: one list, or several that add up.
func (h *Handler) onlyTypes(values []string, q *view.EverythingQuery) error {
	for _, name := range strings.Split(strings.Join(values, ","), ",") {
		if h.typeNamed(name) == nil {
			return invalid(paramType, "_type: there is no resource type %s here; there are %s", shown(orNothing(name)), h.typeNames())
		}
		if !slices.Contains(q.Types, name) {
			q.Types = append(q.Types, name)
		}
	}
	return nil
}
