package stay_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	east  = "invented-east"
	north = "invented-north"
	south = "invented-south"
)

// told is a patient's record, message by message.
type told struct {
	t     *testing.T
	facts []record.Fact
	zones map[string]*time.Location
}

func patient(t *testing.T) *told { return &told{t: t, zones: map[string]*time.Location{}} }

// at tells something of a moment, in UTC, at a facility.
func (c *told) at(facility, when string, bodies ...proto.Message) *told {
	c.t.Helper()
	n := len(c.facts) + 1
	message := histories.Message(fmt.Sprintf("m%d", n), facility, strings.Repeat("a", 32), moment(c.t, when), bodies...)
	facts, err := record.Facts(message, uint64(n), time.Time{})
	if err != nil {
		c.t.Fatal(err)
	}
	c.facts = append(c.facts, facts...)
	return c
}

// read reads it up to a moment; empty means all.
func (c *told) read(asOf string) *stay.Stays {
	var t time.Time
	if asOf != "" {
		t = moment(c.t, asOf)
	}
	return stay.Read(record.Effective(c.facts), func(f string) *time.Location { return c.zones[f] }, t)
}

func moment(t *testing.T, s string) time.Time {
	t.Helper()
	m, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func admitted() proto.Message { return &v1.PatientAdmitted{} }

func expected(on string) proto.Message { return &v1.PatientAdmitted{FirstTreatmentOn: &on} }

func left() proto.Message {
	return &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER, ToFacility: north}
}

func treatment() proto.Message { return &v1.SessionStarted{} }

func planned() proto.Message {
	return &v1.TrackPlanned{Access: "F", Tracks: []*v1.TrackPlan{{Track: "T"}}}
}

// list writes the stays "facility from to", the last day included, "by care" where no admission opened it.
func list(s *stay.Stays) []string {
	var out []string
	for _, o := range s.List() {
		to, how := "on", ""
		if o.To < zone.Never {
			to = (o.To - 1).String()
		}
		if !o.Admitted {
			how = " by care"
		}
		out = append(out, fmt.Sprintf("%s %s %s%s", strings.TrimPrefix(o.Facility, "invented-"), o.From, to, how))
	}
	return out
}

func TestStays(t *testing.T) {
	for _, c := range []struct {
		says string
		of   *told
		want []string
	}{
		{"A closes its visit after B admitted: the patient is at B",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-16 08:00", admitted()).
				at(east, "2026-03-18 08:00", left()),
			[]string{"east 2026-03-02 2026-03-15", "north 2026-03-16 on"}},
		{"a transfer within a day: the new facility has that day",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(east, "2026-03-16 10:00", treatment()).
				at(north, "2026-03-16 15:00", admitted()),
			[]string{"east 2026-03-02 2026-03-15", "north 2026-03-16 on"}},
		{"of two admissions on one date the later has it",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-02 09:00", admitted()), []string{"north 2026-03-02 on"}},
		{"an admission takes the date from the care of that morning",
			patient(t).at(east, "2026-03-02 08:00", treatment()).at(north, "2026-03-02 15:00", admitted()),
			[]string{"north 2026-03-02 on"}},
		{"care takes no date from an admission of that morning",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-02 15:00", treatment()), []string{"east 2026-03-02 on"}},
		{"of two treatments on one date without an admission the later has it",
			patient(t).at(east, "2026-03-02 08:00", treatment()).at(north, "2026-03-02 15:00", treatment()),
			[]string{"north 2026-03-02 on by care"}},
		{"days as a guest end no stay by admission",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-11 08:00", treatment()).
				at(north, "2026-03-13 08:00", treatment()),
			[]string{"east 2026-03-02 on"}},
		{"without an admission the stay goes where the care is",
			patient(t).at(east, "2026-03-02 08:00", treatment()).at(north, "2026-03-11 08:00", treatment()),
			[]string{"east 2026-03-02 2026-03-10 by care", "north 2026-03-11 on by care"}},
		{"leaving ends a stay there that has yet to begin, and none elsewhere",
			patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-10 08:00", expected("2026-03-20")).
				at(north, "2026-03-12 08:00", left()),
			[]string{"east 2026-03-02 2026-03-19"}},
	} {
		if got := list(c.of.read("")); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.says, got, c.want)
		}
	}
}

