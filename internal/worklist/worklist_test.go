package worklist_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/worklist"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	north = "invented-north"
	south = "invented-south"
)

// 2026-11-23 is a Monday.
const (
	monday    = "2026-11-23"
	tuesday   = "2026-11-24"
	wednesday = "2026-11-25"
)

// told is a patient's record, message by message.
type told struct {
	t     *testing.T
	facts []record.Fact
	zones map[string]*time.Location
}

func patient(t *testing.T) *told { return &told{t: t, zones: map[string]*time.Location{}} }

func (c *told) at(facility, when string, bodies ...proto.Message) *told {
	c.t.Helper()
	n := len(c.facts) + 1
	at, err := time.Parse("2006-01-02 15:04", when)
	if err != nil {
		c.t.Fatal(err)
	}
	facts, err := record.Facts(histories.Message(fmt.Sprintf("m%d", n), facility, strings.Repeat("a", 32), at, bodies...), uint64(n), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	c.facts = append(c.facts, facts...)
	return c
}

func (c *told) zone(f string) *time.Location { return c.zones[f] }

// person folds the record at once, and fact by fact as they came; both must give the same.
func (c *told) person() worklist.Person {
	c.t.Helper()
	p, _ := worklist.Fold(record.Effective(c.facts), c.zone)
	grown, memo := worklist.Fold(record.Effective(c.facts[:1]), c.zone)
	for i := 1; i < len(c.facts); i++ {
		if memo.Add(&c.facts[i]) {
			grown = memo.Person()
		} else {
			grown, memo = worklist.Fold(record.Effective(c.facts[:i+1]), c.zone)
		}
	}
	if !reflect.DeepEqual(p, grown) {
		c.t.Errorf("at once the person is\n%+v, fact by fact\n%+v", p, grown)
	}
	return p
}

func (c *told) on(facility, date string) worklist.Place {
	c.t.Helper()
	d, err := zone.ParseDay(date)
	if err != nil {
		c.t.Fatal(err)
	}
	p := c.person()
	return p.On(facility, d)
}

func admitted() proto.Message { return &v1.PatientAdmitted{} }

func schedule(chair string, days ...v1.Weekday) proto.Message {
	return &v1.ScheduleSet{Days: days, Shift: "morning", Chair: chair}
}

func needle(role v1.NeedleRole, gauge uint32) *v1.NeedleInserted {
	return &v1.NeedleInserted{Access: "F", Role: role, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: &gauge, AttemptOrdinal: 1,
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
}

func TestDueOnTheDaysOfTheSchedule(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted(), schedule("12", v1.Weekday_WEEKDAY_MONDAY, v1.Weekday_WEEKDAY_SUNDAY))
	for date, due := range map[string]bool{monday: true, tuesday: false, "2026-11-29": true} {
		got := c.on(north, date)
		want := worklist.Place{Here: true, Scheduled: true, Due: due, Shift: "morning", Chair: "12"}
		if got != want {
			t.Errorf("on %s: %+v, want %+v", date, got, want)
		}
	}
	if got := c.on(south, monday); got != (worklist.Place{}) {
		t.Errorf("at another unit: %+v", got)
	}
}

func TestTheNewestScheduleOfTheUnitIsInForce(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted(), schedule("1", v1.Weekday_WEEKDAY_MONDAY)).
		at(north, "2026-11-10 08:00", schedule("2", v1.Weekday_WEEKDAY_TUESDAY))
	if got := c.on(north, tuesday); !got.Due || got.Chair != "2" {
		t.Errorf("by the new schedule: %+v", got)
	}
	// It comes late, and is older.
	c.at(north, "2026-11-05 08:00", schedule("3", v1.Weekday_WEEKDAY_WEDNESDAY))
	if got := c.on(north, wednesday); got.Due || got.Chair != "2" {
		t.Errorf("by a late message of an older schedule: %+v", got)
	}
}

func TestWithoutAScheduleNobodyCanSay(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted())
	if got := c.on(north, monday); got != (worklist.Place{Here: true}) {
		t.Errorf("without a schedule: %+v", got)
	}
	// A facility that only ever told of the patient is the patient's, where no stay says another.
	c = patient(t).at(north, "2026-11-01 08:00", &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA})
	if got := c.on(north, monday); got != (worklist.Place{Here: true}) {
		t.Errorf("without an admission: %+v", got)
	}
}

