package web_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/chairside"
	"cannulary/internal/dossier"
	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/keyring"
	"cannulary/internal/projector"
	"cannulary/internal/simulate"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

// unit is an instance with a log, a view and the pages, all real.
type unit struct {
	t         testing.TB
	log       *eventlog.Log
	in        *intake.Intake
	store     *view.Store
	cards     *chairside.Service
	projector *projector.Projector
	ring      *keyring.Ring
	cfg       web.Config
	handler   http.Handler
	sent      int

	mu      sync.Mutex
	lagging bool
	broken  error
}

const logBytes = 1 << 30

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// open starts an empty unit.
func open(t testing.TB) *unit {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	dir := t.TempDir()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	u := &unit{t: t}
	server := must[*eventlog.Server](t)(eventlog.StartServer(filepath.Join(dir, "log"), logBytes, quiet))
	nc, err := server.Connect()
	if err != nil {
		t.Fatal(err)
	}
	keys := must[keyring.Store](t)(keyring.OpenFolder(ctx, filepath.Join(dir, "keys")))
	u.ring = must[*keyring.Ring](t)(keyring.Open(ctx, keys))
	u.log = must[*eventlog.Log](t)(eventlog.Open(ctx, nc, eventlog.Config{Shard: "main", MaxBytes: logBytes, Replicas: 1, Fingerprint: u.ring.Fingerprint(), Now: time.Now}))
	u.in = must[*intake.Intake](t)(intake.New(ctx, intake.Config{Log: u.log, Ring: u.ring, Dir: filepath.Join(dir, "ingest"), Now: time.Now, Slog: quiet, Outcome: func(string, string) {}}))
	u.store = must[*view.Store](t)(view.Open(ctx, filepath.Join(dir, "view")))
	u.store.Opens(u.ring)
	u.projector = must[*projector.Projector](t)(projector.New(ctx, projector.Config{Log: u.log, Store: u.store, Opener: u.ring, Slog: quiet}))
	ended := make(chan error, 1)
	go func() { ended <- u.projector.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("projector: %v", err)
		}
		for _, c := range []io.Closer{u.in, u.store, u.ring} {
			if err := c.Close(); err != nil {
				t.Error(err)
			}
		}
		nc.Close()
		server.Stop()
	})
	if err := u.in.Ready(ctx); err != nil {
		t.Fatal(err)
	}
	u.cards = &chairside.Service{Store: u.store, State: u.projector, Ring: u.ring, Now: time.Now, Lagging: u.isLagging}
	u.cfg = web.Config{Cards: u.cards, Store: u.store, Now: time.Now, Log: quiet, Status: func(ctx context.Context) (web.Status, error) {
		st, err := u.log.State(ctx)
		if err == nil {
			err = u.failure()
		}
		return web.Status{LogSequence: st.LastSeq, ViewSequence: u.projector.Sequence(), Lagging: u.isLagging()}, err
	}, Watch: func(ctx context.Context) ([]*surveil.Watch, error) {
		return dossier.Facilities(ctx, u.store, u.projector)
	}, Moved: func(ctx context.Context, from uint64) (uint64, error) {
		err := u.projector.WaitFor(ctx, from+1)
		return u.projector.Sequence(), err
	}}
	u.handler = web.Pages(u.cfg)
	return u
}

func (u *unit) isLagging() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.lagging
}

func (u *unit) failure() error {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.broken
}

func (u *unit) set(lagging bool, broken error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.lagging, u.broken = lagging, broken
}

func (u *unit) post(m intake.Message) {
	u.t.Helper()
	if _, err := u.in.Record(testkit.ByEverybody(), m); err != nil {
		u.t.Fatal(err)
	}
}

// settle waits until the view has followed the log to its end.
func (u *unit) settle() {
	u.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	st, err := u.log.State(ctx)
	if err != nil {
		u.t.Fatal(err)
	}
	if err := u.projector.WaitFor(ctx, st.LastSeq); err != nil {
		u.t.Fatal(err)
	}
}

// scenario is a small invented unit whose two months lie in the past.
func scenario() simulate.Scenario {
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 1, 8, 2
	s.Until = time.Date(2026, time.October, 31, 0, 0, 0, 0, time.UTC)
	return s
}

// play posts a scenario.
func (u *unit) play(s simulate.Scenario) {
	u.t.Helper()
	err := simulate.Generate(s, func(r *v1.FeedRequest) error {
		m, ok := intake.FromFeed(r)
		if !ok {
			return fmt.Errorf("a message of no service")
		}
		_, err := u.in.Record(testkit.ByEverybody(), m)
		return err
	})
	if err != nil {
		u.t.Fatal(err)
	}
	u.settle()
}

