package app_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
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
	"cannulary/internal/door"
	"cannulary/internal/extract"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	"cannulary/internal/view"
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
	req, err := http.NewRequestWithContext(u.Context(), http.MethodGet, u.app.URL()+path, nil)
	if err != nil {
		u.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+tokenOf(who))
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		u.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		u.Fatal(err)
	}
	return resp.StatusCode, string(body)
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

// exported is a bulk export of a reader.
func (u *units) exported(who string) string {
	u.Helper()
	do := func(url string) (*http.Response, string) {
		req, err := http.NewRequestWithContext(u.Context(), http.MethodGet, url, nil)
		if err != nil {
			u.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+tokenOf(who))
		req.Header.Set("Prefer", "respond-async")
		req.Header.Set("Accept", "application/fhir+ndjson, application/json, application/fhir+json")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			u.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			u.Fatal(err)
		}
		return resp, string(body)
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
		req, _ := http.NewRequestWithContext(u.Context(), http.MethodGet, at, nil)
		req.Header.Set("Authorization", "Bearer "+tokenOf(other))
		if resp, err := http.DefaultClient.Do(req); err == nil {
			_ = resp.Body.Close()
			if other != who && resp.StatusCode != http.StatusNotFound {
				u.Errorf("the export of %s is answered to %s: %d", who, other, resp.StatusCode)
			}
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

// A day at two units, in words.
func TestAReaderOfAUnitReadsThePatientsWhoAreThere(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	session := func(facility, patient, by string) string {
		return u.send(facility, patient, fmt.Sprintf("T-%s-%d", patient, u.sent), u.clock.Now(), started(), needle(by))
	}
	reads := func(who string, want bool, messages ...string) {
		t.Helper()
		u.settled()
		text := u.everything(who)
		for _, m := range messages {
			if strings.Contains(text, m) != want {
				t.Errorf("%s reads %s: %t, want %t", who, m, !want, want)
			}
		}
	}
	u.facility(south, rated("S-1"), rated("S-2"))
	home := u.send(south, "P-1", "", u.clock.Now(), admitted())
	first := session(south, "P-1", "S-1")
	other := u.send(south, "P-2", "", u.clock.Now(), admitted())
	reads("south", true, home, first, other, "S-2")
	reads("north", false, home, first, other, "S-1", "S-2", "P-1", "P-2", "shift-"+south)

	// A guest session opens the whole record of that patient, and of no other.
	u.nextDay()
	guest := session(north, "P-1", "N-1")
	reads("north", true, home, first, guest, "S-1", "Unit "+south)
	reads("north", false, other, "P-2", "S-2", "shift-"+south)
	if _, card := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-1"); strings.Contains(card, "not the whole record") ||
		!strings.Contains(card, `"track":`) && !strings.Contains(card, `"A1"`) {
		t.Errorf("the guest's card at north: %.600s", card)
	}

	// After that day what comes is not for north, but a correction of what it has is.
	u.nextDay()
	later := session(south, "P-1", "S-2")
	void := u.send(south, "P-1", "", u.clock.Now(), &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{
		Fact: &v1.FactReference{Source: "lead", SourceMessageId: first, Ordinal: 1}, Reason: "Wrong track"}}})
	reads("north", true, home, first, guest, void)
	reads("north", false, later, "S-2")
	_, card := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-1")
	if !strings.Contains(card, "This is not the whole record. No stay here is open") || !strings.Contains(card, `"partial":true`) {
		t.Errorf("the card of a guest who went home: %.600s", card)
	}
	if _, page := u.get("north", "/card?format=html&identifier=https://hospital.example/patient-number|P-1"); !strings.Contains(page,
		"This card is not complete: no stay is open here.") || !strings.Contains(page, "This is not the whole record.") {
		t.Errorf("the page of a guest who went home: %.3000s", page)
	}
	if code, body := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-2"); code != http.StatusNotFound {
		t.Errorf("the card of a patient who was never here: %d %s", code, body)
	}
	for _, path := range []string{"/?facility=" + south, "/unit?facility=" + south, "/surveillance/report?facility=" + south + "&month=2025-02"} {
		if code, body := u.get("north", path); code == http.StatusOK || strings.Contains(body, "Unit "+south) {
			t.Errorf("%s is answered to north: %d %.300s", path, code, body)
		}
	}

	// A transfer to north brings all of it, as new.
	u.nextDay()
	mark := u.watermark("north")
	moved := u.send(north, "P-1", "", u.clock.Now(), admitted())
	reads("north", true, later, moved)
	code, pulled := u.get("north", "/fhir/Provenance?_count=500&_lastUpdated=ge"+mark)
	if code != http.StatusOK || !strings.Contains(pulled, later) || !strings.Contains(pulled, moved) {
		t.Errorf("a pull from %s does not bring what became readable: %d %.300s", mark, code, pulled)
	}
	reads("south", true, home, first, guest, later, moved)

	// South goes on with what it had.
	after := session(north, "P-1", "N-1")
	reads("north", true, after)
	reads("south", false, after)
}

