package app_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// units is an instance of two invented units with readers of each.
type units struct {
	*testing.T
	app   *app.App
	clock *testkit.Clock
	cfg   app.Config
	lead  *testkit.Client
	sent  int
}

const (
	north = "invented-north"
	south = "invented-south"
)

const unitsPolicy = `principals:
- {name: lead, tokens: [%s], facilities: ['*'], sources: [lead], facts: ['*'], amends: ['*']}
- {name: whole, tokens: [%s], facilities: ['*'], fhir: ['*'], may: [pages, reports, hooks]}
- {name: north, tokens: [%s], facilities: [invented-north], fhir: ['*'], may: [pages, reports, hooks]}
- {name: south, tokens: [%s], facilities: [invented-south], fhir: ['*'], may: [pages, reports, hooks]}
`

func newUnits(t *testing.T) *units {
	t.Helper()
	u := &units{T: t, clock: testkit.NewClock(testkit.Noon())}
	dir := t.TempDir()
	policy := fmt.Sprintf(unitsPolicy, access.Digest(tokenOf("lead")), access.Digest(tokenOf("whole")), access.Digest(tokenOf("north")),
		access.Digest(tokenOf("south")))
	u.cfg = app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Slog: testkit.Discard(),
		// The log's clock leaps; that of the process stands where all of it has passed.
		Now:      func() time.Time { return testkit.Noon().AddDate(1, 0, 0) },
		Policy:   testkit.Write(t, t.TempDir(), "policy.yaml", []byte(policy)),
		Invented: &app.Invented{Arrived: func(*logv1.Event) time.Time { return u.clock.Now() }, Day: u.clock.Now}}
	u.open()
	for _, code := range []string{north, south} {
		u.facility(code, &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{
			Name: "Unit " + code, TimeZone: testkit.TimeZone, Shifts: []*v1.Shift{{Name: "shift-" + code, StartsAt: "07:00", EndsAt: "12:00"}},
			DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY, v1.Weekday_WEEKDAY_WEDNESDAY}}}})
	}
	u.nextDay()
	return u
}

func (u *units) open() {
	u.Helper()
	ctx, cancel := context.WithTimeout(u.Context(), time.Minute)
	defer cancel()
	var err error
	if u.app, err = app.New(ctx, u.cfg); err != nil {
		u.Fatal(err)
	}
	u.Cleanup(u.app.Stop)
	u.app.Start()
	testkit.Eventually(u, "the application is ready", u.app.Ready)
	u.lead = testkit.Dial(u, u.app.GRPCAddr())
}

// again stops the service, once all is in its views or just as they are, and starts it again.
func (u *units) again(settled bool) {
	u.Helper()
	if settled {
		u.settled()
	}
	u.app.Stop()
	u.open()
}

// send posts facts of a patient, or of a facility where the patient is empty, and names the message m-1, m-2 and so on.
func (u *units) send(facility, patient, session string, at time.Time, facts ...proto.Message) string {
	u.Helper()
	u.sent++
	id := fmt.Sprintf("m-%d-end", u.sent)
	env := &v1.Envelope{Source: "lead", SourceMessageId: id, Facility: facility, OccurredAt: timestamppb.New(at),
		Precision: v1.TimePrecision_TIME_PRECISION_SECOND, Processing: v1.Processing_PROCESSING_PRODUCTION}
	if patient != "" {
		env.Patient = testkit.Patient(patient)
	}
	if session != "" {
		env.Session = testkit.Session(session)
	}
	ctx := metadata.AppendToOutgoingContext(testkit.Context(u), "authorization", "Bearer "+tokenOf("lead"))
	testkit.Eventually(u, "the message is taken", func() bool {
		_, err := u.lead.Send(ctx, testkit.Request(env, facts...))
		if err != nil && status.Code(err) != codes.Unavailable { // the clock leaps, and the index looks late
			u.Fatalf("%s: %v", id, err)
		}
		return err == nil
	})
	u.clock.Advance(time.Second)
	return id
}

