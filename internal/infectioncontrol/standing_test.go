package infectioncontrol

import (
	"slices"
	"strings"
	"testing"

	"cannulary/internal/surveil"
)

func TestTheReportTellsOfAnswersToNoSignal(t *testing.T) {
	bloodstream := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	standing := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}
	for _, c := range []struct {
		sentence, month string
		ack             surveil.Acknowledgement
		want            string
	}{
		{"of another class", "2027-05", surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-05-04"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-05-04 (Fistula, constant-site, bloodstream infection) belonged to no signal: that chart " +
				"had none when it came. If another chart was meant, acknowledge that one."},
		{"after the month, before the report is made", "2027-05",
			surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-06-03"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-06-03 (Fistula, constant-site, bloodstream infection) belonged to no signal: that chart " +
				"had none when it came. If another chart was meant, acknowledge that one."},
		{"before the signal was given", "2027-02", surveil.Acknowledgement{ChartName: standing, On: day(t, "2027-02-04"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-02-04 (Fistula, constant-site, access-related bloodstream infection) belonged to no " +
				"signal: that chart had none when it came. The signal that stands there now came later. Acknowledge that one."},
		{"of an earlier month", "2027-05", surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-04-30"), By: "S-77"}, ""},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			w := invented(t)
			w.Unmatched = []surveil.Acknowledgement{c.ack}
			r := report(t, w, c.month, Knowledge{})
			i := slices.IndexFunc(r.Notices, func(n string) bool { return strings.HasPrefix(n, "The acknowledgement by") })
			if got := append(r.Notices, "")[max(0, i)]; c.want != "" && got != c.want || c.want == "" && i >= 0 {
				t.Errorf("%q", r.Notices)
			}
		})
	}
}

func TestAThresholdKnowsTheChartAsItIsSet(t *testing.T) {
	s := service(nil, invented(t))
	ask := ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated, RateRatio: 2, InControlMonths: 120}
	got, err := s.Threshold(t.Context(), ask)
	if err != nil || got.Current == nil || got.Current.SetBy != "S-900" || got.Current.Threshold != 1.9 || got.Current.Signal == nil {
		t.Errorf("%v %+v", err, got.Current)
	}
	ask.Class, ask.Reference = surveil.Bloodstream, 0.26
	if got, err := s.Threshold(t.Context(), ask); err != nil || got.Current != nil {
		t.Errorf("%v %+v of a chart that is not set", err, got.Current)
	}
}
