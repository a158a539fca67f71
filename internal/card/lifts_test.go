package card_test

import (
	"strings"
	"testing"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// placed is the id of the hold that the n-th message of a history places.
func placed(n string) string {
	return record.HoldID(rule.Person, record.FactID(record.EventID("test", n), 0))
}

func (h *history) holds(at time.Time) *history {
	return h.cannulation(at, hold(&v1.HoldPlaced{Track: "A1", Reason: "bruise"}))
}

func (h *history) lifts(at time.Time, id string) *history {
	return h.cannulation(at,
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: &v1.HoldLifted{Hold: id, LiftedBy: staff("CN-09"),
			Reason: "gone"}}})
}

func (h *history) voids(at time.Time, message string) *history {
	return h.cannulation(at,
		&v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{
			FactVoided: &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: message}, Reason: "mistake"}}})
}

// byDay leaves out the time of the last message.
func (h *history) byDay() *history {
	h.events[len(h.events)-1].Precision = v1.TimePrecision_TIME_PRECISION_DAY
	return h
}

func TestALiftThatLiftedNothingIsShown(t *testing.T) {
	const nothing = " matched no hold of this patient and lifted nothing. The id may belong to another hold, or the report behind that " +
		"hold has not arrived."
	elsewhere := placed("of another patient")
	for _, c := range []struct {
		sentence string
		tell     func(h *history)
		on       int // day of the card
		want     string
		open     bool
	}{
		{"of the open hold", func(h *history) { h.holds(day(3)).lifts(day(5), placed("m0")) }, 6, "", false},
		{"of another patient's hold", func(h *history) { h.holds(day(3)).lifts(day(5), elsewhere) }, 6,
			"A lift of hold " + elsewhere + " by CN-09 on 2025-03-05 08:00 UTC" + nothing, true},
		{"that arrived before the hold it names", func(h *history) { h.lifts(day(5), placed("m1")) }, 6,
			"A lift of hold " + placed("m1") + " by CN-09 on 2025-03-05 08:00 UTC" + nothing, false},
		{"once that hold arrives, it takes effect", func(h *history) { h.lifts(day(5), placed("m1")).holds(day(3)) }, 6, "", false},
		{"dated before the hold", func(h *history) { h.holds(day(5)).lifts(day(4), placed("m0")) }, 6,
			"A lift of hold " + placed("m0") + " by CN-09 on 2025-03-04 08:00 UTC lifted nothing. It came before the finding behind the " +
				"hold, as that is recorded now. The hold is open.", true},
		{"on the day of a hold of which only the day is known", func(h *history) { h.holds(day(5)).byDay().lifts(day(5), placed("m0")) }, 6,
			"lifted nothing. Of the finding behind the hold only the day is known, and a lift works from the next day on. The hold is open.", true},
		{"dated before the hold, and a later one that lifts it",
			func(h *history) { h.holds(day(5)).lifts(day(4), placed("m0")).lifts(day(6), placed("m0")) }, 7, "", false},
		{"a second time", func(h *history) { h.holds(day(3)).lifts(day(4), placed("m0")).lifts(day(5), placed("m0")) }, 6, "", false},
		{"voided", func(h *history) { h.holds(day(3)).lifts(day(5), elsewhere).voids(day(5), "m1") }, 6, "", true},
		{"on a day without a time: that day goes on", func(h *history) { h.holds(day(3)).lifts(day(6), placed("m0")).byDay() }, 6,
			"A lift by CN-09 on 2025-03-06 is recorded without a time. It works from the end of that day.", true},
		{"on a day without a time: that day is over", func(h *history) { h.holds(day(3)).lifts(day(5), placed("m0")).byDay() }, 6, "", false},
		{"later than the moment asked for", func(h *history) { h.holds(day(3)).lifts(day(8), elsewhere) }, 6, "", true},
		{"on the 28th day, with no hold open", func(h *history) { h.lifts(day(5), elsewhere) }, 32, nothing, false},
		{"after 28 days, with no hold open", func(h *history) { h.lifts(day(5), elsewhere) }, 33, "", false},
		{"after 28 days, while a hold is open", func(h *history) { h.holds(day(3)).lifts(day(5), elsewhere) }, 60, nothing, true},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			h := &history{t: t}
			c.tell(h)
			got := h.card(c.on)
			var said []string
			for _, n := range got.Notices {
				if strings.HasPrefix(n, "A lift ") {
					said = append(said, n)
				}
			}
			all := strings.Join(said, "\n")
			if c.want == "" && all != "" || c.want != "" && (len(said) != 1 || !strings.Contains(all, c.want)) {
				t.Errorf("told %q, want %q", all, c.want)
			}
			if got.StandingHold != c.open {
				t.Errorf("a hold is open: %v", got.StandingHold)
			}
		})
	}
}

func TestALiftOfAHoldThatNobodyCanLiftIsShown(t *testing.T) {
	h := &history{t: t}
	h.planned().
		roster(day(2), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1",
			Kind: v1.AccessKind_ACCESS_KIND_GRAFT}}})
	before := h.card(3)
	if len(before.Holds) == 0 || before.Holds[0].Rule != rule.NotAFistula {
		t.Fatalf("%+v", before.Holds)
	}
	h.add(day(3), "", &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{
		HoldLifted: &v1.HoldLifted{Hold: before.Holds[0].ID, LiftedBy: staff("CN-09"), Reason: "gone"}}}}})
	after := h.card(4)
	want := "A lift of hold " + before.Holds[0].ID + " by CN-09 on 2025-03-03 08:00 UTC lifted nothing. What clears this hold: the kind " +
		"of the access or the plan is corrected, or the track is retired; it cannot be lifted."
	if said := strings.Join(after.Notices, "\n"); !strings.Contains(said, want) || len(after.Holds) != len(before.Holds) {
		t.Errorf("%d holds; told %s", len(after.Holds), said)
	}
}