func TestLeavingEndsScheduleAndPlace(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted(), schedule("1", v1.Weekday_WEEKDAY_MONDAY)).at(north, tuesday+" 08:00", &v1.PatientLeft{})
	if got := c.on(north, monday); !got.Here || got.Due {
		// What is stored is the schedule of now: the day before the leaving is asked by nobody.
		t.Errorf("on the day before: %+v", got)
	}
	if got := c.on(north, "2026-11-30"); got != (worklist.Place{}) {
		t.Errorf("after leaving: %+v", got)
	}
	c.at(north, "2026-12-01 08:00", admitted())
	if got := c.on(north, "2026-12-07"); got != (worklist.Place{Here: true}) {
		t.Errorf("back again, the old schedule holds: %+v", got)
	}
}

func TestTransferTakesEffectOnItsDate(t *testing.T) {
	first := "2026-11-25"
	c := patient(t).at(north, "2026-11-01 08:00", admitted(), schedule("1", v1.Weekday_WEEKDAY_MONDAY, v1.Weekday_WEEKDAY_WEDNESDAY)).
		at(south, tuesday+" 08:00", &v1.PatientAdmitted{FirstTreatmentOn: &first}, schedule("9", v1.Weekday_WEEKDAY_WEDNESDAY))
	for _, x := range []struct {
		facility, date string
		here, due      bool
	}{{north, monday, true, true}, {south, monday, false, false}, {north, wednesday, false, false}, {south, wednesday, true, true}} {
		if got := c.on(x.facility, x.date); got.Here != x.here || got.Due != x.due {
			t.Errorf("at %s on %s: %+v", x.facility, x.date, got)
		}
	}
}

func TestAGuestIsThereOnTheDay(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted(), schedule("1", v1.Weekday_WEEKDAY_MONDAY)).
		at(south, monday+" 08:00", &v1.SessionStarted{Access: "F"})
	if got := c.on(south, monday); got.Here || got.Today == nil {
		t.Errorf("the guest: %+v", got)
	}
	if got := c.on(north, monday); !got.Due || got.Today != nil {
		t.Errorf("at home: %+v", got)
	}
	if got := c.on(south, tuesday); got.Today != nil {
		t.Errorf("the day after: %+v", got)
	}
}

func TestADayIsALocalDay(t *testing.T) {
	auckland, err := zone.Load("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	c := patient(t)
	c.zones[north] = auckland
	c.at(north, "2026-11-01 08:00", admitted()).at(north, monday+" 20:00", &v1.SessionStarted{Access: "F"}) // Tuesday there
	if c.on(north, monday).Today != nil || c.on(north, tuesday).Today == nil {
		t.Error("the treatment is not on the date of the facility's calendar")
	}
}

func TestInHospital(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted()).at(north, tuesday+" 08:00", &v1.HospitalAdmission{})
	in, _ := zone.ParseDay(tuesday)
	if a, b := c.on(north, monday), c.on(north, wednesday); a.Hospital != 0 || b.Hospital != in {
		t.Errorf("before %+v, after %+v", a, b)
	}
	c.at(north, "2026-11-26 08:00", &v1.HospitalDischarge{})
	if got := c.on(north, "2026-11-27"); got.Hospital != 0 {
		t.Errorf("after the discharge: %+v", got)
	}
}

func TestTheLastTreatment(t *testing.T) {
	arterial, venous := v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, v1.NeedleRole_NEEDLE_ROLE_VENOUS
	abandoned := needle(venous, 14)
	abandoned.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
	c := patient(t).at(north, "2026-11-01 08:00", admitted()).
		at(north, monday+" 22:50", &v1.SessionStarted{Access: "F"}).
		at(north, monday+" 22:55", needle(arterial, 16), needle(venous, 15)).
		at(north, monday+" 22:58", needle(arterial, 17), abandoned)
	p := c.person()
	want := []worklist.Needle{{Role: arterial, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: 17}, {Role: venous, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: 15}}
	if !reflect.DeepEqual(p.Last.Needles, want) || p.Last.Ended || !p.Last.Timed || p.Last.Began.Format("15:04") != "22:50" {
		t.Errorf("the last treatment is %+v", p.Last)
	}
	// It ends after midnight.
	if got := c.at(north, tuesday+" 02:30", &v1.SessionEnded{}).on(north, monday); got.Today == nil || !got.Today.Ended {
		t.Errorf("ended: %+v", got.Today)
	}
	// A treatment that is missed later takes nothing away.
	if got := c.at(north, wednesday+" 09:00", &v1.SessionMissed{Reason: v1.MissedReason_MISSED_REASON_DID_NOT_ATTEND}).on(north, wednesday); got.Today != nil || got.Missed == nil {
		t.Errorf("missed: %+v", got)
	}
	if c.person().Last.Day.String() != monday {
		t.Error("the treatment before is forgotten")
	}
}

