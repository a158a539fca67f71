package facade

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/export"
	"cannulary/internal/fault"
	"cannulary/internal/view"
)

// readParameters adds the parameters in the body of a POST to those of the URL.
func readParameters(r *request, operation, example string, names []string) error {
	body, err := bodyOf(r.Request, operation)
	if err != nil || len(body) == 0 {
		return err
	}
	given := r.Header.Get("Content-Type")
	if media, _, err := mime.ParseMediaType(given); err != nil || media != "application/fhir+json" && media != "application/json" {
		return answer.WrongMedia("Content-Type",
			"the body of a "+operation+" must be a Parameters resource as application/fhir+json, not "+shown(orNothing(given)))
	}
	var p struct {
		ResourceType string `json:"resourceType"`
		Parameter    []map[string]json.RawMessage
	}
	if err := json.Unmarshal(body, &p); err != nil || p.ResourceType != "Parameters" {
		return &problem{Status: http.StatusBadRequest, Code: "structure",
			Text: `the body of a ` + operation + ` must be a Parameters resource: {"resourceType":"Parameters","parameter":[` +
				example + `]}`}
	}
	for i, x := range p.Parameter {
		var name, value string
		err := json.Unmarshal(x["name"], &name)
		found := 0
		for _, key := range []string{"valueString", "valueInstant", "valueDateTime", "valueDate", "valueCode"} {
			if v, ok := x[key]; ok && err == nil {
				found++
				err = json.Unmarshal(v, &value)
			}
		}
		if v, ok := x["valueInteger"]; ok && err == nil && name == paramCount {
			var n int
			found++
			err = json.Unmarshal(v, &n)
			value = strconv.Itoa(n)
		}
		// A reference or anything else is told by its name, if that is no parameter here.
		if err != nil || found != 1 && slices.Contains(names, name) {
			return &problem{Status: http.StatusBadRequest, Code: "structure", Expression: fmt.Sprintf("Parameters.parameter[%d]", i),
				Text: strings.TrimSuffix(fmt.Sprintf("parameter[%d] %s", i, shown(name)), " ") +
					" needs a name and one value such as " + example}
		}
		r.params.Add(name, value)
	}
	return nil
}

// readExport reads the parameters of a kick-off into req.
func (h *Handler) readExport(r *request, req *export.Request) error {
	for _, name := range slices.Sorted(maps.Keys(r.params)) { // so that of several errors the same one is told
		if name == paramFormat || name == paramPretty || slices.Contains(exportParams(), name) {
			continue
		}
		if name == "patient" {
			// To ignore it would give what was not asked for.
			return notSupported(name,
				"patient: exports of some patients are not offered; ask for Patient/[id]/$everything, or for the Group of their facility")
		}
		text := fmt.Sprintf("%s is not a parameter of $export; use one of %s", shown(orNothing(name)), strings.Join(exportParams(), ", "))
		if !req.Lenient {
			return notSupported(name, "%s", text+"; with Prefer: handling=lenient it would be ignored")
		}
		req.Notices = append(req.Notices,
			outcomeEntry("warning", "not-supported", text+"; it was ignored, as Prefer: handling=lenient asks", "http."+shown(name)).body)
	}
	for _, name := range []string{paramOutputFormat, paramSince} {
		if !r.params.Has(name) {
			continue
		}
		v, err := single(name, r.params[name])
		if err != nil {
			return err
		}
		if name == paramSince {
			if _, err = sinceInto(&req.Since, v); err != nil {
				return err
			}
			continue
		}
		// A plus sign that was not escaped arrives as a space.
		if v = strings.Replace(v, " ", "+", 1); !slices.Contains([]string{"application/fhir+ndjson", "application/ndjson", "ndjson"}, v) {
			return notSupported(name,
				"_outputFormat: %s is not offered; use one of application/fhir+ndjson, application/ndjson, ndjson, which are the same",
				shown(v))
		}
	}
	if err := h.exportedTypes(r, req); err != nil {
		return err
	}
	if r.params.Has(paramTypeFilter) {
		req.Searches = splitSearches(strings.Join(r.params[paramTypeFilter], ","))
	}
	_, notices, err := h.exportSearches(r.Context(), req)
	for _, n := range notices {
		req.Notices = append(req.Notices, n.body)
	}
	return err
}

