package facade

import (
	"bytes"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

func etag(version int) string { return `W/"` + strconv.Itoa(version) + `"` }

func (h *Handler) read(r *request, t *Type, id string) (reply, error) {
	p, err := readPart(r)
	if err != nil {
		return reply{}, err
	}
	row, ok, err := h.cfg.Store.Get(r.Context(), t.Name, id)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, unknownResource(t.Name)
	}
	out, err := partReply(&row, p)
	if err == nil && p.whole() && notModified(r.Header, &row) {
		out.status, out.body = http.StatusNotModified, nil
	}
	return out, err
}

// partReply answers a version, or a part of it.
func partReply(row *view.Row, p part) (reply, error) {
	out := resourceReply(row)
	if p.whole() {
		return out, nil
	}
	// The tag is that of the whole version: a client must not take a part for it.
	delete(out.header, "ETag")
	out.header["Cache-Control"] = "no-store"
	var err error
	out.body, err = p.of(row.Type, row.Body)
	return out, err
}

// unknownResource does not repeat the id: a client may have sent a patient's number for it.
func unknownResource(typ string) *problem {
	return notFound("not-found", "there is no %s of this id here", typ)
}

// patientsOf lists the patients of whom a resource tells something: the one in whose compartment it is, and those whom
// it refers to.
func patientsOf(row *view.Row) (out []string) {
	if row.Patient != "" {
		out = append(out, row.Patient)
	}
	if row.Type == compartmentType {
		out = append(out, row.ID)
	}
	const reference, digits = `"Patient/`, 2 * seen.KeySize
	for body := row.Body; ; {
		i := bytes.Index(body, []byte(reference))
		if i < 0 || len(body) < i+len(reference)+digits {
			return out
		}
		body = body[i+len(reference):]
		out = append(out, string(body[:digits]))
	}
}

func resourceReply(row *view.Row) reply {
	return reply{status: http.StatusOK, body: row.Body, patients: patientsOf(row), header: map[string]string{
		"ETag":          etag(row.Version),
		"Last-Modified": row.Updated.UTC().Format(http.TimeFormat),
		// Kept only by the client itself and asked for again each time: the newest
		// version must never be hidden by an older copy.
		"Cache-Control": "private, no-cache",
	}}
}

// notModified decides whether the client's copy is the newest version.
func notModified(header http.Header, row *view.Row) bool {
	if tags := header.Values("If-None-Match"); len(tags) > 0 {
		return noneMatch(tags, etag(row.Version))
	}
	since, err := http.ParseTime(header.Get("If-Modified-Since"))
	if err != nil {
		return false
	}
	second := row.Updated.Truncate(time.Second)
	if since.Equal(second) && !row.Previous.IsZero() && row.Previous.Truncate(time.Second).Equal(second) {
		// Two versions bear that second, and the client may have the older one.
		return false
	}
	return !second.After(since)
}

// noneMatch reports whether a tag is among those of If-None-Match, by the weak comparison of
// RFC 9110, 8.8.3.2.
func noneMatch(given []string, own string) bool {
	own = strings.TrimPrefix(own, "W/")
	for _, tag := range strings.Split(strings.Join(given, ","), ",") {
		if tag = strings.TrimSpace(tag); tag == "*" || strings.TrimPrefix(tag, "W/") == own {
			return true
		}
	}
	return false
}

func (h *Handler) vread(r *request, t *Type, id, version string) (reply, error) {
	p, err := readPart(r)
	if err != nil {
		return reply{}, err
	}
	newest, ok, err := h.cfg.Store.Get(r.Context(), t.Name, id)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, unknownResource(t.Name)
	}
	n, err := strconv.Atoi(version)
	if err != nil || n < 1 || strconv.Itoa(n) != version {
		return reply{}, noVersion(&newest, version)
	}
	row, ok, err := h.cfg.Store.Version(r.Context(), t.Name, id, n)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, noVersion(&newest, version)
	}
	return partReply(&row, p)
}

func noVersion(newest *view.Row, version string) *problem {
	return notFound("not-found", "%s/%s has no version %s; the newest is %d", newest.Type, newest.ID, shown(version), newest.Version)
}