func (u *units) facility(code string, facts ...proto.Message) string {
	u.Helper()
	return u.send(code, "", "", u.clock.Now(), facts...)
}

// nextDay goes to the next morning and has the days begin.
func (u *units) nextDay() {
	u.Helper()
	u.clock.Advance(u.clock.Now().Truncate(24 * time.Hour).Add(33 * time.Hour).Sub(u.clock.Now()))
	if err := u.app.Intake().StartDays(testkit.Context(u)); err != nil {
		u.Fatal(err)
	}
	u.clock.Advance(time.Second)
}

// settled waits until both extracts have what the log has.
func (u *units) settled() {
	u.Helper()
	last := testkit.LastSeq(u, u.app.Log())
	testkit.Eventually(u, "the views follow", func() bool {
		return u.app.Projector().Sequence() >= last && u.app.Followed(last)
	})
}

func (u *units) get(who, path string) (int, string) {
	u.Helper()
	resp, body := u.ask(who, u.app.URL()+path)
	return resp.StatusCode, body
}

// ask asks for an address with more headers, each a name and a value.
func (u *units) ask(who, address string, header ...string) (*http.Response, string) {
	u.Helper()
	return u.do(who, http.MethodGet, address, "", header...)
}

func (u *units) do(who, method, address, body string, header ...string) (*http.Response, string) {
	u.Helper()
	req, err := http.NewRequestWithContext(u.Context(), method, address, strings.NewReader(body))
	if err != nil {
		u.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+tokenOf(who))
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		u.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	said, err := io.ReadAll(resp.Body)
	if err != nil {
		u.Fatal(err)
	}
	return resp, string(said)
}

func admitted() proto.Message {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}}
}

func left() proto.Message {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER}}}
}

func started() proto.Message {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "F1"}}}
}

func needle(by string) proto.Message {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{Track: "A1", Access: "F1",
		Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: proto.Uint32(15),
		AngleDegrees: proto.Float64(25), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, Cannulator: testkit.Staff(by),
		SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO}}}
}

func rated(by string) proto.Message {
	return &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{Cannulator: testkit.Staff(by),
		Level: v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, Assessor: testkit.Staff("assessor-" + by), Evidence: "evidence-" + by}}}
}

// everything is what a reader gets by searches, as text.
func (u *units) everything(who string) string {
	u.Helper()
	var out strings.Builder
	for _, typ := range []string{"Patient", "Procedure", "Observation", "BodyStructure", "Device", "Flag", "DetectedIssue", "MeasureReport",
		"Provenance", "Practitioner", "Organization", "Location"} {
		for path := "/fhir/" + typ + "?_count=500"; path != ""; {
			code, body := u.get(who, path)
			if code != http.StatusOK {
				u.Fatalf("%s: %d %.300s", path, code, body)
			}
			out.WriteString(body)
			path = u.next(body)
		}
	}
	return out.String()
}

// otherWays is what a reader gets by histories, chains, includes, pages, reports, hooks and an export, as text.
func (u *units) otherWays(who, own string) string {
	u.Helper()
	var out strings.Builder
	paths := []string{"/fhir/_history?_count=500", "/fhir/Procedure/_history?_count=7", "/fhir/Patient/_history?_count=500",
		"/fhir/Procedure?_include=Procedure:patient&_include=Procedure:performer&_revinclude=Provenance:target&_count=9",
		"/fhir/Observation?_include=*&_count=200", "/fhir/Procedure?_summary=count", "/?facility=" + own, "/cards?facility=" + own,
		"/cards", "/unit?facility=" + own, "/cannulators?facility=" + own, "/?find=P-", "/?facility=" + own + "&find=P-",
		"/surveillance/report?facility=" + own + "&month=2025-03", "/surveillance/signals", "/surveillance/threshold"}
	for n := 1; n <= 6; n++ {
		paths = append(paths, fmt.Sprintf("/fhir/Procedure?patient.identifier=https://hospital.example/patient-number|P-%d", n),
			fmt.Sprintf("/fhir/Patient?_has:Procedure:patient:status=completed&identifier=P-%d", n))
		out.WriteString(u.advised(who, fmt.Sprint("P-", n)))
	}
	for _, path := range paths {
		for path != "" {
			code, body := u.get(who, path)
			if code >= http.StatusInternalServerError {
				u.Errorf("%s: %d %.300s", path, code, body)
			}
			out.WriteString(path + "\n")
			out.WriteString(strings.ReplaceAll(body, path, "")) // what was asked is said again
			if path = ""; strings.Contains(body, `"resourceType":"Bundle"`) {
				path = u.next(body)
			}
		}
	}
	return out.String()
}

