package surveil_test

import (
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	yes     = v1.Answer_ANSWER_YES
	no      = v1.Answer_ANSWER_NO
	unknown = v1.Answer_ANSWER_UNKNOWN
)

// ledTo is the outcome of the event of message n.
func ledTo(n int, stay, lost, death v1.Answer) proto.Message {
	return &v1.EventOutcomeAssessed{Event: &v1.FactReference{SourceMessageId: fmt.Sprintf("m%d", n)}, HospitalStay: stay,
		AccessLost: lost, Death: death}
}

func TestWhatAnEventLedTo(t *testing.T) {
	outcome := func(c *chartOf, k surveil.Kind, day string) string {
		o := c.event(k, day).Outcome
		return fmt.Sprint(int(o.HospitalStay), int(o.AccessLost), int(o.Death))
	}
	for _, c := range []struct {
		sentence string
		told     func(*chartOf) *chartOf // m1 is the event, of 1 March
		kind     surveil.Kind
		want     string // stay, loss, death: 0 not assessed, 1 yes, 2 no, 3 unknown
	}{
		{"of a culture", func(c *chartOf) *chartOf {
			return c.culture("2026-03-01", outpatient).at("2026-03-09", ledTo(1, yes, no, unknown))
		}, surveil.BloodCulture, "1 2 3"},
		{"of an antimicrobial start", func(c *chartOf) *chartOf {
			return c.at("2026-03-01", intravenous("a")).at("2026-03-09", ledTo(1, no, no, no))
		}, surveil.Course, "2 2 2"},
		{"of signs at the site", func(c *chartOf) *chartOf {
			return c.at("2026-03-01", redness("F", "")).at("2026-03-09", ledTo(1, no, yes, no))
		}, surveil.SiteSigns, "2 1 2"},
		{"nobody assessed it", func(c *chartOf) *chartOf { return c.culture("2026-03-01", outpatient) }, surveil.BloodCulture, "0 0 0"},
		{"the latest assessment stands, as a whole", func(c *chartOf) *chartOf {
			return c.culture("2026-03-01", outpatient).at("2026-03-20", ledTo(1, yes, 0, yes)).at("2026-03-09", ledTo(1, yes, no, no))
		}, surveil.BloodCulture, "1 0 1"},
		{"one that was taken back does not stand", func(c *chartOf) *chartOf {
			return c.culture("2026-03-01", outpatient).at("2026-03-09", ledTo(1, yes, no, no)).at("2026-03-20", ledTo(1, yes, no, yes)).
				at("2026-03-21", &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: "m3"}, Reason: "invented"})
		}, surveil.BloodCulture, "1 2 2"},
		{"one of another event is none of this one", func(c *chartOf) *chartOf {
			return c.culture("2026-03-01", outpatient).at("2026-03-02", redness("F", "")).at("2026-03-09", ledTo(2, yes, yes, yes))
		}, surveil.BloodCulture, "0 0 0"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			if got := outcome(c.told(patient(t)), c.kind, "2026-03-01"); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

func TestHowTheOrganismsOfADateAnswered(t *testing.T) {
	const aureus, yeast = v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS, v1.OrganismGroup_ORGANISM_GROUP_YEAST
	const resistant, susceptible = v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT,
		v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE
	grew := func(on string, g v1.OrganismGroup, agent string, r v1.SusceptibilityResult) *v1.CultureResulted {
		c := positive(t, on, outpatient, g)
		c.Organisms[0].Susceptibilities = []*v1.Susceptibility{{Agent: &v1.Coding{System: "urn:invented", Code: "X1", Display: agent},
			Result: r}}
		return c
	}
	p := patient(t).at("2026-03-01", grew("2026-03-01", yeast, "", susceptible)).
		at("2026-03-01", grew("2026-03-01", aureus, "Oxacillin", resistant)).
		at("2026-03-01", grew("2026-03-01", aureus, "Oxacillin", resistant)).
		at("2026-03-02", grew("2026-03-02", aureus, "Oxacillin", susceptible))
	want := []surveil.Tested{{Organism: aureus, Agent: "Oxacillin", Result: resistant}, {Organism: yeast, Agent: "X1", Result: susceptible}}
	found := 0
	for _, e := range p.fold().Events {
		if e.Day != day(t, "2026-03-01") {
			continue
		}
		if found++; !slices.Equal(e.Tested, want) {
			t.Errorf("%+v", e.Tested)
		}
	}
	if found != 3 {
		t.Errorf("%d cultures of the date", found)
	}
}

func TestWhetherAStartWasVancomycin(t *testing.T) {
	e := patient(t).at("2026-03-01", &v1.AntimicrobialStarted{Course: "a",
		Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS, Vancomycin: yes, BloodCultureTaken: no}).
		event(surveil.Course, "2026-03-01")
	if e.Vancomycin != yes || e.CultureTaken != no {
		t.Errorf("%+v", e)
	}
	if e := patient(t).at("2026-03-01", intravenous("a")).event(surveil.Course, "2026-03-01"); e.Vancomycin != 0 || e.CultureTaken != 0 {
		t.Errorf("nobody told: %+v", e)
	}
}
