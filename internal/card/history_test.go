package card_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// A hold on an access that is no longer used is history: said once and quietly.
func TestAHoldOnARetiredAccessIsSaidOnceAsHistory(t *testing.T) {
	x := held(t)
	x.j.Accesses[0].Retired = true
	x.j.Tracks[0].Stage, x.j.Tracks[0].Held = track.Retired, nil
	x.j.Holds = x.j.Holds[:1]
	x.j.Findings = []track.Finding{{ID: "f", Rule: rule.ThrillAbsent, Severity: rule.Stop, Access: "F1", Since: x.j.Holds[0].Since,
		Seen: "no thrill was felt", Hold: "h1"}}
	c := x.card()
	if c.StandingHold || len(c.Holds) != 0 || len(c.History) != 1 || c.History[0].Urgent {
		t.Fatalf("holds %+v, history %+v", c.Holds, c.History)
	}
	got := strings.Join(strings.Fields(card.Text(c)), " ")
	want := "HISTORY A hold on access F1, which is no longer used, was never lifted: no thrill was felt (since 2026-07-06 09:30 WEST; " +
		"thrill-absent). Ask the lead nurse to lift it. Hold h1"
	if strings.Count(got, want) != 1 || strings.Count(got, "no thrill was felt") != 1 || strings.Contains(got, "URGENT") ||
		strings.Contains(got, "Call now") || strings.Contains(got, "STOP") {
		t.Errorf("the text is %s", card.Text(c))
	}
}

// Several reports of one rule, place and date are one hold; each keeps its own id.
func TestReportsShownAsOneHoldAreCountedAndNamed(t *testing.T) {
	x := held(t)
	second := x.j.Holds[0]
	second.ID, second.Since = "h4", second.Since.Add(time.Minute)
	x.j.Holds = append(x.j.Holds, second)
	c := x.card()
	if len(c.Holds) != 2 || strings.Join(c.Holds[0].IDs, " ") != "h1 h4" {
		t.Fatalf("holds are %+v", c.Holds)
	}
	if !strings.Contains(c.Holds[0].Text, "2 reports are shown as this one hold. Lift them together.") {
		t.Errorf("the hold says %s", c.Holds[0].Text)
	}
	if got := card.Text(c); !strings.Contains(got, "2 holds, to be lifted together: h1, h4\n") {
		t.Errorf("the text is %s", got)
	}
}

// What is known to the day is shown without an hour.
func TestAHoldKnownToTheDayShowsNoHour(t *testing.T) {
	x := held(t)
	x.j.Holds[0].DayKnown, x.j.Holds[0].Date = true, "2026-07-06"
	h := x.card().Holds[0]
	if h.Day != "2026-07-06" || !strings.Contains(h.Text, "Hold since 2026-07-06, time not recorded (thrill-absent).") {
		t.Errorf("the hold says %s", h.Text)
	}
}

// What the first insertion does not record is shown from the plan, and said so.
func TestWhatIsThePlansIsSaid(t *testing.T) {
	x := forming(t)
	x.j.Tracks[0].Founded, x.j.Tracks[0].FromPlan, x.j.Tracks[0].PlanDiffers = true, []string{"direction", "depth"}, []string{"angle 28°"}
	c := x.card()
	for _, want := range []string{"The first insertion does not record direction, depth. The plan's values are shown.",
		"The plan says otherwise: angle 28°. Follow the track as it was made."} {
		if !strings.Contains(card.Text(c), want) {
			t.Errorf("the text does not say %q: %s", want, card.Text(c))
		}
	}
}

// Treatment after a recorded death is somebody's mistake, perhaps another patient's. (Common practice, no source.)
func TestADeathBeforeATreatmentIsShown(t *testing.T) {
	left := func(r v1.LeavingReason) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: r}}}
	}
	const want = "The death of this patient is recorded for 2025-03-05, and treatment is recorded after it."
	for _, c := range []struct {
		sentence string
		tell     func(h *history)
		want     bool
	}{
		{"a death alone", func(h *history) {
			h.planned().needles(1, 3).roster(day(5), left(v1.LeavingReason_LEAVING_REASON_DEATH))
		}, false},
		{"a needle after it", func(h *history) {
			h.planned().needles(1, 3).roster(day(5), left(v1.LeavingReason_LEAVING_REASON_DEATH)).needles(7)
		}, true},
		{"a needle after a transfer", func(h *history) {
			h.planned().needles(1, 3).roster(day(5), left(v1.LeavingReason_LEAVING_REASON_TRANSFER)).needles(7)
		}, false},
		{"the death was voided", func(h *history) {
			h.planned().needles(1, 3).roster(day(5), left(v1.LeavingReason_LEAVING_REASON_DEATH))
			h.needles(7).voids(day(8), fmt.Sprint("m", len(h.events)-2))
		}, false},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			h := &history{t: t}
			c.tell(h)
			if got := strings.Contains(strings.Join(h.card(9).Notices, "\n"), want); got != c.want {
				t.Errorf("shown: %v, want %v, in %q", got, c.want, h.card(9).Notices)
			}
			if got := strings.Contains(h.card(9).Tracks[0].Next.Caution, "make sure who this is"); got != c.want {
				t.Errorf("beside the needle: %v, want %v, in %q", got, c.want, h.card(9).Tracks[0].Next.Caution)
			}
		})
	}
}
