package deploycheck

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"maps"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// metric is a row of deploy/metrics.md.
type metric struct {
	kind   string
	labels []string
}

func documented(t *testing.T) map[string]metric {
	t.Helper()
	out := map[string]metric{}
	for _, body := range read(t, "metrics.md") {
		for _, line := range strings.Split(body, "\n") {
			cells := strings.Split(line, " | ")
			name, ok := strings.CutPrefix(cells[0], "| `cannulary_")
			if !ok {
				continue
			}
			m := metric{kind: cells[1]}
			if cells[2] != "–" {
				m.labels = strings.Split(cells[2], ", ")
			}
			slices.Sort(m.labels)
			out["cannulary_"+strings.TrimSuffix(name, "`")] = m
		}
	}
	if len(out) < 20 {
		t.Fatalf("only %d metrics are read from deploy/metrics.md", len(out))
	}
	return out
}

// now is after the simulated period; the charts begin a month before.
func now() time.Time { return time.Date(2025, 4, 2, 9, 0, 0, 0, time.UTC) }

// TestThePageOfMetricsIsTheService starts the service, lets an invented unit have tracks,
// holds, infections and a standing signal, and compares its /metrics with the page: every
// name, type and label, in both directions.
func TestThePageOfMetricsIsTheService(t *testing.T) {
	text := scrape(t, app.Config{WatchCertificates: []string{certificate(t)}}, feed(t))
	exported := map[string]metric{}
	for _, line := range strings.Split(text, "\n") {
		if f := strings.Fields(line); len(f) == 4 && f[1] == "TYPE" && strings.HasPrefix(f[2], "cannulary_") {
			exported[f[2]] = metric{kind: f[3]}
		}
	}
	labels := regexp.MustCompile(`(?m)^(cannulary_[a-z0-9_]+)(?:\{(.*)\})? \S+$`)
	for _, m := range labels.FindAllStringSubmatch(text, -1) {
		var names []string
		for _, l := range regexp.MustCompile(`(\w+)="`).FindAllStringSubmatch(m[2], -1) {
			names = append(names, l[1])
		}
		slices.Sort(names)
		exported[m[1]] = metric{exported[m[1]].kind, names}
	}
	want := documented(t)
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if got, ok := exported[name]; !ok {
			t.Errorf("%s stands on deploy/metrics.md and is not exported", name)
		} else if got.kind != want[name].kind || !slices.Equal(got.labels, want[name].labels) {
			t.Errorf("%s is a %s by %v; deploy/metrics.md says a %s by %v", name, got.kind, got.labels, want[name].kind, want[name].labels)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(exported)) {
		if _, ok := want[name]; !ok {
			t.Errorf("%s is exported and does not stand on deploy/metrics.md", name)
		}
	}
	// The rules tell a rebuild from an end by these two: they are there with an empty record's
	// figures too.
	for _, line := range []string{`cannulary_facility_sessions_due{facility="`, "cannulary_quarantined_events 0",
		`cannulary_infection_signal{class="access-related",facility="` + unit(t) + `",technique="constant-site"} 1`} {
		if !strings.Contains(text, line) {
			t.Errorf("/metrics has no %s", line)
		}
	}
}

// Without anything on record nothing alarms and nothing of a view seems absent.
func TestAnEmptyServiceExportsItsOwnFigures(t *testing.T) {
	text := scrape(t, app.Config{}, nil)
	for _, line := range []string{"\ncannulary_quarantined_events 0\n", "\ncannulary_projector_failed{projector=\"view\"} 0\n",
		"\ncannulary_projector_lag_events{projector=\"view\"} 0\n", "\ncannulary_log_server_warnings_total 0\n"} {
		if !strings.Contains(text, line) {
			t.Errorf("/metrics of an empty service has no %q", line)
		}
	}
	if strings.Contains(text, `facility="`) {
		t.Error("an empty service knows a facility")
	}
}