// sharedByPatients are outside the Patient compartment; at the levels of patients they are
// given only beside what refers to them.
func sharedByPatients() []string {
	return []string{"Practitioner", "Organization", "Location", "Device", "MeasureReport"}
}

// exportedTypes reads _type.
func (h *Handler) exportedTypes(r *request, req *export.Request) error {
	all := h.stored()
	if !r.params.Has(paramType) {
		err := h.mayRead(r.Context(), &req.Types)
		if len(req.Types) == 0 {
			req.Types = all
		}
		return err
	}
	asked := strings.Split(strings.Join(r.params[paramType], ","), ",")
	compartment := req.Level == export.System
	for _, name := range asked {
		if !slices.Contains(all, name) {
			p := invalid(paramType, "_type: there is no resource type %s here; use one of %s", shown(orNothing(name)),
				strings.Join(all, ", "))
			if !req.Lenient {
				return p
			}
			req.Notices = append(req.Notices,
				outcomeEntry("warning", "not-supported", p.Text+"; it was left out, as Prefer: handling=lenient asks", p.Expression).body)
			continue
		}
		compartment = compartment || !slices.Contains(sharedByPatients(), name)
	}
	for _, name := range all {
		if slices.Contains(asked, name) {
			req.Types = append(req.Types, name)
		}
	}
	if len(req.Types) == 0 {
		return invalid(paramType, "_type: none of the types is here; use one of %s", strings.Join(all, ", "))
	}
	if err := h.mayRead(r.Context(), &req.Types); err != nil {
		return err
	}
	if !compartment && !req.Lenient {
		return invalid(paramType,
			"_type: %s belong to no patient; ask also for a type that does, for the $export of the whole system, or with Prefer: "+
				"handling=lenient for those that the patients' resources refer to", strings.Join(req.Types, ", "))
	}
	return nil
}

// searchStart is where a search begins in a list of searches.
var searchStart = regexp.MustCompile(`,[A-Z][A-Za-z]*\?`)

// splitSearches splits a _typeFilter into its searches. A comma between two values of one
// search is told from one between two searches by the Type? that follows the latter.
func splitSearches(s string) []string {
	var out []string
	from := 0
	for _, at := range searchStart.FindAllStringIndex(s, -1) {
		if at[0] > 0 && s[at[0]-1] == '\\' {
			continue // escaped: part of a value
		}
		out = append(out, s[from:at[0]])
		from = at[0] + 1
	}
	return append(out, s[from:])
}

// shapesAnswer reports whether a parameter shapes the answer of a search, and filters nothing.
func shapesAnswer(name string) bool {
	name, _, _ = strings.Cut(name, ":")
	return slices.Contains(resultParams(), name) || slices.Contains([]string{"_include", "_revinclude", "_elements", "_contained",
		"_containedType", "_score", "_graph", "_maxresults"}, name)
}

// maxSearches is how many searches a _typeFilter may have. All those of one type go into one
// statement, as one search does, so that their conditions are bounded together.
const maxSearches = 100

