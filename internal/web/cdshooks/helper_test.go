package cdshooks_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/card"
	"cannulary/internal/chairside"
	"cannulary/internal/intake"
	"cannulary/internal/projector"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	"cannulary/internal/web/cdshooks"
	v1 "cannulary/proto/cannulary/v1"
)

// Systems of the invented unit.
const (
	mrn      = "https://unit.example/mrn"      // messages are posted under it
	national = "https://national.example/id"   // stated
	other    = "https://elsewhere.example/mrn" // of a clinic that the unit does not know
)

// unit is an instance with a log, a view and the service, all real.
type unit struct {
	tb        testing.TB
	node      *testkit.Node
	cards     *chairside.Service
	projector *projector.Projector
	lagging   bool
}

// open starts the unit with its messages; before runs when they are in the log and the view
// has not begun to read it.
func open(tb testing.TB, before ...func(*unit)) *unit {
	tb.Helper()
	u := &unit{tb: tb, node: testkit.Start(tb, testkit.Options{})}
	for _, m := range messages() {
		msg, ok := intake.FromFeed(m)
		if !ok {
			tb.Fatal("a message of no service")
		}
		if _, err := u.node.Intake.Record(testkit.Context(tb), msg); err != nil {
			tb.Fatal(err)
		}
	}
	for _, f := range before {
		f(u)
	}
	store, err := view.Open(context.Background(), filepath.Join(u.node.Dir, "view"))
	if err != nil {
		tb.Fatal(err)
	}
	store.Opens(u.node.Ring)
	p, err := projector.New(context.Background(), projector.Config{Log: u.node.Log, Store: store, Opener: u.node.Ring, Slog: testkit.Discard()})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("projector: %v", err)
		}
		_ = store.Close()
	})
	u.projector = p
	u.cards = &chairside.Service{Store: store, State: p, Ring: u.node.Ring, Now: u.node.Clock.Now, Lagging: func() bool { return u.lagging }}
	u.settle()
	return u
}

func (u *unit) settle() {
	u.tb.Helper()
	if err := u.projector.WaitFor(testkit.Context(u.tb), u.node.LastSeq(u.tb)); err != nil {
		u.tb.Fatal(err)
	}
}

// messages tell of the invented unit: P-1 has an established track, P-2 one that a person
// holds, P-3 no track, P-4 was merged into P-1, P-5 states the national number of P-3.
func messages() []*v1.FeedRequest {
	n := 0
	at := func(patient string, hour int, fact proto.Message) *v1.FeedRequest {
		n++
		e := &v1.Envelope{Source: "engine-test", SourceMessageId: fmt.Sprint("cds-", n), Facility: testkit.Facility, Precision: v1.TimePrecision_TIME_PRECISION_MINUTE,
			OccurredAt: timestamppb.New(time.Date(2025, 3, 1, hour, 0, 0, 0, time.UTC)), Patient: &v1.PatientIdentifier{System: mrn, Value: patient}}
		return testkit.Request(e, fact)
	}
	states := func(patient, number string) *v1.FeedRequest {
		return at(patient, 7, &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{FamilyName: "Zelthozumbrox", GivenNames: patient, BirthDate: "1950-01-02",
			Identifiers: []*v1.PatientIdentifier{{System: national, Value: number}}}}})
	}
	takes := func(patient string) *v1.FeedRequest {
		return at(patient, 8, &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
			Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, AngleDegrees: proto.Float64(25), Creator: testkit.Staff("CN-01"), DeclaredBy: testkit.Staff("CN-01"), Evidence: "the paper log"}}})
	}
	return []*v1.FeedRequest{
		states("P-1", "N-1"), takes("P-1"),
		states("P-2", "N-2"), takes("P-2"),
		at("P-2", 9, &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Track: "A1", PlacedBy: testkit.Staff("DR-07"), Reason: "Sore <b>skin</b> [x](http://evil.example)"}}}),
		states("P-3", "N-3"),
		states("P-4", "N-4"),
		at("P-1", 10, &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: &v1.PatientIdentifier{System: mrn, Value: "P-4"}}}}),
		states("P-5", "N-3"),
	}
}

func id(system, value string) card.Identifier { return card.Identifier{System: system, Value: value} }

func (u *unit) handler(change ...func(*cdshooks.Config)) *cdshooks.Handler {
	u.tb.Helper()
	cfg := cdshooks.Config{Cards: u.cards, Site: site, Log: testkit.Discard()}
	for _, f := range change {
		f(&cfg)
	}
	h, err := cdshooks.New(cfg)
	if err != nil {
		u.tb.Fatal(err)
	}
	return h
}

// service is the address of the service.
const service = cdshooks.Path + "/" + cdshooks.ID

// request is a call as an EHR makes it.
func request(method, path, body string, head ...string) *http.Request {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/json")
	}
	r.Header.Set("Accept", "application/json")
	for i := 0; i < len(head); i += 2 {
		if head[i+1] == "" {
			r.Header.Del(head[i])
		} else {
			r.Header.Set(head[i], head[i+1])
		}
	}
	return r
}

func do(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// answered reads the cards of an answer.
func answered(tb testing.TB, status int, body string) []cdshooks.Card {
	tb.Helper()
	var out struct{ Cards []cdshooks.Card }
	if status != http.StatusOK {
		tb.Fatalf("%d %s", status, body)
	}
	if err := json.Unmarshal([]byte(body), &out); err != nil {
		tb.Fatalf("%v: %s", err, body)
	}
	return out.Cards
}

// outcome reads an OperationOutcome of one error.
type issue struct {
	Severity, Code, Diagnostics string
	Expression                  []string
}

func outcome(tb testing.TB, w *httptest.ResponseRecorder) issue {
	tb.Helper()
	var o struct {
		ResourceType string
		Issue        []issue
	}
	if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) != 1 || o.Issue[0].Severity != "error" || o.Issue[0].Diagnostics == "" {
		tb.Fatalf("no OperationOutcome of one error: %d %s", w.Code, w.Body)
	}
	if got := w.Header().Get("Content-Type"); got != "application/fhir+json; charset=utf-8" {
		tb.Errorf("an OperationOutcome of type %q", got)
	}
	return o.Issue[0]
}