// scrape runs the whole application with the messages and gives its /metrics once all are
// in view.
func scrape(t *testing.T, cfg app.Config, messages []*v1.FeedRequest) string {
	t.Helper()
	cfg.Dir, cfg.Ingest, cfg.View, cfg.GRPC, cfg.HTTP, cfg.Now, cfg.Slog = t.TempDir(), true, true, "127.0.0.1:0", "127.0.0.1:0",
		now, testkit.Discard()
	a, err := app.New(testkit.Context(t), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	client := testkit.Dial(t, a.GRPCAddr())
	for _, m := range messages {
		if _, err := client.Send(testkit.Context(t), m); err != nil {
			t.Fatalf("%v: %v", testkit.Envelope(m).GetSourceMessageId(), err)
		}
	}
	if len(messages) > 0 { // the figures of refusals begin with the first
		bad := proto.Clone(messages[len(messages)-1]).(*v1.FeedRequest)
		testkit.Envelope(bad).SourceMessageId, testkit.Envelope(bad).OccurredAt = "refused", nil
		if _, err := client.Send(testkit.Context(t), bad); err == nil {
			t.Fatal("a message without a time was taken")
		}
	}
	// The service itself notes, within a second, that the facility's day has begun; before,
	// nothing of surveillance is counted.
	testkit.Eventually(t, "all is in view, and the day has begun", func() bool {
		counts, err := a.Store().Counts(testkit.Context(t))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range counts.Facilities {
			if f.Day == "" {
				return false
			}
		}
		return len(counts.Facilities) == min(1, len(messages)) && a.Projector().Sequence() == testkit.LastSeq(t, a.Log())
	})
	res, err := http.Get("http://" + a.HTTPAddr() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("GET /metrics: %d, %v", res.StatusCode, err)
	}
	return string(body)
}

func scenario() simulate.Scenario {
	s := simulate.Default()
	s.Patients, s.Months, s.Until = 6, 1, time.Date(2025, 3, 31, 0, 0, 0, 0, time.UTC)
	return s
}

// unit is the code of the simulated unit.
func unit(t *testing.T) string {
	t.Helper()
	code := ""
	if err := simulate.Generate(scenario(), func(m *v1.FeedRequest) error {
		code = testkit.Envelope(m).GetFacility()
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return code
}

// feed is a simulated unit, then two thresholds, and enough infections of one constant-site
// patient each to reach them.
func feed(t *testing.T) []*v1.FeedRequest {
	t.Helper()
	var out []*v1.FeedRequest
	if err := simulate.Generate(scenario(), func(m *v1.FeedRequest) error { out = append(out, m); return nil }); err != nil {
		t.Fatal(err)
	}
	envelope := func(id, at string) *v1.Envelope {
		return &v1.Envelope{Source: "engine-deploycheck", SourceMessageId: id, Facility: unit(t), OccurredAt: testkit.At(at),
			Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Recorder: testkit.Staff("S-900")}
	}
	for i, class := range []v1.InfectionClass{v1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM,
		v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM} {
		out = append(out, testkit.Request(envelope(fmt.Sprintf("threshold-%d", i), "2025-03-01T08:00:00Z"),
			&v1.RosterFact{Fact: &v1.RosterFact_SurveillanceThresholdSet{SurveillanceThresholdSet: &v1.SurveillanceThresholdSet{
				Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE, InfectionClass: class, ReferencePer_100PatientMonths: 0.26,
				RateRatio: 3, Threshold: 2, InControlMonths: 120, SetBy: testkit.Staff("S-900"),
			}}}))
	}
	for i := range 3 {
		about := func(id, at string) *v1.Envelope {
			e := envelope(fmt.Sprintf("%s-%d", id, i), at)
			e.Patient = testkit.Patient(fmt.Sprintf("INV-9%d", i))
			return e
		}
		out = append(out,
			testkit.Request(about("admitted", "2025-03-02T08:00:00Z"),
				&v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}},
				&v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1",
					Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT,
					Region: v1.AccessRegion_ACCESS_REGION_FOREARM}}}),
			testkit.Request(about("taken-over", "2025-03-02T08:05:00Z"),
				&v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
					Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED,
					DeclaredBy: testkit.Staff("S-900"), Evidence: "Invented"}}}),
			testkit.Request(about("culture", "2025-03-20T08:00:00Z"),
				&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: &v1.CultureResulted{
					CollectedAt: testkit.At("2025-03-18T08:00:00Z"), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
					Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
					Setting:  v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
					Organisms: []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS}}}}}))
	}
	mistake := envelope("void", "2025-03-21T08:00:00Z")
	mistake.Patient = testkit.Patient("INV-90")
	return append(out, testkit.Request(mistake, &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactVoided{FactVoided: &v1.FactVoided{
		Fact: &v1.FactReference{SourceMessageId: "never sent"}, Reason: "Invented"}}}))
}

// certificate writes a certificate of its own.
func certificate(t *testing.T) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: now(), NotAfter: now().AddDate(1, 0, 0)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "gateway.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}
