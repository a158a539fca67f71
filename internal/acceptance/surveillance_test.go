package acceptance_test

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/app"
	"cannulary/internal/dossier"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	v1 "cannulary/proto/cannulary/v1"
)

// ward is an invented unit in a running application whose days the test begins.
type ward struct {
	*instance
	clock  *testkit.Clock
	client *testkit.Client
	n      int
}

const wardName = "invented-ward"

// openWard registers a unit of so many constant-site patients, there since 1 February 2025,
// on a day.
func openWard(t *testing.T, patients int, today string) *ward {
	t.Helper()
	w := &ward{clock: testkit.NewClock(testkit.At(today + "T06:00:00Z").AsTime())}
	w.instance = start(t, filepath.Join(t.TempDir(), "ward"), func(c *app.Config) { c.Now = w.clock.Now })
	w.client = testkit.Dial(t, w.app.GRPCAddr())
	w.roster("2025-01-01", "", &v1.FacilityRegistered{Name: "Invented ward", TimeZone: "UTC", DialysisDays: []v1.Weekday{1, 2, 3, 4, 5, 6}})
	for i := range patients {
		p := fmt.Sprintf("ward-%d", i)
		w.roster("2025-02-01", p, &v1.PatientAdmitted{}, &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA})
		w.tell("2025-02-01", p, &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
			Track: "T", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, Evidence: "invented", DeclaredBy: testkit.Staff("1")}}})
	}
	w.settle()
	return w
}

// tell posts facts of one service, dated at 05:00 of a day, and gives the message's id.
func (w *ward) tell(day, patient string, facts ...proto.Message) string {
	w.tb.Helper()
	w.n++
	env := &v1.Envelope{Source: testkit.Source, SourceMessageId: fmt.Sprintf("w%d", w.n), Facility: wardName, OccurredAt: testkit.At(day + "T05:00:00Z"), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE}
	if patient != "" {
		env.Patient = testkit.Patient(patient)
	}
	r, err := w.client.Send(patience(w.tb), testkit.Request(env, facts...))
	if err != nil {
		w.tb.Fatal(err)
	}
	if err := w.app.Projector().WaitFor(patience(w.tb), sequence(w.tb, r.Token)); err != nil {
		w.tb.Fatal(err)
	}
	return env.SourceMessageId
}

func (w *ward) roster(day, patient string, bodies ...proto.Message) string {
	w.tb.Helper()
	var facts []proto.Message
	for _, body := range bodies {
		facts = append(facts, wrapped(w.tb, body))
	}
	return w.tell(day, patient, facts...)
}

// wrapped puts a fact into the message of the first service that takes it.
func wrapped(tb testing.TB, body proto.Message) proto.Message {
	tb.Helper()
	for _, m := range []proto.Message{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		r := m.ProtoReflect()
		for i, fields := 0, r.Descriptor().Fields(); i < fields.Len(); i++ {
			if f := fields.Get(i); f.Message().FullName() == body.ProtoReflect().Descriptor().FullName() {
				r.Set(f, protoreflect.ValueOfMessage(body.ProtoReflect()))
				return m
			}
		}
	}
	tb.Fatalf("no service takes %T", body)
	return nil
}

// infected tells of a positive blood culture of a day; its message is dated on another.
func (w *ward) infected(patient int, collected, told string) string {
	w.tb.Helper()
	return w.tell(told, fmt.Sprintf("ward-%d", patient), &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: &v1.CultureResulted{
		CollectedAt: testkit.At(collected + "T04:00:00Z"), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE, Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
		Setting: v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE}}})
}

func (w *ward) threshold(day string, reference, r, h float64) string {
	w.tb.Helper()
	return w.roster(day, "", &v1.SurveillanceThresholdSet{Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE, InfectionClass: v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM,
		ReferencePer_100PatientMonths: reference, RateRatio: r, Threshold: h, InControlMonths: 120, SetBy: testkit.Staff("1")})
}

func (w *ward) acknowledge(day string) string {
	w.tb.Helper()
	return w.roster(day, "", &v1.SurveillanceSignalAcknowledged{Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE, InfectionClass: v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM,
		AcknowledgedBy: testkit.Staff("2"), Reason: "invented: hands, disinfection and scabs were gone through"})
}

