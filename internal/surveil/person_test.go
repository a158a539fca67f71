package surveil_test

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

func TestStays(t *testing.T) {
	fist := created("F", fistula)
	for _, c := range []struct {
		says string
		of   *chartOf
		want []string
	}{
		{"an admission opens a stay; the day of leaving is not counted",
			patient(t).at("2026-03-02", admitted(), fist).at("2026-03-20", left()), []string{"east other-fistula 2026-03-02 2026-03-19"}},
		{"a stay begins with the first treatment, where that is told",
			patient(t).at("2026-03-02", expected("2026-03-09"), fist), []string{"east other-fistula 2026-03-09 on"}},
		{"also where the admission is told late",
			patient(t).at("2026-03-20", expected("2026-03-09"), created("F", fistula)).at("2026-03-01", fist),
			[]string{"east other-fistula 2026-03-09 on"}},
		{"a treatment before the day that was expected begins it",
			patient(t).at("2026-03-02", expected("2026-03-09"), fist).at("2026-03-05", treatment("F")),
			[]string{"east other-fistula 2026-03-05 on"}},
		{"whoever leaves on the day of admission was not there",
			patient(t).at("2026-03-02 08:00", admitted(), fist).at("2026-03-02 18:00", left()), nil},
		{"nor does the treatment of that day keep him, in whatever order it is told",
			patient(t).at("2026-03-02 08:00", admitted(), fist).at("2026-03-02 10:00", left()).at("2026-03-02 11:00", treatment("F")), nil},
		{"an admission elsewhere ends the stay: each day belongs to one facility",
			patient(t).at("2026-03-02", admitted(), fist).in(north, "2026-03-16", admitted()),
			[]string{"east other-fistula 2026-03-02 2026-03-15", "north other-fistula 2026-03-16 on"}},
		{"a transfer: leaving ends the stay although the next unit has announced the patient already",
			patient(t).at("2026-03-02", admitted(), fist).in(north, "2026-03-10", expected("2026-03-20")).at("2026-03-14", left()),
			[]string{"east other-fistula 2026-03-02 2026-03-13", "north other-fistula 2026-03-20 on"}},
		{"the old unit closes its visit after the new one admitted: the patient is at the new one",
			patient(t).at("2026-03-02", admitted(), fist).in(north, "2026-03-16", admitted()).at("2026-03-18", left()),
			[]string{"east other-fistula 2026-03-02 2026-03-15", "north other-fistula 2026-03-16 on"}},
		{"an admission told late takes back the days that it claims: no day counts twice",
			patient(t).at("2026-03-02", admitted(), fist).at("2026-03-10", left()).at("2026-03-16", treatment("F")).
				in(north, "2026-03-25", expected("2026-03-06")),
			[]string{"east other-fistula 2026-03-02 2026-03-05", "north other-fistula 2026-03-06 on"}},
		{"also the whole of an earlier stay, from its first day",
			patient(t).at("2026-03-02", admitted(), fist).at("2026-03-10", left()).at("2026-03-16", treatment("F")).
				in(north, "2026-03-25", expected("2026-03-02")),
			[]string{"north other-fistula 2026-03-02 on"}},
		{"a guest stays at home",
			patient(t).at("2026-03-02", admitted(), fist).in(north, "2026-03-11", treatment("F")).at("2026-03-13", treatment("F")),
			[]string{"east other-fistula 2026-03-02 on"}},
		{"where no stay is open the first treatment opens one",
			patient(t).at("2026-03-04", treatment("F")).at("2026-02-01", fist), []string{"east other-fistula 2026-03-04 on"}},
		{"a needle does so too, a plan does not",
			patient(t).at("2026-03-02", fist, planned("T", "F")).at("2026-03-04", needle("", "F")),
			[]string{"east other-fistula 2026-03-04 on"}},
		{"without an admission a patient is where the treatments are",
			patient(t).at("2026-03-02", fist, treatment("F")).in(north, "2026-03-11", treatment("F")),
			[]string{"east other-fistula 2026-03-02 2026-03-10", "north other-fistula 2026-03-11 on"}},
		{"days in hospital are not taken out",
			patient(t).at("2026-03-02", admitted(), fist).at("2026-03-05", &v1.HospitalAdmission{}).
				at("2026-03-15", &v1.HospitalDischarge{}),
			[]string{"east other-fistula 2026-03-02 on"}},
		{"somebody of whom only results are known has no stay",
			patient(t).culture("2026-03-02", outpatient), nil},
	} {
		if got := c.of.exposures(); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.says, got, c.want)
		}
	}
}