// A night shift goes on after midnight, by the facility's own clock.
func TestATreatmentGoesOnAfterMidnight(t *testing.T) {
	kolkata, err := zone.Load("Asia/Kolkata") // five and a half hours ahead
	if err != nil {
		t.Fatal(err)
	}
	c := patient(t)
	c.zones[north] = kolkata
	c.at(north, "2026-11-01 08:00", admitted(), schedule("12", v1.Weekday_WEEKDAY_MONDAY)).
		at(north, monday+" 16:30", &v1.SessionStarted{Access: "F"}) // Monday 22:00 there
	runs := func(facility, when string) bool {
		t.Helper()
		at, err := time.Parse("2006-01-02 15:04:05", when)
		if err != nil {
			t.Fatal(err)
		}
		p := c.person()
		got := p.At(facility, at, kolkata)
		was := got
		if was.Overnight = nil; was != p.On(facility, zone.DayOf(at, kolkata)) {
			t.Errorf("at %s more than the night differs: %+v", when, got)
		}
		if got.Overnight != nil && (got.Today != nil || got.Due || got.Shift != "morning" || got.Overnight.Day.String() != monday) {
			t.Errorf("at %s: %+v", when, got)
		}
		return got.Overnight != nil
	}
	for _, x := range []struct {
		facility, when string
		runs           bool
	}{
		{north, monday + " 18:29:59", false}, // of that date still
		{north, monday + " 18:30:00", true},
		{north, tuesday + " 04:29:59", true},
		{north, tuesday + " 04:30:00", false}, // 12 hours
		{north, tuesday + " 18:30:00", false},
		{south, monday + " 18:30:00", false},
	} {
		if got := runs(x.facility, x.when); got != x.runs {
			t.Errorf("at %s at %s it runs: %v, want %v", x.facility, x.when, got, x.runs)
		}
	}
	c.at(north, monday+" 20:00", &v1.SessionEnded{})
	if runs(north, monday+" 20:00:00") {
		t.Error("it runs after its end")
	}
}