// today begins a day.
func (w *ward) today(day string) {
	w.tb.Helper()
	w.clock.Advance(testkit.At(day + "T06:00:00Z").AsTime().Sub(w.clock.Now()))
	w.settle()
}

// chart is the ward's only chart as the view has it.
func (w *ward) chart() surveil.WatchedChart {
	w.tb.Helper()
	var out surveil.WatchedChart
	err := w.app.Store().Reading(patience(w.tb), func(l view.Loader, _ view.Checkpoint) error {
		watch, err := dossier.Facility(l, wardName, time.UTC, surveil.DayOf(w.clock.Now(), time.UTC))
		if err == nil && len(watch.Charts) == 1 {
			out = watch.Charts[0]
		}
		return err
	})
	if err != nil {
		w.tb.Fatal(err)
	}
	return out
}

// surveyed are the tables of surveillance.
func surveyed(tb testing.TB, dir string) tables {
	tb.Helper()
	out := tables{}
	for _, name := range []string{"exposure", "infection", "culture", "raised", "acknowledged", "reported", "restate"} {
		out[name] = query(tb, dir, all[name])
	}
	return out
}

// want checks the sum, how many signals were raised and how many of them stand.
func (w *ward) want(what string, sum float64, raised, standing int) surveil.WatchedChart {
	w.tb.Helper()
	c := w.chart()
	open := 0
	for _, s := range c.Signals {
		if s.Acknowledged == "" {
			open++
		}
	}
	if math.Abs(c.Sum()-sum) > 2e-5 || len(c.Signals) != raised || open != standing {
		w.tb.Errorf("%s: the sum is %v with %d signals of which %d stand, want %v, %d and %d", what, c.Sum(), len(c.Signals), open, sum, raised, standing)
	}
	if n := len(query(w.tb, w.dir, all["raised"])); n != raised {
		w.tb.Errorf("%s: the view has %d signals, want %d", what, n, raised)
	}
	return c
}