// advised is what a call of CDS Hooks about a patient gets.
func (u *units) advised(who, number string) string {
	u.Helper()
	p := testkit.Patient(number)
	resp, body := u.do(who, http.MethodPost, u.app.URL()+"/cds-services/needling-advice", fmt.Sprintf(`{"hook":"patient-view",
		"hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","context":{"userId":"Practitioner/1","patientId":"1"},
		"prefetch":{"patient":{"resourceType":"Patient","id":"1","identifier":[{"system":%q,"value":%q}]}}}`, p.GetSystem(), p.GetValue()),
		"Content-Type", "application/json")
	if resp.StatusCode != http.StatusOK && resp.StatusCode != http.StatusNotFound {
		u.Errorf("advice on %s for %s: %d %s", number, who, resp.StatusCode, body)
	}
	return body
}

// exported is a bulk export of a reader.
func (u *units) exported(who string) string {
	u.Helper()
	do := func(address string) (*http.Response, string) {
		return u.ask(who, address, "Prefer", "respond-async", "Accept", "application/fhir+ndjson, application/json, application/fhir+json")
	}
	resp, body := do(u.app.URL() + "/fhir/$export")
	if resp.StatusCode != http.StatusAccepted {
		u.Fatalf("export: %d %s", resp.StatusCode, body)
	}
	at := resp.Header.Get("Content-Location")
	testkit.Eventually(u, "the export is there", func() bool {
		resp, body = do(at)
		return resp.StatusCode != http.StatusAccepted
	})
	var done struct{ Output []struct{ URL string } }
	if err := json.Unmarshal([]byte(body), &done); err != nil || resp.StatusCode != http.StatusOK {
		u.Fatalf("export: %v %d %s", err, resp.StatusCode, body)
	}
	var out strings.Builder
	for _, f := range done.Output {
		_, ndjson := do(f.URL)
		out.WriteString(ndjson)
	}
	// It is nobody else's.
	for _, other := range []string{"north", "south"} {
		if resp, _ := u.ask(other, at); other != who && resp.StatusCode != http.StatusNotFound {
			u.Errorf("the export of %s is answered to %s: %d", who, other, resp.StatusCode)
		}
	}
	return out.String()
}

func (u *units) next(bundle string) string {
	var b struct {
		Link []struct{ Relation, URL string }
	}
	if err := json.Unmarshal([]byte(bundle), &b); err != nil {
		u.Fatal(err)
	}
	for _, l := range b.Link {
		if l.Relation == "next" {
			return strings.TrimPrefix(l.URL, u.app.URL())
		}
	}
	return ""
}

// watermark is up to where a reader has pulled.
func (u *units) watermark(who string) string {
	u.Helper()
	u.settled()
	_, body := u.get(who, "/fhir/Provenance?_count=1")
	var b struct{ Meta struct{ LastUpdated string } }
	if err := json.Unmarshal([]byte(body), &b); err != nil || b.Meta.LastUpdated == "" {
		u.Fatalf("no watermark: %v %.300s", err, body)
	}
	return b.Meta.LastUpdated
}