// A session over midnight is one, of the earlier date, by the rule of the judgement. Its first needles are not forgotten.
func TestASessionOverMidnightIsOne(t *testing.T) {
	arterial, venous := v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, v1.NeedleRole_NEEDLE_ROLE_VENOUS
	start := &v1.SessionStarted{Access: "F"}
	under := func(c *told, session string) *told {
		f := &c.facts[len(c.facts)-1]
		f.SessionSystem, f.SessionValue = "s", session
		return c
	}
	for _, x := range []struct {
		says string
		told func(c *told) *told
		want string
	}{
		{"the second needle comes after midnight", func(c *told) *told {
			return c.at(north, monday+" 23:50", needle(arterial, 16)).at(north, tuesday+" 00:10", needle(venous, 15))
		}, monday + " arterial 16 venous 15"},
		{"both needles come after midnight, and the start before it", func(c *told) *told {
			return c.at(north, monday+" 23:50", start).at(north, tuesday+" 00:10", needle(arterial, 16), needle(venous, 15))
		}, monday + " arterial 16 venous 15"},
		{"a needle is set anew after midnight", func(c *told) *told {
			return c.at(north, monday+" 22:00", needle(arterial, 16), needle(venous, 15)).at(north, tuesday+" 02:00", needle(arterial, 17))
		}, monday + " arterial 17 venous 15"},
		{"a minute later it is another session", func(c *told) *told {
			return c.at(north, monday+" 22:00", needle(arterial, 16), needle(venous, 15)).at(north, tuesday+" 02:01", needle(arterial, 17))
		}, tuesday + " arterial 17"},
		{"four hours are counted from a needle of the day before", func(c *told) *told {
			return c.at(north, monday+" 23:00", needle(arterial, 16)).at(north, tuesday+" 02:00", needle(arterial, 17)).at(north, tuesday+" 04:00", needle(arterial, 15))
		}, tuesday + " arterial 15"},
		{"one reference joins twelve hours", func(c *told) *told {
			c = under(c.at(north, monday+" 20:00", needle(arterial, 16)), "T-1")
			return under(c.at(north, tuesday+" 08:00", needle(venous, 15)), "T-1")
		}, monday + " arterial 16 venous 15"},
		{"and no longer", func(c *told) *told {
			c = under(c.at(north, monday+" 20:00", needle(arterial, 16)), "T-1")
			return under(c.at(north, tuesday+" 08:01", needle(venous, 15)), "T-1")
		}, tuesday + " venous 15"},
		{"another reference is another session", func(c *told) *told {
			c = under(c.at(north, monday+" 23:50", needle(arterial, 16)), "T-1")
			return under(c.at(north, tuesday+" 00:10", needle(venous, 15)), "T-2")
		}, tuesday + " venous 15"},
		{"what has no reference joins one that has", func(c *told) *told {
			return under(c.at(north, monday+" 23:50", needle(arterial, 16)), "T-1").at(north, tuesday+" 00:10", needle(venous, 15))
		}, monday + " arterial 16 venous 15"},
		{"another unit is another session", func(c *told) *told {
			return c.at(north, monday+" 23:50", needle(arterial, 16)).at(south, tuesday+" 00:10", needle(venous, 15))
		}, tuesday + " venous 15"},
		{"two days later it is another session", func(c *told) *told {
			return c.at(north, monday+" 23:50", needle(arterial, 16)).at(north, wednesday+" 00:10", needle(venous, 15))
		}, wednesday + " venous 15"},
	} {
		t.Run(x.says, func(t *testing.T) {
			last := x.told(patient(t).at(north, "2026-11-01 08:00", admitted())).person().Last
			got := last.Day.String()
			for _, n := range last.Needles {
				got += fmt.Sprintf(" %s %d", strings.ToLower(strings.TrimPrefix(n.Role.String(), "NEEDLE_ROLE_")), n.Gauge)
			}
			if got != x.want {
				t.Errorf("the last session is %s, want %s", got, x.want)
			}
		})
	}
}

// A begin that is known by its date alone may lie a whole day back.
func TestATreatmentWithoutATimeOfDayEndsWithItsDate(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted()).at(north, monday+" 23:00", &v1.SessionStarted{Access: "F"})
	c.facts[len(c.facts)-1].Precision = v1.TimePrecision_TIME_PRECISION_DAY
	p := c.person()
	if got := p.At(north, time.Date(2026, 11, 24, 0, 30, 0, 0, time.UTC), nil); got.Overnight != nil || p.Last.Timed {
		t.Errorf("it runs: %+v", got)
	}
}

func TestTechnique(t *testing.T) {
	created := func(name string, kind v1.AccessKind) proto.Message {
		return &v1.AccessCreated{Access: name, Kind: kind}
	}
	ladder := needle(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, 15)
	ladder.Pattern = v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER
	c := patient(t).at(north, "2026-11-01 08:00", admitted())
	for _, x := range []struct {
		body proto.Message
		want worklist.Technique
	}{
		{&v1.SessionMissed{}, ""},
		{created("C", v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER), worklist.Catheter},
		{created("F", v1.AccessKind_ACCESS_KIND_FISTULA), ""}, // which one is used is not recorded
		{&v1.SessionStarted{Access: "C"}, worklist.Catheter},
		{&v1.SessionStarted{Access: "F"}, worklist.Fistula},
		{ladder, worklist.RopeLadder},
		{&v1.AccessRetired{Access: "F"}, worklist.Catheter},
		{created("G", v1.AccessKind_ACCESS_KIND_GRAFT), ""},
		{&v1.AccessRetired{Access: "C"}, worklist.Graft},
		{&v1.SessionStarted{Access: "unheard-of"}, ""},
	} {
		c.at(north, fmt.Sprintf("2026-11-%02d 08:00", len(c.facts)+2), x.body)
		if got := c.person().Technique; got != x.want {
			t.Errorf("after %T: %q, want %q", x.body, got, x.want)
		}
	}
}

