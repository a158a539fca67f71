package fhir

import (
	"bytes"
	"encoding/json"
	"strconv"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Base is the canonical base of what this project publishes.
const Base = "https://cannulary.example/fhir"

// Context is what rendering needs beside the facts.
type Context struct {
	// Zone is the facility's time zone; nil is read as UTC.
	Zone *time.Location
	// Facility is the facility's code. It is used for facts that name none.
	Facility string
	// Identities resolve merges: resources of a patient key refer to the Patient of its survivor.
	// Nil leaves keys as they are.
	Identities *record.Identities
	// Tracks and Accesses resolve merges of identities that both have a track or an access of one
	// name: each is the patient key under which it has the BodyStructure that resources refer to.
	// A place that is not among them is kept under its own key.
	Tracks, Accesses map[Place]string
	// Options are the deployer's choices.
	Options Options
}

// Place is a track or an access as a patient key names it.
type Place struct{ Patient, Name string }

// Options are a deployment's choices of rendering.
type Options struct {
	// NoSNOMED leaves out every SNOMED CT coding; local codings remain.
	NoSNOMED bool
}

// Resource is one rendered resource without meta.versionId and meta.lastUpdated.
type Resource struct {
	Type string // FHIR resource type
	ID   string // FHIR id, 1 to 64 characters
	// Patient is the id of the patient whose compartment it is in; empty if none.
	Patient string
	// Profile is the canonical URL of the one profile that it keeps to; WithMeta writes it.
	Profile string
	// Body is the JSON. It begins with {"id":"<ID>" so that WithMeta can splice.
	Body []byte
	// Index holds the values by which it is found.
	Index Index
}

// Index holds the search values of one resource. Params carry the names of the FHIR R4
// search parameters (and of our own). A parameter with the modifier ":identifier" holds the
// identifiers of logical references.
type Index struct {
	Tokens     []Token
	Dates      []Period
	References []Reference
	Quantities []Quantity
	Strings    []Text
}

// Token is a value of a token parameter. System is empty where the element has none. Part is the
// component of the resource in which it stands, from 1; 0 is the resource itself.
type Token struct {
	Param, System, Code string
	Part                int
}

// Text is a value of a string or uri parameter.
type Text struct{ Param, Value string }

// Period is a value of a date parameter: the half-open interval [Low, High) that the
// element's value and precision imply. Each end is on the clock on which the element is
// written: its offset from UTC is part of the value, since a search without a zone compares
// what the clocks show. Open ends are BeginningOfTime and EndOfTime.
type Period struct {
	Param     string
	Low, High time.Time
}

// Reference is a value of a reference parameter.
type Reference struct{ Param, Type, ID string }

// Quantity is a value of a quantity parameter, in the UCUM unit Code. Unit is its name for
// people, Part the component as in Token.
type Quantity struct {
	Param, System, Code, Unit string
	Value                     float64
	Part                      int
}

// BeginningOfTime is the lower bound of a period without a start.
func BeginningOfTime() time.Time { return time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC) }

// EndOfTime is the upper bound of a period without an end.
func EndOfTime() time.Time { return time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC) }

// PatientView is what is published of a patient.
type PatientView struct {
	// Key is the patient key and the Patient's id.
	Key string
	// Identifiers are those to be published, in order.
	Identifiers []*cannularyv1.PatientIdentifier
	// MergedInto is the key that this identity was merged into directly; empty if it stands.
	MergedInto string
	// Merged are the keys that were merged into this one directly.
	Merged []string
	// Whole says to readers of some facilities whether the whole record can be read; nil where nothing is said of it.
	Whole *bool
}

// Activity says what an event did to its targets.
type Activity string

// The activities, as in the code system v3-DataOperation.
const (
	ActivityCreate  Activity = "CREATE"
	ActivityUpdate  Activity = "UPDATE"
	ActivityNullify Activity = "NULLIFY" // taken back: the targets are entered in error
)