// Ten patients and a reference that expects μ = 0.15 a day; R = 3: a day without an event
// adds −0.3, with one 0.79861, with two 1.89722 (computed independently).
func TestASignalFromTheFirstCultureToTheRebuild(t *testing.T) {
	t.Parallel()
	const nothing, one, two, h = -0.3, 0.79861, 1.89722, 1.6
	w := openWard(t, 10, "2025-03-02")
	w.threshold("2025-03-02", 0.15/10*incidence.DaysPerMonth*100, 3, h)
	w.want("a new chart", 0, 0, 0)
	w.today("2025-03-04")
	w.infected(0, "2025-03-04", "2025-03-04")
	w.want("one infection", one, 0, 0)
	second := w.infected(1, "2025-03-04", "2025-03-04")
	c := w.want("two infections", two, 1, 1)
	if s := c.Standing(); s == nil || s.Day.String() != "2025-03-04" || s.Seq != w.last() || math.Abs(s.Sum-two) > 1e-5 {
		t.Errorf("the signal: %+v, want that of entry %d", s, w.last())
	}
	w.today("2025-03-05")
	w.want("another day", two+nothing, 1, 1)
	// Late data lower the sum below the threshold: a raised signal stays.
	w.tell("2025-03-05", "ward-1", &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactVoided{FactVoided: &v1.FactVoided{Fact: testkit.Fact(second, 0), Reason: "invented"}}})
	c = w.want("one of them taken back", one+nothing, 1, 1)
	if c.Crossed != nil {
		t.Errorf("the sum never reached the threshold: %+v", c.Crossed)
	}
	w.today("2025-03-06")
	acknowledgement := w.acknowledge("2025-03-06")
	w.want("acknowledged", one+2*nothing, 1, 0)
	w.today("2025-03-07")
	w.want("the restart at half of the threshold", h/2+nothing, 1, 0)
	// Known at the acknowledgement, it is not counted twice; told afterwards and dated before,
	// it counts on the restart's day.
	w.today("2025-03-08")
	w.infected(2, "2025-03-03", "2025-03-08")
	c = w.want("an infection of before, told late", h/2+one+nothing, 1, 0)
	for _, p := range c.Points {
		if want := map[string]int{"2025-03-04": 1, "2025-03-07": 1}[p.Day.String()]; p.Events != want || p.Restart != (p.Day.String() == "2025-03-07") {
			t.Errorf("%s has %d events (restart %v), want %d", p.Day, p.Events, p.Restart, want)
		}
	}
	w.infected(3, "2025-03-08", "2025-03-08")
	c = w.want("and one of today: a second signal", h/2+one+one, 2, 1)
	if s := c.Standing(); s == nil || s.Day.String() != "2025-03-08" {
		t.Errorf("the second signal: %+v", s)
	}
	// More infections while a signal stands raise no other one.
	w.infected(4, "2025-03-08", "2025-03-08")
	w.want("a third of that day", h/2+one+two, 2, 1)
	// A voided acknowledgement: the first signal stands again, and the chart never restarted.
	withdrawn := w.roster("2025-03-08", "", &v1.FactVoided{Fact: testkit.Fact(acknowledgement, 0), Reason: "invented"})
	w.want("the acknowledgement taken back", running(map[int]int{1: 1, 2: 1, 6: 2}, 7), 2, 2)
	// And taken back in its turn.
	w.roster("2025-03-08", "", &v1.FactVoided{Fact: testkit.Fact(withdrawn, 0), Reason: "invented"})
	w.want("the acknowledgement again", h/2+one+two, 2, 1)
	// A threshold set anew begins at nothing on its day; what stands still stands.
	w.today("2025-03-10")
	w.threshold("2025-03-10", 0.15/10*incidence.DaysPerMonth*100, 3, 5)
	c = w.want("a new threshold", 0, 2, 1)
	if c.Threshold.H != 5 || len(c.Points) != 1 {
		t.Errorf("the new chart: %+v", c)
	}
	w.infected(5, "2025-03-10", "2025-03-10")
	w.want("its first infection", one, 2, 1)
	// The chart before it stays known; what is told only now of its days is not lost.
	if len(c.Former) != 1 || c.Former[0].H != h || c.Former[0].Until.String() != "2025-03-09" || len(c.Former[0].Signals) != 2 {
		t.Errorf("the former chart: %+v", c.Former)
	}
	w.infected(6, "2025-03-05", "2025-03-10")
	w.want("an infection of the former chart's days, told after it", two, 2, 1)
	before := surveyed(t, w.dir)
	w.stop()
	if len(before["raised"]) != 2 || len(before["exposure"]) != 10 || len(before["infection"]) != 6 || len(before["culture"]) != 6 {
		t.Errorf("%d signals, %d stretches of exposure, %d infections, %d cultures", len(before["raised"]), len(before["exposure"]), len(before["infection"]), len(before["culture"]))
	}
	// The first threshold knew of none, the acknowledgement of the one that stood, the second
	// threshold of four.
	var knew []int
	for _, seen := range before["acknowledged"] {
		knew = append(knew, strings.Count(seen, ".0"))
	}
	if slices.Sort(knew); !slices.Equal(knew, []int{0, 1, 4}) {
		t.Errorf("the chart knew of %v infections", knew)
	}
	// The view thrown away comes back with the same signals, of the same entries of the log.
	events := len(query(t, w.dir, all["event"]))
	spoil(t, w.dir)
	rebuild(t, w.dir, events)
	same(t, before, surveyed(t, w.dir))
}

// running is the sum of the chart of ten after so many days, with events on some of them,
// from 0; days count from 0.
func running(events map[int]int, days int) float64 {
	sum := 0.0
	for d := range days {
		sum = max(0, sum-0.3+math.Log(3)*float64(events[d]))
	}
	return sum
}