func (h *Handler) history(r *request, t *Type, id string) (reply, error) {
	q := view.HistoryQuery{Type: t.Name, ID: id, Count: min(defaultCount, h.cfg.MaxCount)}
	used, given, err := h.window(r, "the history", []string{paramAt, paramCount, paramCursor, paramFormat, paramPretty, paramSince},
		func(name, v string) (string, error) {
			switch name {
			case paramCount:
				return h.countInto(&q.Count, v)
			case paramSince:
				return sinceInto(&q.Since, v)
			case paramAt:
				d, ok := readSpan(v)
				if q.From, q.Until = d.low, d.high; !ok {
					return v, invalid(paramAt,
						"_at: %s is not a date or time; write YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset",
						shown(v))
				}
			}
			return v, nil
		})
	if err != nil {
		return reply{}, err
	}
	path := t.Name + "/" + id + "/_history"
	c, err := readCursor(given, historyCursor, identity(path, used))
	if err != nil {
		return reply{}, err
	}
	q.Before = int(c.after.RID)
	page, ok, err := h.cfg.Store.History(r.Context(), q)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, unknownResource(t.Name)
	}
	state, err := c.settle(page.Mark)
	if err != nil {
		return reply{}, err
	}
	b := bundle{kind: "history", watermark: state.Watermark, total: page.Total, self: link(r.base, path, used, given)}
	for i := range page.Rows {
		b.entries = append(b.entries, versionEntry(r.base, &page.Rows[i]))
	}
	if page.More {
		next := cursor{kind: historyCursor, after: view.Cursor{RID: int64(page.Rows[len(page.Rows)-1].Version)}, first: state}
		b.next = link(r.base, path, used, next.encode(identity(path, used)))
	}
	return b.reply(), nil
}

// changes answers the history of all resources of the types, newest first.
func (h *Handler) changes(r *request, path string, types []string) (reply, error) {
	q := view.ChangesQuery{Types: types, Count: min(defaultCount, h.cfg.MaxCount)}
	used, given, err := h.window(r, "this history", []string{paramCount, paramCursor, paramFormat, paramPretty, paramSince},
		func(name, v string) (string, error) {
			switch name {
			case paramCount:
				return h.countInto(&q.Count, v)
			case paramSince:
				return sinceInto(&q.Since, v)
			}
			return v, nil
		})
	if err != nil {
		return reply{}, err
	}
	c, err := readCursor(given, changesCursor, identity(path, used))
	if err != nil {
		return reply{}, err
	}
	q.Before = c.after
	page, err := h.cfg.Store.Changes(r.Context(), q)
	if err != nil {
		return reply{}, err
	}
	state, err := c.settle(page.Mark)
	if err != nil {
		return reply{}, err
	}
	b := bundle{kind: "history", watermark: state.Watermark, total: -1, self: link(r.base, path, used, given)}
	for i := range page.Rows {
		b.entries = append(b.entries, versionEntry(r.base, &page.Rows[i]))
	}
	if page.More {
		next := cursor{kind: changesCursor, after: page.Next, first: state}
		b.next = link(r.base, path, used, next.encode(identity(path, used)))
	}
	return b.reply(), nil
}

func versionEntry(base string, row *view.Row) entry {
	return entry{fullURL: base + "/" + row.Type + "/" + row.ID, body: row.Body, patients: patientsOf(row),
		history: &historyEntry{url: row.Type + "/" + row.ID, version: row.Version, updated: row.Updated}}
}

// window reads the parameters of an answer that is no search, each given once at most: read
// takes the value and answers how it stands in the links. Others than those named are refused.
func (h *Handler) window(r *request, what string, names []string, read func(name, value string) (string, error)) (used url.Values,
	cursor string, err error) {
	used = url.Values{}
	for _, name := range names {
		if !r.params.Has(name) {
			continue
		}
		v, err := single(name, r.params[name])
		if err != nil {
			return nil, "", err
		}
		if name == paramCursor {
			cursor = v
			continue
		}
		if v, err = read(name, v); err != nil {
			return nil, "", err
		}
		used.Set(name, v)
	}
	return used, cursor, onlyKnown(r, what, names...)
}

func (h *Handler) countInto(n *int, v string) (string, error) {
	var err error
	*n, err = h.count(v)
	return strconv.Itoa(*n), err
}

// sinceInto reads an instant from which on changes are asked for. Without a zone it is UTC, in which these times are written.
func sinceInto(t *time.Time, v string) (string, error) {
	d, ok := readSpan(v)
	if !ok {
		return v, invalid(paramSince, "_since: %s is not an instant; write YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset", shown(v))
	}
	*t = d.low
	return v, nil
}

// onlyKnown refuses parameters that are not listed, unless the client is lenient.
func onlyKnown(r *request, what string, names ...string) error {
	if lenient(r.Header) {
		return nil
	}
	for _, name := range slices.Sorted(maps.Keys(r.params)) {
		switch {
		case slices.Contains(names, name):
		case name == "":
			return notSupported("", "a parameter without a name is not a parameter of %s; use one of %s", what, strings.Join(names, ", "))
		default:
			return notSupported(name, "%s is not a parameter of %s; use one of %s", shown(name), what, strings.Join(names, ", "))
		}
	}
	return nil
}

// readCursor reads a cursor; an empty one is the beginning.
func readCursor(s string, kind byte, query string) (cursor, error) {
	if s == "" {
		return cursor{kind: kind}, nil
	}
	return decodeCursor(s, kind, query)
}