// ProvenanceView is the origin of the resource versions that one event gave.
type ProvenanceView struct {
	EventID         string
	Source          string // the sending system
	SourceMessageID string // the message's id there
	OccurredAt      time.Time
	Precision       cannularyv1.TimePrecision
	Recorded        time.Time                    // the log's time
	Recorder        *cannularyv1.StaffIdentifier // nil if not known
	Facility        string                       // empty for the context's
	Targets         []VersionedReference
	Activity        Activity // empty leaves it out
	// Reasons say why something was corrected or taken back, as they were typed.
	Reasons []string
	// First counts the Provenances that the event has already.
	First int
	// Amended are messages that came before and correct or take back what this one says: the
	// versions rest on them too.
	Amended []SourceMessage
}

// SourceMessage names a message of a sending system.
type SourceMessage struct{ Source, ID string }

// VersionedReference names one version of one resource. A version of 0 names the
// resource, whatever its version.
type VersionedReference struct {
	Type, ID string
	Version  int
}

const instant = "2006-01-02T15:04:05.000Z"

// WithMeta splices versionId, lastUpdated (milliseconds, UTC) and the profile, in this
// order, into the body of the resource with the given id, right after the id. An empty
// profile is left out. A track's maturity was judged when the version was made: its issued
// is the same time.
func WithMeta(r []byte, id, profile string, version int, lastUpdated time.Time) []byte {
	return AppendWithMeta(make([]byte, 0, len(r)+len(profile)+160), r, id, profile, version, lastUpdated)
}

// AppendWithMeta is WithMeta that appends to out.
func AppendWithMeta(out, r []byte, id, profile string, version int, lastUpdated time.Time) []byte {
	head := `{"id":"` + id + `"`
	rest, ok := bytes.CutPrefix(r, []byte(head))
	if ok {
		out = append(out, head...)
		out = append(out, ',')
	} else {
		rest = bytes.TrimPrefix(r, []byte("{"))
		out = append(out, '{')
	}
	out = append(out, `"meta":{"versionId":"`...)
	out = strconv.AppendInt(out, int64(version), 10)
	out = append(out, `","lastUpdated":"`...)
	out = lastUpdated.UTC().AppendFormat(out, instant)
	if profile != "" {
		out = append(out, `","profile":["`...)
		out = append(out, profile...)
		out = append(out, `"]}`...)
	} else {
		out = append(out, `"}`...)
	}
	if profile == profileMaturity {
		out = append(out, `,"issued":"`...)
		out = lastUpdated.UTC().AppendFormat(out, instant)
		out = append(out, '"')
	}
	if !ok && len(bytes.TrimSpace(rest)) > 1 {
		out = append(out, ',')
	}
	return append(out, rest...)
}

// OperationOutcome renders an OperationOutcome with one issue. severity is a code of
// issue-severity and code one of issue-type; others are replaced by "error" and
// "processing", so that the answer is always valid. expression are FHIRPath paths or
// http.<parameter> names.
func OperationOutcome(severity, code, diagnostics string, expression ...string) []byte {
	issue := model.OperationOutcomeIssue{Severity: model.IssueSeverityError, Code: model.IssueTypeProcessing}
	if s := issue.Severity; s.UnmarshalJSON([]byte(severity)) == nil {
		issue.Severity = s
	}
	if t := issue.Code; t.UnmarshalJSON([]byte(code)) == nil {
		issue.Code = t
	}
	issue.Diagnostics = text(diagnostics)
	for _, e := range expression {
		if e := text(e); e != nil {
			issue.Expression = append(issue.Expression, *e)
		}
	}
	b, err := json.Marshal(model.OperationOutcome{Issue: []model.OperationOutcomeIssue{issue}})
	if err != nil {
		// Codes and strings only: nothing in it can fail to marshal.
		panic(err)
	}
	return b
}
