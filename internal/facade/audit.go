package facade

import (
	"context"
	"encoding/hex"
	"net/http"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/trail"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

// AuditEvents stand in the trail and not in the view, so they are no Type: they are read by auditors alone, have one
// version, and are neither included, exported nor referred to.

// AuditType is the resource type of the trail's entries; AuditPath is where they are asked for.
const (
	AuditType = "AuditEvent"
	AuditPath = Path + "/" + AuditType
)

// The parameters of a search for AuditEvents.
const (
	paramPatient = "patient"
	paramDate    = "date"
	paramAltID   = "altid"
)

func auditParams() []restParam {
	return []restParam{
		{paramAltID, "", string(TokenParam), "The principal's name, as the policy has it."},
		{paramDate, "", string(DateParam), "When the request came. Without a zone it is UTC. May be given twice."},
		{paramPatient, "", string(ReferenceParam),
			"A patient about whom something was read or written, under any identity that was merged."},
	}
}

// Audit is what is asked of the trail.
type Audit interface {
	Search(ctx context.Context, q trail.Query) (list []trail.Found, more bool, err error)
	Get(ctx context.Context, id string) (f trail.Found, ok bool, err error)
}

// auditRoute finds what a path of AuditEvents asks for.
func (h *Handler) auditRoute(path string, seg []string) *route {
	if seg[0] != AuditType || h.cfg.Audit == nil {
		return nil
	}
	rt := &route{path: path, methods: []string{http.MethodGet, http.MethodHead}}
	switch {
	case len(seg) == 1:
		rt.run = h.searchAudit
	case len(seg) == 2 && seg[1] == "_search":
		rt.methods, rt.form, rt.run = []string{http.MethodPost}, true, h.searchAudit
	case len(seg) == 2:
		rt.run = func(r *request) (reply, error) { return h.readAudit(r, seg[1]) }
	default:
		rt.run = func(*request) (reply, error) {
			return reply{}, notFound("not-supported", "there is nothing at %s; AuditEvents are read and searched", shown(path))
		}
	}
	return rt
}

func (h *Handler) readAudit(r *request, id string) (reply, error) {
	if err := onlyKnown(r, "a read", paramFormat, paramPretty); err != nil {
		return reply{}, err
	}
	f, ok, err := h.cfg.Audit.Get(r.Context(), id)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, unknownResource(AuditType)
	}
	body, err := auditBody(r.Context(), f)
	return reply{status: http.StatusOK, header: map[string]string{"Cache-Control": "no-store"}, body: body}, err
}

// auditBody maps an entry, and names its patients for the trail: who reads it learns of them.
func auditBody(ctx context.Context, f trail.Found) ([]byte, error) {
	for _, key := range f.Access.GetPatients() {
		seen.Patients(ctx, hex.EncodeToString(key))
	}
	x, err := fhir.AuditEvent(f.Access)
	if err != nil {
		return nil, err
	}
	return fhir.WithMeta(x.Body, x.ID, x.Profile, 1, f.Access.GetAt().AsTime()), nil
}

func (h *Handler) searchAudit(r *request) (reply, error) {
	q := trail.Query{Count: min(defaultCount, h.cfg.MaxCount)}
	dates := r.params[paramDate]
	if len(dates) > 0 {
		r.params.Del(paramDate) // it may be given twice
		for _, v := range dates {
			if err := auditDate(&q, v); err != nil {
				return reply{}, err
			}
		}
	}
	used, given, err := h.window(r, "a search for AuditEvents", []string{paramAltID, paramCount, paramCursor, paramDate, paramFormat,
		paramPatient, paramPretty}, func(name, v string) (string, error) {
		switch name {
		case paramCount:
			return h.countInto(&q.Count, v)
		case paramAltID:
			q.By = strings.TrimPrefix(v, "|")
		case paramPatient:
			id := strings.TrimPrefix(v, "Patient/")
			if len(id) != 2*seen.KeySize {
				return v, invalid(name, "patient: %s names no Patient; write Patient/[id] with the id that a search for Patients answers",
					shown(v))
			}
			seen.Patients(r.Context(), id)
			q.Patients = h.cfg.Group(id)
		}
		return v, nil
	})
	if err != nil {
		return reply{}, err
	}
	if q.Count == 0 {
		return reply{}, invalid(paramCount, "_count: AuditEvents are not counted; give 1 or more")
	}
	for _, v := range dates {
		used.Add(paramDate, v)
	}
	query := identity(AuditType, used)
	c, err := readCursor(given, auditCursor, query)
	if err != nil {
		return reply{}, err
	}
	if given != "" {
		q.After = trail.Place{At: c.after.Updated.UnixMilli(), Seq: c.after.Seq}
	}
	list, more, err := h.cfg.Audit.Search(r.Context(), q)
	if err != nil {
		return reply{}, err
	}
	b := bundle{kind: "searchset", watermark: h.cfg.Now(), total: -1, self: link(r.base, AuditType, used, given)}
	for _, f := range list {
		body, err := auditBody(r.Context(), f)
		if err != nil {
			return reply{}, err
		}
		b.entries = append(b.entries, entry{fullURL: r.base + "/" + AuditType + "/" + hex.EncodeToString(f.Access.GetId()), body: body,
			mode: "match"})
	}
	if more {
		last := list[len(list)-1].Place
		next := cursor{kind: auditCursor, after: view.Cursor{Updated: time.UnixMilli(last.At), Seq: last.Seq, RID: 1}}
		b.next = link(r.base, AuditType, used, next.encode(query))
	}
	return b.reply(), nil
}

// auditDate narrows a search by one date. An entry has one moment, in UTC.
func auditDate(q *trail.Query, v string) error {
	prefix, rest, err := cutPrefix(paramDate, v)
	if err != nil {
		return err
	}
	d, ok := readSpan(rest)
	if !ok {
		return invalid(paramDate, "%s: %s is not a date; %s", paramDate, shown(orNothing(rest)), dateForms)
	}
	from := func(t time.Time) {
		if t.After(q.From) {
			q.From = t
		}
	}
	until := func(t time.Time) {
		if q.Until.IsZero() || t.Before(q.Until) {
			q.Until = t
		}
	}
	switch prefix {
	case view.Equal:
		from(d.low)
		until(d.high)
	case view.Greater, view.StartsAfter:
		from(d.high)
	case view.Less, view.EndsBefore:
		until(d.low)
	case view.GreaterEqual:
		from(d.low)
	case view.LessEqual:
		until(d.high)
	default:
		return notSupported(paramDate, "date: the prefix of %s is not offered here; use eq, ge, gt, le, lt, sa or eb", shown(v))
	}
	return nil
}

// auditResource is how the CapabilityStatement tells of AuditEvents; nil where there are none.
func (h *Handler) auditResource() []restResource {
	if h.cfg.Audit == nil {
		return nil
	}
	return []restResource{{Type: AuditType, Documentation: "Who asked for what, and about which patients. For principals with the right " +
		"audit. Newest first. A patient is named by the id that it had then; nothing is sorted, counted or included.",
		Interaction: []restCode{{string(Read)}, {string(SearchType)}}, Versioning: "no-version", ReferencePolicy: []string{"literal"},
		SearchParam: auditParams()}}
}

// asks is the right that a path asks for.
func asks(path string) access.Right {
	if path == AuditPath || strings.HasPrefix(path, AuditPath+"/") {
		return access.Audit
	}
	return access.FHIR
}
