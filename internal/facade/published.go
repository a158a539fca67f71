package facade

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// readPublished answers one of the service's own definitions.
func (h *Handler) readPublished(r *request, t *Type, id string) (reply, error) {
	p, err := readPart(r)
	if err != nil {
		return reply{}, err
	}
	for i := range h.cfg.Definitions {
		d := &h.cfg.Definitions[i]
		if d.Type != t.Name || d.ID != id {
			continue
		}
		body, err := p.of(t.Name, d.Body)
		if err != nil {
			return reply{}, err
		}
		sum := sha256.Sum256(body)
		tag := `W/"` + hex.EncodeToString(sum[:8]) + `"`
		out := reply{status: http.StatusOK, body: body, header: map[string]string{"ETag": tag, "Cache-Control": "no-cache"}}
		if noneMatch(r.Header.Values("If-None-Match"), tag) {
			out.status, out.body = http.StatusNotModified, nil
		}
		return out, nil
	}
	return reply{}, unknownResource(t.Name)
}

// searchPublished searches the definitions of a type. They are few and never change while
// the service runs: they are looked through one by one.
func (h *Handler) searchPublished(r *request, t *Type) (reply, error) {
	s, c, err := h.beginSearch(r, t, publishedCursor)
	if err != nil {
		return reply{}, err
	}
	var page view.Page
	for i := range h.cfg.Definitions {
		d := &h.cfg.Definitions[i]
		if d.Type != t.Name || !matchesAll(d, s.query.Filters) {
			continue
		}
		page.Total++
		place := int64(page.Total)
		if place <= c.after.RID || s.query.Count == 0 {
			continue
		}
		if len(page.Rows) == s.query.Count {
			page.More = true
			continue
		}
		page.Rows = append(page.Rows, view.Row{Type: d.Type, ID: d.ID, Body: d.Body})
		page.Next = view.Cursor{RID: place, Updated: h.since}
	}
	if s.silent {
		page.Total = -1
	}
	page.Watermark = h.since
	return answerPage(&page, c, pageOf{base: r.base, path: t.Name, used: s.used, cursor: s.cursor, notices: s.notices(), part: s.part})
}

func matchesAll(d *fhir.Resource, filters []view.Filter) bool {
	for _, f := range filters {
		if !slices.ContainsFunc(f, func(c view.Condition) bool { return matches(d, c) }) {
			return false
		}
	}
	return true
}

// matches answers a condition from the definition's own search values.
func matches(d *fhir.Resource, c view.Condition) bool {
	switch c := c.(type) {
	case view.IDIs:
		return d.ID == c.ID
	case view.TokenIs:
		return slices.ContainsFunc(d.Index.Tokens, func(v fhir.Token) bool {
			return v.Param == c.Param && (c.Code == "" || v.Code == c.Code) && (!c.HasSystem || v.System == c.System)
		})
	case view.StringIs:
		return slices.ContainsFunc(d.Index.Strings, func(v fhir.Text) bool { return v.Param == c.Param && c.Matches(v.Value) })
	case view.Missing:
		some := slices.ContainsFunc(d.Index.Tokens, func(v fhir.Token) bool { return v.Param == c.Param }) ||
			slices.ContainsFunc(d.Index.Strings, func(v fhir.Text) bool { return v.Param == c.Param })
		return some == c.Some
	case view.Not:
		return !slices.ContainsFunc(c.Of, func(c view.Condition) bool { return matches(d, c) })
	}
	return false
}
