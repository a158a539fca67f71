package facade

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"strconv"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/export"
)

// Bulk export after the HL7 FHIR Bulk Data Access IG, STU 2
// (https://hl7.org/fhir/uv/bulkdata/STU2/export.html):
//
//	GET or POST $export, Patient/$export, Group/[id]/$export   begin
//	GET $export/[job]             how far it is, then the list of its files
//	DELETE $export/[job]          cancel it, or remove its files
//	GET $export/[job]/[Type].ndjson
//
// What it gives at each level is told by view.Scope.

const exportName = "$export"

// The parameters of $export.
const (
	paramOutputFormat = "_outputFormat"
	paramTypeFilter   = "_typeFilter"
)

func exportParams() []string {
	return []string{paramOutputFormat, paramSince, paramType, paramTypeFilter}
}

// statusRetry is after what time to ask again how far an export is.
const statusRetry = 5 * time.Second

// exportRoute finds what a path of bulk export asks for, nil if it is none.
func (h *Handler) exportRoute(path string, seg []string) *route {
	if h.cfg.Exports == nil {
		return nil
	}
	begin := func(level export.Level, group string) *route {
		return &route{path: path, methods: []string{http.MethodGet, http.MethodPost},
			run: func(r *request) (reply, error) { return h.beginExport(r, path, level, group) }}
	}
	switch {
	case seg[0] == exportName && len(seg) == 1:
		return begin(export.System, "")
	case seg[0] == exportName && len(seg) == 2:
		return &route{path: path, methods: []string{http.MethodGet, http.MethodDelete}, run: func(r *request) (reply, error) {
			if err := onlyKnown(r, "the state of an export", paramFormat, paramPretty); err != nil {
				return reply{}, err
			}
			if r.Method == http.MethodDelete {
				return h.cancelExport(r, seg[1])
			}
			return h.exportStatus(r, seg[1])
		}}
	case seg[0] == exportName && len(seg) == 3:
		return &route{path: path, methods: []string{http.MethodGet, http.MethodHead}, raw: true,
			run: func(r *request) (reply, error) {
				if len(r.params) > 0 && !lenient(r.Header) {
					return reply{}, notSupported("", "the file of an export takes no parameters; ask without a question mark")
				}
				return h.exportFile(r, seg[1], seg[2])
			}}
	case len(seg) == 2 && seg[0] == "Patient" && seg[1] == exportName:
		return begin(export.Patients, "")
	case len(seg) == 3 && seg[0] == "Group" && seg[2] == exportName:
		return begin(export.Group, seg[1])
	}
	return nil
}

// beginExport answers a kick-off.
func (h *Handler) beginExport(r *request, path string, level export.Level, group string) (reply, error) {
	if !prefersAsync(r.Header) {
		return reply{}, &problem{Status: http.StatusBadRequest, Code: "required", Expression: "http.Prefer",
			Text: "$export is answered later: send it with the header Prefer: respond-async, then ask at the Content-Location of the " +
				"answer how far it is"}
	}
	if r.Method == http.MethodPost {
		if err := readParameters(r, exportName, `{"name":"_type","valueString":"Observation"}`, exportParams()); err != nil {
			return reply{}, err
		}
	}
	if level == export.Group {
		facility, err := h.facilityOf(r.Context(), group)
		if err != nil {
			return reply{}, err
		}
		if facility == "" {
			return reply{}, unknownResource("Group")
		}
	}
	req := &export.Request{Level: level, Owner: access.From(r.Context()).Name, Group: group, Lenient: lenient(r.Header), Base: r.base,
		URL: r.base + strings.TrimPrefix(path, Path)}
	if r.URL.RawQuery != "" {
		req.URL += "?" + r.URL.RawQuery
	}
	if err := h.readExport(r, req); err != nil {
		return reply{}, err
	}
	id, err := h.cfg.Exports.Begin(req)
	if busy, ok := errors.AsType[*export.BusyError](err); ok {
		return reply{}, &problem{Status: http.StatusTooManyRequests, Code: "throttled", Text: busy.Error(),
			Header: map[string]string{"Retry-After": retryAfter(busy.Retry)}}
	}
	if err != nil {
		return reply{}, err
	}
	at := r.base + "/" + exportName + "/" + id
	return informed("the export is begun; GET "+at+" says how far it is, DELETE cancels it",
		map[string]string{"Content-Location": at}), nil
}

func retryAfter(d time.Duration) string {
	return strconv.FormatInt(int64((d+time.Second-1)/time.Second), 10)
}

// informed is an answer about an export that only says something.
func informed(text string, header map[string]string) reply {
	out := reply{status: http.StatusAccepted, header: map[string]string{"Cache-Control": "no-store"},
		body: fhir.OperationOutcome("information", "informational", text)}
	maps.Copy(out.header, header)
	return out
}

// prefersAsync reports whether the preference respond-async is sent (RFC 7240).
func prefersAsync(header http.Header) bool {
	for _, line := range header.Values("Prefer") {
		for _, p := range strings.Split(line, ",") {
			p, _, _ = strings.Cut(p, ";")
			if strings.EqualFold(strings.TrimSpace(p), "respond-async") {
				return true
			}
		}
	}
	return false
}