func TestTechniqueOfEachDay(t *testing.T) {
	here := func() *chartOf { return patient(t).at("2026-03-01", admitted()) }
	for _, c := range []struct {
		says string
		of   *chartOf
		want []string
	}{
		{"nothing is known of the access", here(), []string{"east unknown 2026-03-01 on"}},
		{"the access with the highest risk counts, even if it is not used (form 57.503)",
			here().at("2026-03-01", created("F", fistula), needle("T", "F")).at("2026-03-10", created("C", tunneled)).
				at("2026-03-11", treatment("F")).at("2026-03-20", retired("C")),
			[]string{"east constant-site 2026-03-01 2026-03-09", "east tunneled-catheter 2026-03-10 2026-03-20",
				"east constant-site 2026-03-21 on"}},
		{"non-tunneled before tunneled before other before graft before fistula (form 57.503)",
			here().at("2026-03-01", created("F", fistula), created("G", graft), created("O", otherAccess), created("C", tunneled),
				created("N", nonTunneled)).
				at("2026-03-02", retired("N")).at("2026-03-04", retired("C")).at("2026-03-06", retired("O")).at("2026-03-08", retired("G")),
			[]string{"east non-tunneled-catheter 2026-03-01 2026-03-02", "east tunneled-catheter 2026-03-03 2026-03-04",
				"east other-access 2026-03-05 2026-03-06",
				"east graft 2026-03-07 2026-03-08", "east other-fistula 2026-03-09 on"}},
		{"an access is in place until the day on which it is retired, that day included",
			here().at("2026-03-01", created("F", fistula)).at("2026-03-10", retired("F")),
			[]string{"east other-fistula 2026-03-01 2026-03-10", "east unknown 2026-03-11 on"}},
		{"told twice, an access is retired from the first day",
			here().at("2026-03-01", created("F", fistula), needle("T", "F")).at("2026-03-10", retired("F")).at("2026-03-17", retired("F")),
			[]string{"east constant-site 2026-03-01 2026-03-10", "east unknown 2026-03-11 on"}},
		{"from its first use, where that is before its creation as told",
			here().at("2026-03-20", created("F", fistula)).at("2026-03-10", treatment("F")),
			[]string{"east unknown 2026-03-01 2026-03-09", "east other-fistula 2026-03-10 on"}},
		{"from the date of creation in the message, not that of the message",
			here().at("2026-03-20", &v1.AccessCreated{Access: "F", Kind: fistula, CreatedOn: proto.String("2026-03-05")}),
			[]string{"east unknown 2026-03-01 2026-03-04", "east other-fistula 2026-03-05 on"}},
		{"constant-site begins with the first needle in a track, not with its plan",
			here().at("2026-03-01", created("F", fistula)).at("2026-03-03", planned("T", "F")).at("2026-03-05", needle("T", "")),
			[]string{"east other-fistula 2026-03-01 2026-03-04", "east constant-site 2026-03-05 on"}},
		{"an attempt that was given up before the skin was pierced is no needle in it",
			here().at("2026-03-01", created("F", fistula)).at("2026-03-05", &v1.NeedleInserted{Track: "T", Access: "F", AttemptOrdinal: 1,
				Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED}),
			[]string{"east other-fistula 2026-03-01 on"}},
		{"a needle without a track makes no constant site",
			here().at("2026-03-01", created("F", fistula)).at("2026-03-05", needle("", "F")),
			[]string{"east other-fistula 2026-03-01 on"}},
		{"a track that was taken over, since the date declared",
			here().at("2026-03-01", created("F", fistula)).
				at("2026-03-15", &v1.TrackTakenOver{Track: "T", Access: "F", InUseSince: proto.String("2026-03-08")}),
			[]string{"east other-fistula 2026-03-01 2026-03-07", "east constant-site 2026-03-08 on"}},
		{"until the day on which the track is retired, that day included",
			here().at("2026-03-01", created("F", fistula), needle("T", "F")).at("2026-03-10", &v1.TrackRetired{Track: "T"}).
				at("2026-03-17", &v1.TrackRetired{Track: "T"}),
			[]string{"east constant-site 2026-03-01 2026-03-10", "east other-fistula 2026-03-11 on"}},
		{"one of two tracks retired changes nothing",
			here().at("2026-03-01", created("F", fistula), needle("A", "F"), needle("B", "F")).
				at("2026-03-10", &v1.TrackRetired{Track: "A"}),
			[]string{"east constant-site 2026-03-01 on"}},
		{"a track ends with its access",
			here().at("2026-03-01", created("F", fistula), needle("T", "F")).at("2026-03-05", created("G", fistula)).
				at("2026-03-10", retired("F")),
			[]string{"east constant-site 2026-03-01 2026-03-10", "east other-fistula 2026-03-11 on"}},
		{"an access of which nobody said what it is, with a track, is a fistula: planned, needled and after",
			here().at("2026-03-01", treatment("F"), planned("T", "F")).at("2026-03-05", needle("T", "F")).
				at("2026-03-10", &v1.TrackRetired{Track: "T"}),
			[]string{"east other-fistula 2026-03-01 2026-03-04", "east constant-site 2026-03-05 2026-03-10",
				"east other-fistula 2026-03-11 on"}},
		{"without a track nobody knows what it is",
			here().at("2026-03-01", treatment("F")), []string{"east unknown 2026-03-01 on"}},
		{"a track lies where its plan says, whatever a needle's message names",
			here().at("2026-03-01", created("F", fistula), created("G", graft), planned("T", "F")).at("2026-03-05", needle("T", "G")).
				at("2026-03-10", retired("G")),
			[]string{"east graft 2026-03-01 2026-03-10", "east constant-site 2026-03-11 on"}},
	} {
		if got := c.of.exposures(); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.says, got, c.want)
		}
	}
}