// An extract goes on after a restart where it was: its versions are given once. What the policy does not name any more
// is removed, what it names anew is gathered, and what is damaged is gathered again.
func TestAnExtractIsKeptAndMadeAgain(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	u.live(rand.New(rand.NewPCG(1, 1)), 30)
	u.settled()
	before := u.everything("north")
	again := func() {
		t.Helper()
		u.app.Stop()
		u.open()
		u.settled()
	}
	again()
	ports := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+`)
	if now := u.everything("north"); ports.ReplaceAllString(now, "") != ports.ReplaceAllString(before, "") {
		t.Error("north reads something else after a restart")
	}
	u.live(rand.New(rand.NewPCG(2, 2)), 10)
	u.settled()

	folder := func(own string) string {
		return filepath.Join(filepath.Dir(u.app.Store().Path()), "extract-"+extract.ID([]string{own}))
	}
	u.app.Stop()
	file := filepath.Join(folder(north), view.FileName())
	bytes, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for i := 20000; i < len(bytes); i += 8192 {
		bytes[i] ^= 4
	}
	testkit.Write(t, folder(north), view.FileName(), bytes)
	u.open()
	u.settled()
	if text := u.everything("north"); !strings.Contains(text, "m-") {
		t.Error("north reads nothing after its view was damaged")
	}

	policy, err := os.ReadFile(u.cfg.Policy)
	if err != nil {
		t.Fatal(err)
	}
	u.app.Stop()
	testkit.Write(t, filepath.Dir(u.cfg.Policy), "policy.yaml", []byte(strings.ReplaceAll(string(policy), "[invented-south]", "['*']")))
	u.open()
	u.settled()
	if _, err := os.Stat(folder(south)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the view of readers who are not named any more is there: %v", err)
	}
	testkit.Write(t, filepath.Dir(u.cfg.Policy), "policy.yaml", policy)
	u.app.Reload()
	if code, body := u.get("south", "/fhir/Patient"); code != http.StatusServiceUnavailable && code != http.StatusOK ||
		code == http.StatusServiceUnavailable && !strings.Contains(body, "what readers of these facilities may read is being gathered from the log") {
		t.Errorf("south while its view is made: %d %s", code, body)
	}
	u.settled()
	if text := u.everything("south"); !strings.Contains(text, "m-") {
		t.Error("south reads nothing after it was named again")
	}
}

// While an extract is not there, its readers get nothing but what anybody may see.
func TestNothingIsReadBeforeAnExtractIsThere(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	u.send(south, "P-1", "", u.clock.Now(), admitted())
	u.settled()
	u.app.ForgetExtracts()
	fixed := []string{"/style.css", "/live.js", "/icon.svg"}
	for _, row := range door.Routes() {
		if row.Right == access.Open || row.Right == access.Metrics || slices.Contains(fixed, row.Path) {
			continue
		}
		path := row.Path
		if path == "/fhir" || path == "/fhir/" {
			path = "/fhir/Patient"
		}
		if path == "/cds-services/" {
			continue // takes POST alone
		}
		code, body := u.get("north", path)
		if code != http.StatusServiceUnavailable || !strings.Contains(body, "being gathered") || strings.Contains(body, south) {
			t.Errorf("%s: %d %.300s", path, code, body)
		}
	}
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

// letter is package extract's letter read a second time, slowly: what of the log is in the extract of a facility.
type letter struct {
	*testing.T
	own    string
	events []view.StoredEvent
	zones  map[string]*time.Location
}

// may lists the facts of patients that may be read, by fact id.
func (l *letter) may() map[string]bool {
	out := map[string]bool{}
	was := map[string]bool{}
	for n := range l.events {
		known := l.events[:n+1]
		now := known[n].Logged
		ids, groups := l.groups(known)
		open := map[string]bool{}
		for key := range groups {
			open[key] = l.here(known, ids.Group(key), now)
		}
		for _, e := range known {
			key := e.Event.GetPatientKey()
			if key != "" && (open[ids.Survivor(key)] || e.Seq == known[n].Seq && (l.wasOpen(was, e) || e.Event.GetFacility() == l.own)) {
				for i := range e.Event.GetFacts() {
					out[record.FactID(e.Event.GetId(), i)] = true
				}
			}
		}
		for _, f := range l.facts(known) {
			if f.MergedKey != "" && (open[ids.Survivor(f.MergedKey)] || open[ids.Survivor(f.PatientKey)]) {
				out[f.ID] = true
			}
		}
		l.amendments(known, ids, out)
		was = map[string]bool{}
		for _, e := range known {
			if key := e.Event.GetPatientKey(); key != "" && open[ids.Survivor(key)] {
				was[key] = true
			}
		}
	}
	return out
}

// wasOpen reports whether the record of one of the patients whom an event names was open before it.
func (l *letter) wasOpen(was map[string]bool, e view.StoredEvent) bool {
	facts, err := record.Facts(e.Event, e.Seq, e.Logged)
	if err != nil {
		l.Fatal(err)
	}
	return was[e.Event.GetPatientKey()] || slices.ContainsFunc(facts, func(f record.Fact) bool { return was[f.MergedKey] })
}

func (l *letter) facts(known []view.StoredEvent) []record.Fact {
	facts, err := view.Facts(known)
	if err != nil {
		l.Fatal(err)
	}
	return facts
}

func (l *letter) groups(known []view.StoredEvent) (*record.Identities, map[string]bool) {
	var merges []record.Fact
	groups := map[string]bool{}
	for _, f := range l.facts(known) {
		if f.MergedKey != "" || f.Amends() {
			merges = append(merges, f)
		}
	}
	items := slices.DeleteFunc(record.Effective(merges), func(it record.Item) bool { return it.MergedKey == "" })
	ids := record.Resolve(items)
	for _, f := range l.facts(known) {
		if f.PatientKey != "" {
			groups[ids.Survivor(f.PatientKey)] = true
		}
		if f.MergedKey != "" {
			groups[ids.Survivor(f.MergedKey)] = true
		}
	}
	return ids, groups
}

func (l *letter) zone(facility string) *time.Location { return l.zones[facility] }

// here reports whether a patient is at the facility.
func (l *letter) here(known []view.StoredEvent, keys []string, now time.Time) bool {
	facts := slices.DeleteFunc(l.facts(known), func(f record.Fact) bool { return !slices.Contains(keys, f.PatientKey) })
	items := record.AtNoon(record.Effective(facts), l.zone)
	if m := stay.Read(items, l.zone, time.Time{}).At(now); m.Open && m.Facility == l.own {
		return true
	}
	today := zone.DayOf(now, l.zone(l.own))
	return slices.ContainsFunc(items, func(it record.Item) bool {
		care := it.Kind == "session_started" || it.Kind == record.KindNeedleInserted || it.BodyKind() == "session_started" ||
			it.BodyKind() == record.KindNeedleInserted
		return !it.Void && care && it.Facility == l.own && zone.DayOf(it.At, l.zone(l.own)) >= today
	})
}

// amendments adds what corrects or voids what may be read, until nothing is missing.
func (l *letter) amendments(known []view.StoredEvent, ids *record.Identities, out map[string]bool) {
	facts := l.facts(known)
	for more := true; more; {
		more = false
		for i := range facts {
			f := &facts[i]
			reverses := f.Kind == record.KindMergeReversed
			if f.PatientKey == "" || !f.Amends() && !reverses || out[f.ID] {
				continue
			}
			named := out[f.Target]
			for j := range facts {
				s := &facts[j]
				named = named || reverses && s.Kind == record.KindPatientsMerged && s.PatientKey == f.PatientKey &&
					s.MergedKey == f.MergedKey && out[s.ID]
				named = named || f.TargetSession != "" && s.HasSession() && record.SessionKey(s.SessionSystem, s.SessionValue) == f.TargetSession &&
					ids.Survivor(s.PatientKey) == ids.Survivor(f.PatientKey) && out[s.ID]
			}
			if named {
				out[f.ID], more = true, true
			}
		}
	}
}

// Histories of moves, guests, merges, reversals, corrections and voids: the extract holds what its letter says, and
// nothing that a reader can ask for shows more.
func TestAnExtractHoldsWhatItsLetterSays(t *testing.T) {
	t.Parallel()
	for seed := range tier.Of[uint64](6, 24) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			u := newUnits(t)
			u.live(rand.New(rand.NewPCG(seed, 14)), tier.Of(50, 90))
			u.settled()
			events := u.logged()
			zones := map[string]*time.Location{north: u.app.Projector().Zone(north), south: u.app.Projector().Zone(south)}
			for who, own := range map[string]string{"north": north, "south": south} {
				l := &letter{T: t, own: own, events: events, zones: zones}
				may := l.may()
				u.compare(who, own, events, may)
			}
		})
	}
}

// logged lists the events that the view of the whole log has.
func (u *units) logged() (out []view.StoredEvent) {
	err := u.app.Store().Held(u.Context(), func(h view.Held) (err error) {
		out, err = h.After(0, 1<<20)
		return err
	})
	if err != nil {
		u.Fatal(err)
	}
	return out
}

// compare holds the extract's own view, and what a reader gets, against what may be read.
func (u *units) compare(who, own string, events []view.StoredEvent, may map[string]bool) {
	u.Helper()
	has := map[string]bool{}
	for _, e := range u.extracted(own) {
		for i, f := range e.Event.GetFacts() {
			if e.Event.GetPatientKey() != "" && f.GetWithheld() == nil {
				has[record.FactID(e.Event.GetId(), i)] = true
			}
		}
	}
	text := u.everything(who)
	export := u.exported(who)
	if n := strings.Count(export, "\n"); n == 0 && len(may) > 0 {
		u.Errorf("%s: the export is empty", who)
	}
	text += export + u.otherWays(who, own)
	u.hides(who, text, events, may)
	for _, e := range events {
		some := false
		for i, f := range e.Event.GetFacts() {
			id := record.FactID(e.Event.GetId(), i)
			if e.Event.GetPatientKey() == "" {
				continue
			}
			some = some || may[id]
			if has[id] != may[id] {
				u.Errorf("%s: fact %d of entry %d, %s at %s (%T): in the extract %t, by the letter %t", who, i, e.Seq, e.Event.GetSourceMessageId(),
					e.Event.GetFacility(), f.GetFact(), has[id], may[id])
			}
		}
		if e.Event.GetPatientKey() != "" && !some && strings.Contains(text, e.Event.GetSourceMessageId()) {
			u.Errorf("%s reads of entry %d, %s at %s", who, e.Seq, e.Event.GetSourceMessageId(), e.Event.GetFacility())
		}
	}
	if own == north && strings.Contains(text, "shift-"+south) || own == south && strings.Contains(text, "shift-"+north) {
		u.Errorf("%s reads the other unit's shifts", who)
	}
	u.sameAsWhole(who, own)
}

// hides says where a text shows a patient, a session or a member of staff of whom nothing may be read.
func (u *units) hides(who, text string, events []view.StoredEvent, may map[string]bool) {
	u.Helper()
	seen, hidden := map[string]bool{}, map[string]bool{}
	for _, e := range events {
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err != nil {
			u.Fatal(err)
		}
		for i := range facts {
			f := &facts[i]
			names := []string{f.PatientKey, f.MergedKey}
			if f.HasSession() {
				names = append(names, f.SessionValue)
			}
			for _, name := range names {
				if seen[name] = seen[name] || may[f.ID] || name == ""; !seen[name] {
					hidden[name] = true
				}
			}
		}
	}
	n := 0
	for name := range hidden {
		if seen[name] {
			continue
		}
		n++
		if strings.Contains(text, name) {
			u.Errorf("%s reads of %s", who, name)
		}
	}
	u.Logf("%s: of %d patients and sessions nothing is read", who, n)
}

// extracted reads the events of the extract's view.
func (u *units) extracted(own string) (out []view.StoredEvent) {
	dir := filepath.Join(filepath.Dir(u.app.Store().Path()), "extract-"+extract.ID([]string{own}))
	c, err := view.Open(u.Context(), dir)
	if err != nil {
		u.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	if err := c.Held(u.Context(), func(h view.Held) (err error) {
		out, err = h.After(0, 1<<20)
		return err
	}); err != nil {
		u.Fatal(err)
	}
	return out
}

// sameAsWhole holds the resources of patients who are at a facility against those that a reader of everything gets.
func (u *units) sameAsWhole(who, own string) {
	u.Helper()
	n := 0
	for _, p := range []string{"P-1", "P-2", "P-3", "P-4", "P-5", "P-6"} {
		path := "/card?identifier=https://hospital.example/patient-number|" + p
		code, text := u.get(who, path)
		if code != http.StatusOK || strings.Contains(text, `"partial":true`) {
			continue
		}
		_, all := u.get("whole", path)
		a, b := u.values(text), u.values(all)
		for _, m := range []map[string]any{a, b} {
			delete(m, "knownAt")
			delete(m, "asOf")
		}
		if !reflect.DeepEqual(a, b) {
			u.Errorf("%s: the card of %s differs\n%s\n%s", who, p, text, all)
		}
		patient, _ := a["patient"].(map[string]any)
		key, _ := patient["id"].(string)
		one, other := u.resources(who, key), u.resources("whole", key)
		if !reflect.DeepEqual(one, other) {
			for _, k := range slices.Sorted(maps.Keys(other)) {
				if !reflect.DeepEqual(one[k], other[k]) {
					a, _ := one[k].(map[string]any)
					b, _ := other[k].(map[string]any)
					for field := range b {
						if !reflect.DeepEqual(a[field], b[field]) {
							u.Errorf("%s: %s of %s at %s: %s\n%v\nwhole\n%v", who, k, p, own, field, a[field], b[field])
						}
					}
				}
			}
			for k := range one {
				if other[k] == nil {
					u.Errorf("%s: %s of %s is in no other view", who, k, p)
				}
			}
		}
		n += len(one)
	}
	u.Logf("%s: %d resources as in the whole view", who, n)
}

// resources are the clinical resources of a patient without their versions.
func (u *units) resources(who, key string) map[string]any {
	u.Helper()
	out := map[string]any{}
	for path := "/fhir/Patient/" + key + "/$everything?_count=500"; path != ""; {
		code, body := u.get(who, path)
		if code != http.StatusOK {
			u.Fatalf("%s: %d %.300s", path, code, body)
		}
		entries, _ := u.values(body)["entry"].([]any)
		for _, e := range entries {
			r, _ := e.(map[string]any)["resource"].(map[string]any)
			delete(r, "meta")
			delete(r, "issued") // when the view came to say so
			if status := r["status"]; status == "cancelled" || status == "entered-in-error" {
				continue // which findings once stood depends on the order in which facts became known
			}
			switch r["resourceType"] {
			case "Provenance", "Practitioner", "Organization", "Location":
				continue
			}
			out[fmt.Sprint(r["resourceType"], "/", r["id"])] = r
		}
		path = u.next(body)
	}
	return out
}

func (u *units) values(text string) map[string]any {
	u.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		u.Fatalf("%v in %.200s", err, text)
	}
	return m
}

// live draws a history of six patients at two units.
func (u *units) live(r *rand.Rand, steps int) {
	u.Helper()
	var ids []string
	patients := []string{"P-1", "P-2", "P-3", "P-4", "P-5", "P-6"}
	merged := map[string]string{}
	sessions := map[string][]string{}
	for range steps {
		n := r.IntN(len(patients))
		p, f := patients[n], []string{north, south}[n%2]
		if r.IntN(8) == 0 { // elsewhere than at home
			f = []string{south, north}[n%2]
		}
		now := u.clock.Now()
		staff := fmt.Sprintf("%s-%d", f, r.IntN(3))
		add := func(id string) { ids = append(ids, id+" "+p) }
		switch k := r.IntN(20); {
		case k < 4:
			add(u.send(f, p, "", now, admitted()))
		case k < 6:
			add(u.send(f, p, "", now, left()))
		case k < 11:
			s := fmt.Sprintf("T-%d-end", u.sent)
			sessions[p] = append(sessions[p], s)
			add(u.send(f, p, s, now, started(), needle(staff)))
		case k == 11:
			u.facility(f, rated(fmt.Sprintf("%s-%d", f, r.IntN(3))), rated(fmt.Sprintf("%s-%d", f, r.IntN(3))))
		case k == 12:
			add(u.send(f, p, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Track: "A1",
				PlacedBy: testkit.Staff(staff), Reason: "Invented swelling"}}}))
		case k == 13 && len(ids) > 0:
			id, about, _ := strings.Cut(ids[r.IntN(len(ids))], " ")
			ids = append(ids, u.send(f, about, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{
				Fact: &v1.FactReference{Source: "lead", SourceMessageId: id}, Reason: "Wrong"}}}, needle(staff))+" "+about)
		case k == 14 && len(sessions[p]) > 0:
			u.send(f, p, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{
				Session: testkit.Session(sessions[p][r.IntN(len(sessions[p]))]), Reason: "Opened by mistake"}}})
		case k == 15:
			other := patients[r.IntN(len(patients))]
			if other != p && merged[p] == "" && merged[other] == "" {
				merged[other] = p
				u.send(f, p, "", now, &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{
					Retired: testkit.Patient(other)}}})
			}
		case k == 16:
			for _, other := range slices.Sorted(maps.Keys(merged)) {
				u.send(f, merged[other], "", now, &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{
					Retired: testkit.Patient(other)}}})
				delete(merged, other)
				break
			}
		default:
			u.nextDay()
		}
	}
}
