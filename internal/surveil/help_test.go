package surveil_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	east  = "invented-east"
	north = "invented-north"
)

// chartOf is a patient's record as it is told, message by message, m1, m2, …
type chartOf struct {
	t     *testing.T
	facts []record.Fact
	n     int
}

func patient(t *testing.T) *chartOf { return &chartOf{t: t} }

// at tells something of a local date (at noon) or moment, at the unit in the east.
func (c *chartOf) at(when string, bodies ...proto.Message) *chartOf {
	c.t.Helper()
	return c.in(east, when, bodies...)
}

// in tells it at another unit.
func (c *chartOf) in(facility, when string, bodies ...proto.Message) *chartOf {
	c.t.Helper()
	c.n++
	facts, err := record.Facts(histories.Message(fmt.Sprintf("m%d", c.n), facility, strings.Repeat("a", 32), moment(c.t, when), bodies...),
		uint64(c.n), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	c.facts = append(c.facts, facts...)
	return c
}

// fold counts what was told; days are those of UTC.
func (c *chartOf) fold() surveil.Person {
	p, _ := surveil.Fold(surveil.Input{Items: record.Effective(c.facts)})
	return p
}

// exposures are written "facility technique from to", the last day included.
func (c *chartOf) exposures() []string {
	var out []string
	for _, e := range c.fold().Exposures {
		to := "on"
		if e.To < -surveil.First {
			to = (e.To - 1).String()
		}
		out = append(out, fmt.Sprintf("%s %s %s %s", strings.TrimPrefix(e.Facility, "invented-"), e.Technique, e.From, to))
	}
	return out
}

// event is the only event of a kind on a date.
func (c *chartOf) event(k surveil.Kind, day string) surveil.Event {
	c.t.Helper()
	var found []surveil.Event
	for _, e := range c.fold().Events {
		if e.Kind == k && e.Day.String() == day {
			found = append(found, e)
		}
	}
	if len(found) != 1 {
		c.t.Fatalf("%d events of %s on %s, want one, in %+v", len(found), k, day, c.fold().Events)
	}
	return found[0]
}

// counts checks whether it counts, and that what does not says why.
func (c *chartOf) counts(k surveil.Kind, day string, want bool) *chartOf {
	c.t.Helper()
	e := c.event(k, day)
	if e.Counted != want {
		c.t.Errorf("%s of %s: counted %v (%q), want %v", k, day, e.Counted, e.Why, want)
	}
	if !want && e.Why == "" {
		c.t.Errorf("%s of %s does not count and does not say why", k, day)
	}
	return c
}

// is checks the class.
func (c *chartOf) is(k surveil.Kind, day string, class surveil.Class, want bool) *chartOf {
	c.t.Helper()
	if e := c.event(k, day); e.Is(class) != want {
		c.t.Errorf("%s of %s is of class %s: %v, want %v (%+v)", k, day, class, !want, want, e)
	}
	return c
}

// why checks what is said of it.
func (c *chartOf) why(k surveil.Kind, day, want string) *chartOf {
	c.t.Helper()
	if e := c.event(k, day); e.Why != want {
		c.t.Errorf("%s of %s says %q, want %q", k, day, e.Why, want)
	}
	return c
}

func moment(t *testing.T, s string) time.Time {
	t.Helper()
	layout := "2006-01-02 15:04"
	if len(s) == len(time.DateOnly) {
		s += " 12:00"
	}
	m, err := time.Parse(layout, s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func day(t *testing.T, s string) surveil.Day {
	t.Helper()
	d, err := surveil.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func month(t *testing.T, s string) surveil.Month {
	t.Helper()
	m, err := surveil.ParseMonth(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// What is told.

const (
	outpatient = v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT
	emergency  = v1.CollectionSetting_COLLECTION_SETTING_EMERGENCY_DEPARTMENT
	inpatient  = v1.CollectionSetting_COLLECTION_SETTING_INPATIENT
	nowhere    = v1.CollectionSetting_COLLECTION_SETTING_UNSPECIFIED

	fistula     = v1.AccessKind_ACCESS_KIND_FISTULA
	graft       = v1.AccessKind_ACCESS_KIND_GRAFT
	tunneled    = v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER
	nonTunneled = v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER
	otherAccess = v1.AccessKind_ACCESS_KIND_OTHER

	present = v1.Finding_FINDING_PRESENT
)

func admitted() proto.Message { return &v1.PatientAdmitted{} }

func expected(on string) proto.Message { return &v1.PatientAdmitted{FirstTreatmentOn: &on} }

func left() proto.Message { return &v1.PatientLeft{} }

func created(access string, k v1.AccessKind) proto.Message {
	return &v1.AccessCreated{Access: access, Kind: k}
}

func retired(access string) proto.Message { return &v1.AccessRetired{Access: access} }

func treatment(access string) proto.Message { return &v1.SessionStarted{Access: access} }

func needle(track, access string) proto.Message {
	return &v1.NeedleInserted{Track: track, Access: access, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1,
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
}

func planned(track, access string) proto.Message {
	return &v1.TrackPlanned{Access: access, Tracks: []*v1.TrackPlan{{Track: track, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}}
}

// positive is a positive blood culture; its message tells when it was collected.
func positive(t *testing.T, collected string, s v1.CollectionSetting, organisms ...v1.OrganismGroup) *v1.CultureResulted {
	t.Helper()
	c := &v1.CultureResulted{CollectedAt: timestamppb.New(moment(t, collected)), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: s, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE}
	for _, o := range organisms {
		c.Organisms = append(c.Organisms, &v1.Organism{Group: o})
	}
	return c
}

// culture tells of one on the day of its collection.
func (c *chartOf) culture(on string, s v1.CollectionSetting) *chartOf {
	c.t.Helper()
	return c.at(on, positive(c.t, on, s))
}

// assessed is the suspected source of the culture of message n.
func assessed(n int, s v1.SuspectedSource) proto.Message {
	return &v1.SuspectedSourceAssessed{Culture: &v1.FactReference{SourceMessageId: fmt.Sprintf("m%d", n)}, SuspectedSource: s}
}

func intravenous(course string) proto.Message {
	return &v1.AntimicrobialStarted{Course: course, Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS}
}

func ended(course string) proto.Message { return &v1.AntimicrobialEnded{Course: course} }

func redness(access, track string) proto.Message {
	return &v1.SiteSignsSeen{Access: access, Track: track, Redness: present}
}