// ownExport returns the state of an export, if it is the principal's own.
func (h *Handler) ownExport(r *request, id string) (export.Status, bool) {
	s, ok := h.cfg.Exports.Status(id)
	return s, ok && s.Request.Owner == access.From(r.Context()).Name
}

// exportStatus answers how far an export is, or the list of its files.
func (h *Handler) exportStatus(r *request, id string) (reply, error) {
	s, ok := h.ownExport(r, id)
	if !ok {
		return reply{}, unknownExport(id)
	}
	if s.Result == nil {
		text := "begun"
		switch {
		case !s.Running:
			text = fmt.Sprintf("waiting, exports before it: %d", s.Ahead)
		case s.Type != "":
			text = fmt.Sprintf("%d resources written, now %s", s.Count, s.Type)
		}
		return informed(text, map[string]string{"X-Progress": text, "Retry-After": retryAfter(statusRetry)}), nil
	}
	if s.Result.Failed != "" {
		return reply{}, &problem{Status: http.StatusInternalServerError, Code: "exception", Text: s.Result.Failed}
	}
	list := listOf(r.base, id, &s)
	list.RequiresAccessToken = strings.HasPrefix(strings.ToLower(r.Header.Get("Authorization")), "bearer ")
	return listReply(list, map[string]string{"Expires": s.Result.Expires.UTC().Format(http.TimeFormat)})
}

func unknownExport(id string) *problem {
	return notFound("not-found", "there is no export %s here, or no longer: it was removed or has expired; begin again with $export",
		shown(id))
}

// exportList lists the files of an export.
type exportList struct {
	TransactionTime string `json:"transactionTime"`
	Request         string `json:"request"`
	// RequiresAccessToken is that the files need a bearer token, as the request for the list did.
	RequiresAccessToken bool           `json:"requiresAccessToken"`
	Output              []exportedFile `json:"output"`
	Error               []exportedFile `json:"error"`
}

type exportedFile struct {
	Type  string `json:"type"`
	URL   string `json:"url"`
	Count int    `json:"count"`
}

func listOf(base, id string, s *export.Status) *exportList {
	state := s.Result.State
	if state.IsZero() {
		state = time.Unix(0, 0) // an empty view, see bundle.bytes
	}
	m := &exportList{TransactionTime: state.UTC().Format(instantLayout), Request: s.Request.URL, Output: []exportedFile{},
		Error: []exportedFile{}}
	for _, f := range s.Result.Files {
		x := exportedFile{f.Type, base + "/" + exportName + "/" + id + "/" + f.Type + exportEnding, f.Count}
		if f.Type == export.Notices {
			m.Error = append(m.Error, x)
		} else {
			m.Output = append(m.Output, x)
		}
	}
	return m
}

// listReply answers JSON that is no FHIR resource.
func listReply(v any, header map[string]string) (reply, error) {
	body, err := answer.Marshal(v)
	if err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusOK, write: func(w http.ResponseWriter) {
		head := w.Header()
		for k, v := range header {
			head.Set(k, v)
		}
		head.Set("Content-Type", "application/json")
		head.Set("Cache-Control", "no-store")
		head.Set("X-Content-Type-Options", "nosniff")
		// The client may be gone; there is nobody to tell.
		_, _ = w.Write(body)
	}}, nil
}

func (h *Handler) cancelExport(r *request, id string) (reply, error) {
	if _, ok := h.ownExport(r, id); !ok {
		return reply{}, unknownExport(id)
	}
	ok, err := h.cfg.Exports.Cancel(id)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, unknownExport(id)
	}
	return informed("the export and its files are removed", nil), nil
}

// exportOperation is how the CapabilityStatement tells of $export at a level. R4 asks a
// server that does not support all of an operation to name a definition of its own, whose
// base is the guide's (CapabilityStatement.rest.resource.operation.definition).
func (h *Handler) exportOperation(typ string) []operation {
	if h.cfg.Exports == nil {
		return nil
	}
	const about = "After the Bulk Data Access IG, STU 2: by GET or POST, with _since (only what changed at that time or later), _type, " +
		"_typeFilter and _outputFormat (NDJSON only). " +
		"One file for each type. transactionTime is the _since of the next export: together they lose nothing. "
	const shared = "Gives the patients' resources, their Provenance and Groups, and the Practitioner, Organization, Location and Device " +
		"resources that these refer to, also those that did not change since _since if something that did refers to them. "
	switch typ {
	case "":
		return []operation{{"export", fhir.Base + "/OperationDefinition/export", about + "Gives all resources."}}
	case "Patient":
		return []operation{{"export", fhir.Base + "/OperationDefinition/patient-export", about + shared}}
	case "Group":
		return []operation{{"export", fhir.Base + "/OperationDefinition/group-export", about + shared +
			"The Group's members are the patients with facts of its facility, under all their identities. Of a member who may have " +
			"joined since _since everything is given, and of one who is a member only by a merge it is each time."}}
	}
	return nil
}