func TestWhereAnEventBelongs(t *testing.T) {
	at := func(p *chartOf) surveil.Event { p.t.Helper(); return p.event(surveil.BloodCulture, "2026-03-16") }
	base := func() *chartOf {
		return patient(t).at("2026-03-01", admitted(), created("F", fistula), needle("A", "F"), needle("B", "F"))
	}
	if e := at(base().culture("2026-03-16", outpatient)); e.Facility != east || e.Outside || e.Technique != surveil.ConstantSite ||
		e.Access != "F" || !slices.Equal(e.Tracks, []string{"A", "B"}) {
		t.Errorf("an event at home: %+v", e)
	}
	if e := at(base().in(north, "2026-03-16", positive(t, "2026-03-16", outpatient))); e.Facility != east || e.Outside {
		t.Errorf("a culture collected as a guest elsewhere belongs to the facility of the stay: %+v", e)
	}
	if e := at(base().at("2026-03-16", left()).in(north, "2026-03-17", positive(t, "2026-03-16", outpatient))); e.Facility != north ||
		!e.Outside || !e.Counted {
		t.Errorf("without a stay on its date an event belongs to the facility of its message: %+v", e)
	}
	if e := at(base().in(north, "2026-03-16", admitted()).culture("2026-03-16", outpatient)); e.Facility != north {
		t.Errorf("on the day of a transfer an event belongs to the new facility: %+v", e)
	}
	if e := at(base().in(north, "2026-03-17", admitted()).culture("2026-03-16", outpatient)); e.Facility != east {
		t.Errorf("the day before a transfer an event belongs to the old facility: %+v", e)
	}
	if e := at(patient(t).culture("2026-03-16", outpatient)); e.Facility != east || !e.Outside || e.Technique != surveil.Unknown ||
		e.Access != "" || !e.Counted {
		t.Errorf("a culture of somebody of whom nothing else is known counts where it was told: %+v", e)
	}
	if e := at(base().at("2026-03-16", retired("F")).culture("2026-03-16", outpatient)); e.Technique != surveil.ConstantSite ||
		e.Access != "F" {
		t.Errorf("an access retired that day still counts: %+v", e)
	}
	if e := at(base().at("2026-03-15", retired("F")).culture("2026-03-16", outpatient)); e.Technique != surveil.Unknown ||
		e.Access != "" || len(e.Tracks) != 0 {
		t.Errorf("an access retired the day before does not: %+v", e)
	}
	if e := at(patient(t).at("2026-03-01", admitted(), created("G", graft)).at("2026-03-16", retired("G")).
		culture("2026-03-16", outpatient)); e.Technique != surveil.Graft || e.Access != "G" {
		t.Errorf("a graft retired that day still counts: %+v", e)
	}
	if e := at(base().at("2026-03-16", &v1.TrackRetired{Track: "A"}, &v1.TrackRetired{Track: "B"}).
		culture("2026-03-16", outpatient)); e.Technique != surveil.ConstantSite || len(e.Tracks) != 2 {
		t.Errorf("tracks retired that day still count: %+v", e)
	}
	if e := at(base().at("2026-03-15", &v1.TrackRetired{Track: "A"}, &v1.TrackRetired{Track: "B"}).
		culture("2026-03-16", outpatient)); e.Technique != surveil.OtherFistula || len(e.Tracks) != 0 {
		t.Errorf("tracks retired the day before do not: %+v", e)
	}
	if e := base().at("2026-03-16", redness("F", "B")).
		event(surveil.SiteSigns, "2026-03-16"); !slices.Equal(e.Tracks, []string{"B"}) || e.Access != "F" {
		t.Errorf("signs belong to the track that they were seen at: %+v", e)
	}
	if e := base().at("2026-03-16", redness("F", "")).event(surveil.SiteSigns, "2026-03-16"); !slices.Equal(e.Tracks, []string{"A", "B"}) {
		t.Errorf("signs at no track belong to the tracks in use: %+v", e)
	}
	// With a catheter that is not used the event is the catheter's, and the tracks are named all the same.
	if e := at(base().at("2026-03-10", created("C", tunneled)).
		culture("2026-03-16", outpatient)); e.Technique != surveil.TunneledCatheter || e.Access != "C" ||
		!slices.Equal(e.Tracks, []string{"A", "B"}) {
		t.Errorf("an event belongs to the access with the highest risk: %+v", e)
	}
}
