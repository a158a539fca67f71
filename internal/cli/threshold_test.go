package cli

import (
	"testing"
	"time"

	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// A small unit is told both of its choices, and how to have each; the message that sets a
// threshold reports what was asked for, whatever today's size gives.
func TestTheChoicesOfASmallUnitAreTold(t *testing.T) {
	small := infectioncontrol.Threshold{Facility: "invented-east", Technique: surveil.ConstantSite, Class: surveil.AccessRelated,
		Reference: 0.2, RateRatio: 2, H: 0.694, InControl: 341.2, Asked: 120,
		Choices: []infectioncontrol.Choice{{H: 0.347, InControl: 113.65,
			Says: "one infection by itself is a signal: false alarm after 9.5 years"},
			{H: 0.694, InControl: 341.2, Says: "a second one is"}}}
	want := "choice: threshold 0.347, one infection by itself is a signal: false alarm after 9.5 years (--in-control-months " +
		"113)\nchoice: threshold 0.694, a second one is (this one)\n"
	if got := choices(small); got != want {
		t.Errorf("%s", got)
	}
	if got := choices(infectioncontrol.Threshold{}); got != "" {
		t.Errorf("a larger unit has %q", got)
	}
	by := &cannularyv1.StaffIdentifier{System: "invented", Value: "S-1"}
	set := thresholdMessage(Env{Now: time.Now}, small, by, "cli").GetRoster().GetFacts()[0].GetSurveillanceThresholdSet()
	if set.GetInControlMonths() != 120 || set.GetThreshold() != 0.694 {
		t.Errorf("%v", set)
	}
}
