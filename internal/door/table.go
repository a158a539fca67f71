package door

import (
	"strings"

	"cannulary/internal/access"
)

// Row says what right a path or a gRPC method asks for. A path that ends with a slash stands for all
// that is below it; "/" is only itself.
type Row struct {
	Path  string
	Right access.Right
}

// Routes is the one table of what is served over HTTP. Behind a policy nothing else is answered.
func Routes() []Row {
	return []Row{
		{"/healthz", access.Open}, {"/readyz", access.Open},
		{"/metrics", access.Metrics}, {"/status", access.Metrics},
		{"/fhir/metadata", access.Open}, {"/fhir/.well-known/smart-configuration", access.Open},
		{"/fhir/auth/token", access.Open}, // it knows its clients by their assertions
		{"/fhir/AuditEvent", access.Audit}, {"/fhir/AuditEvent/", access.Audit},
		{"/fhir", access.FHIR}, {"/fhir/", access.FHIR}, // the facade asks for each resource type
		{"/cds-services", access.Hooks}, {"/cds-services/", access.Hooks},
		{"/surveillance/report", access.Reports}, {"/surveillance/signals", access.Reports},
		{"/surveillance/threshold", access.Reports}, {"/what-if", access.Reports},
		{"/", access.Pages}, {"/card", access.Pages}, {"/cards", access.Pages}, {"/confirm", access.Pages}, {"/live", access.Pages},
		{"/track", access.Pages}, {"/past", access.Pages}, {"/unit", access.Pages}, {"/cannulators", access.Pages},
		{"/live.js", access.Pages},
		{"/style.css", access.Open}, {"/icon.svg", access.Open}, // the pages of the login wear them
		// They know people by themselves.
		{"/login", access.Open}, {"/login/return", access.Open}, {"/logout", access.Open}, {"/lock", access.Open},
		{"/break-glass", access.Open}, {"/break-glass/review", access.Reviews},
		// Without a policy too: they ask by themselves.
		{"/operator/codes", access.Operate}, {"/operator/backup", access.Operate},
	}
}

// Methods is the one table of the gRPC methods. What a message may hold is asked by intake, for each
// message of a feed anew.
func Methods() []Row {
	return []Row{
		{"/cannulary.v1.RosterService/RecordRoster", access.Send},
		{"/cannulary.v1.CannulationService/RecordCannulation", access.Send},
		{"/cannulary.v1.AssessmentService/RecordAssessment", access.Send},
		{"/cannulary.v1.SurveillanceService/RecordSurveillance", access.Send},
		{"/cannulary.v1.FeedService/Feed", access.Send},
		{"/grpc.health.v1.Health/Check", access.Open},
		{"/grpc.health.v1.Health/List", access.Known},
		{"/grpc.health.v1.Health/Watch", access.Known},
		{"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", access.Known},
		{"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo", access.Known},
	}
}

// Named reports whether a path or method has a row.
func Named(table []Row, path string) bool { return RightOf(table, path) != never }

// never is the right of what has no row: nobody has it.
const never access.Right = "no row"

// RightOf returns what a path or method asks for by a table.
func RightOf(table []Row, path string) access.Right {
	for _, r := range table {
		if r.Path == path || r.Path != "/" && strings.HasSuffix(r.Path, "/") && strings.HasPrefix(path, r.Path) {
			return r.Right
		}
	}
	return never
}