func TestInForceAtAMoment(t *testing.T) {
	transfer := patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-16 14:00", admitted()).
		at(east, "2026-03-18 08:00", left())
	announced := patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-10 08:00", expected("2026-03-20")).
		at(east, "2026-03-14 08:00", left())
	between := patient(t).at(north, "2026-03-01 08:00", planned()).at(east, "2026-03-02 08:00", admitted()).
		at(east, "2026-03-02 18:00", left())
	unseen := patient(t).at(north, "2026-03-01 08:00", planned()).at(south, "2026-03-05 08:00", &v1.CultureResulted{})
	// Kiritimati is 14 hours ahead of UTC: in the east the day of the transfer begins when in the north it is the day before.
	far, err := zone.Load("Pacific/Kiritimati")
	if err != nil {
		t.Fatal(err)
	}
	ahead := patient(t).at(east, "2026-03-02 08:00", admitted()).at(north, "2026-03-16 12:00", admitted())
	ahead.zones[east] = far
	for _, c := range []struct {
		says       string
		of         *told
		asOf, when string
		want       string
	}{
		{"a transfer that has not happened yet changes nothing", transfer, "2026-03-16 13:00", "2026-03-16 13:00", "east, open, admitted"},
		{"once it has happened the day is the new facility's", transfer, "2026-03-16 14:00", "2026-03-16 14:00", "north, open, admitted"},
		{"known now, also at an earlier hour of that day", transfer, "", "2026-03-16 13:00", "north, open, admitted"},
		{"the day before it was the old one's", transfer, "", "2026-03-15 13:00", "east, open, admitted"},
		{"the old one's leaving ends nothing", transfer, "", "2026-03-19 13:00", "north, open, admitted"},
		{"announced: until the patient left the old stay is in force", announced, "2026-03-13 08:00", "2026-03-13 08:00",
			"east, open, admitted"},
		{"between two stays the one that ended last is in force", announced, "", "2026-03-16 08:00",
			"east, left invented-east on 2026-03-14"},
		{"from its date the announced one is", announced, "", "2026-03-20 00:00", "north, open, admitted"},
		{"before any stay: the newest plan or roster fact", between, "2026-03-01 09:00", "2026-03-01 09:00", "north"},
		{"a stay without a day: the newest roster fact, and that the patient left", between, "", "2026-03-03 09:00",
			"east, left invented-east on 2026-03-02"},
		{"a result is weaker than a plan, although it is newer", unseen, "", "2026-03-06 09:00", "north"},
		{"only a result: its facility",
			patient(t).at(south, "2026-03-05 08:00", &v1.CultureResulted{}), "", "2026-03-06 09:00", "south"},
		{"by care: no admission is on record", patient(t).at(south, "2026-03-05 08:00", treatment()), "",
			"2026-03-06 09:00", "south, open"},
		{"nothing is known yet", unseen, "2026-02-01 08:00", "2026-02-01 08:00", ""},
		{"a date is that of the stay's own facility: in the north it is still the 15th", ahead, "", "2026-03-15 09:00",
			"east, open, admitted"},
		{"in neither zone does a stay hold the moment: the one that ended", ahead, "", "2026-03-15 12:00", "east"},
	} {
		m := c.of.read(c.asOf).At(moment(t, c.when))
		got := strings.TrimPrefix(m.Facility, "invented-")
		if m.Open {
			got += ", open"
		}
		if m.Admitted {
			got += ", admitted"
		}
		if m.Left != nil {
			got += fmt.Sprintf(", left %s on %s", m.Left.Facility, m.Left.Day)
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.says, got, c.want)
		}
	}
}

func TestWhyAndWhenThePatientLeft(t *testing.T) {
	left := patient(t).at(east, "2026-03-02 08:00", admitted()).at(east, "2026-03-10 08:00", left()).
		at(north, "2026-03-11 08:00", admitted()).
		at(north, "2026-03-20 09:30", &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSPLANT}).
		at(east, "2026-03-25 08:00", left()).read("").At(moment(t, "2026-03-30 08:00")).Left
	if left == nil || left.Facility != north || !left.At.Equal(moment(t, "2026-03-20 09:30")) ||
		left.Reason != v1.LeavingReason_LEAVING_REASON_TRANSPLANT || left.Destination != "" {
		t.Errorf("the old facility closes its visit last, but the north's leaving ended the last stay: %+v", left)
	}
}

// TestACopyGoesOnByItself holds what a fold that is kept ready relies on.
func TestACopyGoesOnByItself(t *testing.T) {
	c := patient(t).at(east, "2026-03-02 08:00", admitted()).at(east, "2026-03-03 08:00", left()).at(east, "2026-03-04 08:00", admitted())
	base := c.read("")
	one, two := *base, *base
	c.at(east, "2026-03-10 08:00", left()).at(north, "2026-03-11 08:00", admitted())
	one.Add(&c.facts[3])
	two.Add(&c.facts[4])
	later := moment(t, "2026-03-12 08:00")
	if m := one.At(later); m.Open || m.Left == nil || m.Left.Day.String() != "2026-03-10" {
		t.Errorf("the first copy: %+v", m)
	}
	if m := two.At(later); m.Facility != north || !m.Open {
		t.Errorf("the second copy: %+v", m)
	}
	if m := base.At(later); m.Facility != east || !m.Open {
		t.Errorf("the original: %+v", m)
	}
}