// What says who a patient is changes with the facts that say it, and with nothing else.
func TestIdentityChangesWithItsFacts(t *testing.T) {
	c := patient(t).at(north, "2026-11-01 08:00", admitted())
	before := c.person().Identity
	if c.at(north, monday+" 08:00", &v1.SessionStarted{Access: "F"}); c.person().Identity != before {
		t.Error("a treatment changed it")
	}
	c.facts = append(c.facts, sealed(t, "one"))
	after := c.person().Identity
	if after == before {
		t.Error("a statement did not change it")
	}
	c.facts[len(c.facts)-1] = sealed(t, "another")
	if c.person().Identity == after {
		t.Error("another statement did not change it")
	}
}

// sealed is a fact that says who the patient is.
func sealed(t *testing.T, message string) record.Fact {
	t.Helper()
	at := time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	facts, err := record.Facts(histories.Message(message, north, strings.Repeat("a", 32), at, &logv1.IdentitySealed{Sealed: []byte("sealed")}), 99, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	return facts[0]
}

// Whatever the order in which the messages of some weeks come, the person is the one that all of them give at once.
func TestLateFactsGiveTheSamePerson(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	pick := func(n int) int { return r.IntN(n) }
	accesses := []string{"", "F", "G"}
	late, folded := 0, 0
	for range 400 {
		c := patient(t)
		c.zones[north], c.zones[south] = time.FixedZone("", 13*3600), time.FixedZone("", -11*3600)
		c.at(north, "2026-11-01 08:00", admitted())
		for i := range 25 {
			facility, body := north, proto.Message(nil)
			if pick(8) == 0 {
				facility = south
			}
			n := needle(v1.NeedleRole(1+pick(2)), uint32(14+pick(4)))
			n.Access, n.Pattern = accesses[pick(3)], v1.NeedlingPattern(pick(4))
			switch pick(9) {
			case 0, 1, 2:
				body = n
			case 3, 4:
				body = &v1.SessionStarted{Access: accesses[pick(3)]}
			case 5, 6:
				body = &v1.SessionEnded{}
			case 7:
				body = &v1.SessionMissed{}
			case 8:
				body = []proto.Message{admitted(), &v1.PatientLeft{}, &v1.AccessRetired{Access: "G"}, &v1.HospitalAdmission{},
					&v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA}}[pick(5)]
			}
			day := 2 + i/2 - pick(5)*pick(2)
			c.at(facility, fmt.Sprintf("2026-11-%02d %02d:%02d", max(1, day), pick(24), 10*pick(6)), body)
			if f := &c.facts[len(c.facts)-1]; pick(3) == 0 {
				f.SessionSystem, f.SessionValue = "s", fmt.Sprint(max(1, day))
			}
		}
		_, memo := worklist.Fold(record.Effective(c.facts[:1]), c.zone)
		for i := 1; i < len(c.facts); i++ {
			want, fresh := worklist.Fold(record.Effective(c.facts[:i+1]), c.zone)
			now := want
			if memo.Add(&c.facts[i]) {
				now = memo.Person()
				if slices.ContainsFunc(c.facts[:i], func(o record.Fact) bool { return record.Before(&c.facts[i], &o) }) {
					late++
				}
			} else {
				memo = fresh
				folded++
			}
			if !reflect.DeepEqual(now, want) {
				t.Fatalf("after %d facts the person is\n%+v, at once\n%+v", i+1, now, want)
			}
		}
	}
	if late < 300 || folded < 300 {
		t.Errorf("%d late facts were taken in, %d folded: too few of either", late, folded)
	}
	t.Logf("%d late facts were taken in, %d folded", late, folded)
}

func TestOrder(t *testing.T) {
	chairs := []string{"", "10", "B", "2", "A1", "1"}
	slices.SortFunc(chairs, worklist.CompareChairs)
	if got := strings.Join(chairs, ","); got != "1,2,10,A1,B," {
		t.Errorf("chairs stand as %s", got)
	}
	shifts := worklist.Shifts([]string{"", "night", "evening", "morning", "late", "evening"},
		[]*v1.Shift{{Name: "evening", StartsAt: "17:00"}, {Name: "morning", StartsAt: "06:30"}})
	if got := strings.Join(shifts, ","); got != "morning,evening,late,night," {
		t.Errorf("shifts stand as %s", got)
	}
}