// exportSearches turns the searches into filters by type, as in a search for the type.
func (h *Handler) exportSearches(ctx context.Context, req *export.Request) (map[string][][]view.Filter, []entry, error) {
	out := map[string][][]view.Filter{}
	var notices []entry
	header := http.Header{}
	if req.Lenient {
		header.Set("Prefer", "handling=lenient")
	}
	costly := func(format string, args ...any) error {
		return &problem{Status: http.StatusBadRequest, Code: "too-costly", Expression: "http." + paramTypeFilter,
			Text: "_typeFilter: " + fmt.Sprintf(format, args...)}
	}
	if len(req.Searches) > maxSearches {
		return nil, nil, costly("there are more than %d searches; join values with commas in one search, or split the export", maxSearches)
	}
	conditions := map[string]int{}
	for _, one := range req.Searches {
		name, query, ok := strings.Cut(one, "?")
		t := h.typeNamed(name)
		if !ok || t == nil || !slices.Contains(h.stored(), name) {
			return nil, nil, invalid(paramTypeFilter,
				"_typeFilter: %s is not a search; write Type?parameters, for instance Observation?status=final, with one of %s",
				shown(orNothing(one)), strings.Join(h.stored(), ", "))
		}
		if !slices.Contains(req.Types, name) {
			return nil, nil, invalid(paramTypeFilter, "_typeFilter: %s is filtered but not among the _type that are exported: %s", name,
				strings.Join(req.Types, ", "))
		}
		params, err := answer.Values("", query)
		if err != nil {
			return nil, nil, invalid(paramTypeFilter,
				"_typeFilter: the parameters of %s cannot be read: percent signs and semicolons inside must be written as %%25 and %%3B, "+
					"and the whole then be escaped once more", name)
		}
		for _, p := range slices.Sorted(maps.Keys(params)) {
			if shapesAnswer(p) {
				return nil, nil, notSupported(paramTypeFilter,
					"_typeFilter: %s shapes the answer of a search and is not possible in an export; leave it out", shown(p))
			}
		}
		s, err := h.readSearch(&request{Request: (&http.Request{Header: header, URL: &url.URL{}}).WithContext(ctx), base: req.Base,
			params: params}, t)
		if err != nil {
			if p, ok := errors.AsType[*problem](err); ok {
				err = &problem{Status: p.Status, Code: p.Code, Expression: "http." + paramTypeFilter,
					Text: "_typeFilter: " + name + ": " + p.Text}
			}
			return nil, nil, err
		}
		if conditions[name] += s.conditions(); conditions[name] > maxConditions {
			return nil, nil, costly("the searches of %s ask for more than %d things, chains that lead over many resources included; "+
				"split the export", name, maxConditions)
		}
		out[name] = append(out[name], s.query.Filters)
		notices = append(notices, s.notices()...)
	}
	return out, notices, nil
}

// facilityOf finds the facility whose patients form the Group; empty if there is none.
func (h *Handler) facilityOf(ctx context.Context, group string) (string, error) {
	list, err := h.cfg.Store.Facilities(ctx)
	if err != nil {
		return "", err
	}
	for _, f := range list {
		if fhir.GroupID(f.ID) == group {
			return f.ID, nil
		}
	}
	return "", nil
}

// Export is the export.Reader of the facade's view: it writes what is asked for, all from
// one state of the view, and answers the watermark of that state.
func (h *Handler) Export(ctx context.Context, req *export.Request, w *export.Writer) (state time.Time, err error) {
	// What its principal may read was asked when it began, and is asked again when a file is fetched.
	searches, _, err := h.exportSearches(access.With(ctx, access.Everybody()), req)
	if err != nil {
		if _, ok := errors.AsType[*problem](err); ok {
			// It could be read when the export began: this program is another version. The
			// text may name a patient, so it is not logged.
			err = fault.New(fault.Invalid, "the _typeFilter of the export is not understood by the version of the service that runs now",
				"begin again with a new $export")
		}
		return time.Time{}, err
	}
	facility := ""
	if req.Level == export.Group {
		if facility, err = h.facilityOf(ctx, req.Group); err != nil {
			return time.Time{}, err
		}
		if facility == "" {
			return time.Time{}, fault.New(fault.NotFound, "the Group of the export is no longer known",
				"begin again with a new $export when the view has caught up")
		}
	}
	err = h.cfg.Store.Snapshot(ctx, func(n *view.Snapshot) error {
		state = n.Watermark
		var scope *view.Scope
		var err error
		switch req.Level {
		case export.Patients:
			scope, err = n.Everybody(req.Since)
		case export.Group:
			scope, err = n.OfFacility(facility, req.Group, req.Since, h.cfg.Survivor)
		}
		if err != nil {
			return err
		}
		for _, t := range req.Types {
			q := view.StreamQuery{Type: t, Since: req.Since, Scope: scope, AnyOf: searches[t]}
			if err := n.Stream(q, func(row *view.Row) error { return w.Put(row.Type, row.Body, patientsOf(row)...) }); err != nil {
				return err
			}
		}
		return nil
	})
	return state, err
}
