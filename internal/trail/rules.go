package trail

import (
	"net/http"
	"regexp"
	"slices"
	"strings"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// Class says what becomes of a request while the trail's stream does not answer.
type Class int

// The classes.
const (
	// Unnamed is a route that nobody decided about. It is treated as Refused.
	Unnamed Class = iota
	// None leaves no entry: no patient is in the answer.
	None
	// Kept is answered all the same; its entry is kept on disk.
	Kept
	// Refused is not answered without its entry.
	Refused
)

// Rule is what a route or a gRPC method leaves. A path that ends with a slash stands for all that is below it;
// "/" is only itself.
type Rule struct {
	Path   string
	Class  Class
	Action logv1.Action // of FHIR, what shape finds
}

// Rules is the one table of what leaves an entry. It has a row for each row of the door's tables.
func Rules() []Rule {
	read, write := logv1.Action_ACTION_READ, logv1.Action_ACTION_WRITE
	var out []Rule
	add := func(c Class, a logv1.Action, paths ...string) {
		for _, p := range paths {
			out = append(out, Rule{p, c, a})
		}
	}
	// How the service is, what it offers, and what a page is drawn with. /live tells that something changed, and not
	// what: the page that asks then leaves the entry.
	add(None, 0, "/healthz", "/readyz", "/metrics", "/status", "/fhir/metadata", "/fhir/.well-known/smart-configuration", "/live",
		"/style.css", "/live.js", "/icon.svg", "/grpc.health.v1.Health/Check", "/grpc.health.v1.Health/List",
		"/grpc.health.v1.Health/Watch", "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo")
	// They tell of nobody, and change no more than a browser's own session.
	add(None, 0, "/login", "/logout", "/lock")
	add(Kept, logv1.Action_ACTION_LOGIN, "/fhir/auth/token", "/login/return")
	add(Kept, logv1.Action_ACTION_BREAK_GLASS, "/break-glass", "/operator/codes")
	add(Kept, read, "/break-glass/review")
	add(Kept, logv1.Action_ACTION_EXPORT, "/operator/backup")
	add(Refused, read, "/fhir/AuditEvent", "/fhir/AuditEvent/", "/fhir", "/fhir/")
	add(Kept, read, "/cds-services", "/cds-services/", "/surveillance/report", "/surveillance/signals", "/surveillance/threshold",
		"/what-if", "/", "/card", "/cards", "/confirm", "/track", "/past", "/unit", "/cannulators")
	add(Kept, write, "/cannulary.v1.RosterService/RecordRoster", "/cannulary.v1.CannulationService/RecordCannulation",
		"/cannulary.v1.AssessmentService/RecordAssessment", "/cannulary.v1.SurveillanceService/RecordSurveillance",
		"/cannulary.v1.FeedService/Feed")
	return out
}

// RuleOf returns the rule of a path or method. One without a row is Unnamed.
func RuleOf(rules []Rule, path string) Rule {
	for _, r := range rules {
		if r.Path == path || r.Path != "/" && strings.HasSuffix(r.Path, "/") && strings.HasPrefix(path, r.Path) {
			return r
		}
	}
	return Rule{Path: path}
}

const fhirPath = "/fhir"

// shape fills in what was asked for, without what could name a patient: ids and values.
func (t *Trail) shape(e *logv1.Access, rule Rule, r *http.Request) {
	e.Action = rule.Action
	path := rule.Path
	switch {
	case rule.Class == Unnamed:
		path = "[unknown]"
	case strings.HasPrefix(rule.Path, fhirPath) && rule.Action == logv1.Action_ACTION_READ:
		path = t.fhirShape(e, r.URL.Path)
	}
	e.Route = method(r.Method) + " " + path
	// No name of a parameter here has a digit. One that has may be a value that lost its name.
	for name := range r.URL.Query() {
		if !parameterName.MatchString(name) {
			name = "?"
		}
		if !slices.Contains(e.GetParameters(), name) {
			e.Parameters = append(e.Parameters, name)
		}
	}
	slices.Sort(e.GetParameters())
}

var parameterName = regexp.MustCompile(`^[a-z_][A-Za-z_.:-]{0,63}$`)

func method(m string) string {
	if slices.Contains([]string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete,
		http.MethodOptions}, m) {
		return m
	}
	return "[other]"
}

// operations are the parts of FHIR paths that are no ids.
var operations = []string{"_history", "_search", "$everything", "$export", "metadata"}

// fhirShape returns a path with [id] for whatever could be one, and says what it does.
func (t *Trail) fhirShape(e *logv1.Access, path string) string {
	var seg []string
	for _, s := range strings.Split(strings.TrimPrefix(path, fhirPath), "/") {
		if s == "" {
			continue
		}
		name, lines := strings.CutSuffix(s, ".ndjson")
		switch {
		case slices.Contains(operations, s), (len(seg) == 0 || len(seg) == 2) && slices.Contains(t.cfg.Types, s),
			lines && slices.Contains(t.cfg.Types, name):
		default:
			s = "[id]"
		}
		seg = append(seg, s)
	}
	last := ""
	if len(seg) > 0 {
		last = seg[len(seg)-1]
		if slices.Contains(t.cfg.Types, seg[0]) {
			e.ResourceType = seg[0]
		}
		if len(seg) > 2 && slices.Contains(t.cfg.Types, seg[2]) {
			e.ResourceType = seg[2]
		}
	}
	switch {
	case slices.Contains(seg, "$export"):
		e.Action = logv1.Action_ACTION_EXPORT
	case last == "_search", slices.Contains(t.cfg.Types, last), last == "_history" && len(seg) < 3:
		e.Action = logv1.Action_ACTION_SEARCH
	}
	return strings.Join(append([]string{fhirPath}, seg...), "/")
}