// An outbreak in a unit of 60 constant-site patients, five times the reference rate of 0.26
// per 100 patient-months (Nguyen and others, CJASN 2017;12:1139), watched by a chart that is
// tuned to a tripled rate with one false alarm in ten years. Expected are 60 × 0.26 / 100 =
// 0.156 events a month, in the outbreak 0.78: one every 30.44 / 0.78 = 39 days, the first
// after half of that. Each event adds ln 3 = 1.0986, the 39 days until the next take 39 × 0.156 / 30.44 × 2 = 0.400. So
// after n events the sum is n × 1.0986 − (n − 1) × 0.400, and the signal comes with the
// least n for which that reaches the threshold of the design.
func TestAnOutbreakIsDetectedWithinTheDelayOfItsDesign(t *testing.T) {
	t.Parallel()
	design, err := incidence.DesignFor(incidence.Setting{PatientMonths: 60, Rate: 0.26}, 3, 120)
	if err != nil {
		t.Fatal(err)
	}
	delay, err := design.RunLength(5)
	if err != nil {
		t.Fatal(err)
	}
	n := 1
	for float64(n)*math.Log(3)-float64(n-1)*39*2*0.156/incidence.DaysPerMonth < design.H {
		n++
	}
	t.Logf("threshold %v; %d events, the last after %d days; the design says %.2f months, %.0f days, on average", design.H, n, 20+39*(n-1), delay.FromZero, delay.FromZero*incidence.DaysPerMonth)
	begun := testkit.At("2025-03-03T00:00:00Z").AsTime()
	on := func(event int) string { return begun.AddDate(0, 0, 20+39*(event-1)).Format(time.DateOnly) }
	w := openWard(t, 60, "2025-03-03")
	w.threshold("2025-03-03", design.Rate, design.R, design.H)
	for event := 1; event <= n; event++ {
		if raised := w.chart().Signals; len(raised) != 0 {
			t.Fatalf("a signal after %d events, want %d: %+v", event-1, n, raised)
		}
		w.today(on(event))
		w.infected(event, on(event), on(event))
	}
	raised := w.chart().Signals
	if len(raised) != 1 || raised[0].Day.String() != on(n) {
		t.Fatalf("signals %+v, want one of %s", raised, on(n))
	}
	took := float64(20 + 39*(n-1))
	if predicted := delay.FromZero * incidence.DaysPerMonth; took > predicted {
		t.Errorf("it took %.0f days, longer than the design's average of %.0f", took, predicted)
	}
}

// A merge into an identity of which nothing was told changes no figure; what is stored
// belongs to the survivor all the same.
func TestExposureBelongsToTheSurvivorOfAMerge(t *testing.T) {
	t.Parallel()
	w := openWard(t, 1, "2025-03-02")
	w.infected(0, "2025-03-02", "2025-03-02")
	stored := func() (keys []string) {
		for _, name := range []string{"exposure", "infection"} {
			for k := range query(t, w.dir, all[name]) {
				keys = append(keys, strings.Fields(k)[0])
			}
		}
		return keys
	}
	before := stored()
	w.roster("2025-03-02", "ward-new", &v1.PatientsMerged{Retired: testkit.Patient("ward-0")})
	after := stored()
	if len(before) != 2 || len(after) != 2 || after[0] == before[0] || after[0] != after[1] {
		t.Errorf("before the merge stored of %v, after it of %v, want two rows of another key", before, after)
	}
	survivor := w.app.Projector().Identities().Survivor(before[0])
	if after[0] != survivor {
		t.Errorf("stored of %s, want the survivor %s", after[0], survivor)
	}
	w.today("2025-03-03")
	w.roster("2025-03-03", "ward-new", &v1.MergeReversed{Retired: testkit.Patient("ward-0")})
	if again := stored(); len(again) != 2 || again[0] != before[0] || again[1] != before[0] {
		t.Errorf("after the reversal stored of %v, want %v", again, before)
	}
}

// The record begins with the earliest treatment that stands: one that was dated wrongly and
// taken back may not leave years behind in which no event could have been recorded.
func TestTheRecordBeginsWithTheEarliestTreatmentThatStands(t *testing.T) {
	t.Parallel()
	w := openWard(t, 1, "2025-05-02")
	treated := func(day string) string {
		return w.tell(day, "ward-0", &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "F"}}},
			&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{Track: "T", Access: "F", AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_BLUNT, Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, Cannulator: testkit.Staff("1")}}})
	}
	begins := func(want string) {
		t.Helper()
		err := w.app.Store().Reading(patience(t), func(l view.Loader, _ view.Checkpoint) error {
			watch, err := dossier.Facility(l, wardName, time.UTC, surveil.DayOf(w.clock.Now(), time.UTC))
			if err == nil && watch.Since.String() != want {
				t.Errorf("the record begins on %s, want %s", watch.Since, want)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	treated("2025-03-10")
	begins("2025-03-10")
	wrong := treated("2024-01-05")
	begins("2024-01-05")
	treated("2025-03-03")
	begins("2024-01-05")
	for n := range 2 {
		w.tell("2025-05-01", "ward-0", &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: wrong, Ordinal: uint32(n)}, Reason: "the year was mistyped (invented)"}}})
	}
	begins("2025-03-03")
}