// Codes of the unit that tests write by hand.
const (
	facility = "test-unit"
	system   = "https://cannulary.example/mrn"
)

// at is some days ago at 09:00 UTC.
func at(daysAgo int) time.Time {
	return time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -daysAgo).Add(9 * time.Hour)
}

func (u *unit) envelope(patient string, when time.Time) *v1.Envelope {
	u.sent++
	e := &v1.Envelope{Source: "engine-test", SourceMessageId: fmt.Sprint(u.sent), Facility: facility, OccurredAt: timestamppb.New(when), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE}
	if patient != "" {
		e.Patient = &v1.PatientIdentifier{System: system, Value: patient}
	}
	return e
}

func (u *unit) roster(patient string, when time.Time, facts ...*v1.RosterFact) {
	u.t.Helper()
	u.post(intake.FromRoster(&v1.RecordRosterRequest{Envelope: u.envelope(patient, when), Facts: facts}))
}

func (u *unit) cannulation(patient string, when time.Time, facts ...*v1.CannulationFact) {
	u.t.Helper()
	u.post(intake.FromCannulation(&v1.RecordCannulationRequest{Envelope: u.envelope(patient, when), Facts: facts}))
}

func (u *unit) register(zone string) {
	u.t.Helper()
	u.roster("", at(100), &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{
		Name: "Invented unit", TimeZone: zone, DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY},
	}}})
}

func (u *unit) identity(patient, family, given, birth string) {
	u.t.Helper()
	u.roster(patient, at(90), &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{{System: system, Value: patient}}, FamilyName: family, GivenNames: given, BirthDate: birth,
	}}})
}

// sharp records a session with one easy sharp insertion.
func (u *unit) sharp(patient, track string, when time.Time) {
	u.t.Helper()
	angle, passes := 25.0, uint32(1)
	u.cannulation(patient, when, &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{
		Track: track, Access: "fistula", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP,
		AngleDegrees: &angle, Passes: &passes, Resistance: v1.Resistance_RESISTANCE_NONE, SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO,
		Cannulator: staff("nurse-1"), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}}})
}

// takeOver declares an arterial track of a stage, lately enough to be no track that is unused for
// long (21 days; ours).
func (u *unit) takeOver(patient, track string, stage v1.TrackStage) {
	u.t.Helper()
	u.takeOverAs(patient, track, v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, stage)
}

func (u *unit) takeOverAs(patient, track string, role v1.NeedleRole, stage v1.TrackStage) {
	u.t.Helper()
	angle := 25.0
	u.cannulation(patient, at(20), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
		Track: track, Access: "fistula", Role: role, Stage: stage,
		AngleDegrees: &angle, Creator: staff("nurse-1"), DeclaredBy: staff("nurse-1"), Evidence: "the paper log",
	}}})
}

func (u *unit) hold(patient, track, reason string, when time.Time) {
	u.t.Helper()
	u.cannulation(patient, when, &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{
		Track: track, PlacedBy: staff("nurse-1"), Reason: reason,
	}}})
}

func staff(id string) *v1.StaffIdentifier {
	return &v1.StaffIdentifier{System: "https://cannulary.example/staff", Value: id}
}

// answer is what the handler answered.
type answer struct {
	status int
	head   http.Header
	body   string
}

func (u *unit) get(target string, accept ...string) answer {
	u.t.Helper()
	return u.do(http.MethodGet, target, accept...)
}

func (u *unit) do(method, target string, accept ...string) answer {
	u.t.Helper()
	r := httptest.NewRequest(method, target, nil)
	if len(accept) > 0 {
		r.Header.Set("Accept", strings.Join(accept, ", "))
	}
	w := httptest.NewRecorder()
	u.handler.ServeHTTP(w, r)
	return answer{w.Code, w.Header(), w.Body.String()}
}

func newRecorder() *httptest.ResponseRecorder { return httptest.NewRecorder() }

// keyOfOne is the key of patient P-1.
func keyOfOne(t testing.TB, u *unit) string {
	t.Helper()
	return u.ring.PatientKey(system, "P-1")
}

func (u *unit) rosterIn(e *v1.Envelope, facts ...*v1.RosterFact) {
	u.t.Helper()
	u.post(intake.FromRoster(&v1.RecordRosterRequest{Envelope: e, Facts: facts}))
}

// units gathers units anew, with nothing judged yet.
func (u *unit) units() *chairside.Units { return &chairside.Units{Cards: u.cards} }
