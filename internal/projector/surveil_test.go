package projector

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Where a unit's record begins rests on these sentences. What is a treatment is this project's own
// rule; no source.
func TestTreatmentBeginsWithItsStartOrItsFirstNeedle(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2025, time.March, 3, h, 0, 0, 0, time.UTC) }
	item := func(facility string, h int, body proto.Message) record.Item {
		return record.Item{Fact: record.Fact{Facility: facility, At: at(h), Body: body}}
	}
	void := func(it record.Item) record.Item { it.Void = true; return it }
	start := func(h int) record.Item { return item("harbour", h, &cannularyv1.SessionStarted{}) }
	needle := func(h int) record.Item { return item("harbour", h, &cannularyv1.NeedleInserted{}) }
	for _, c := range []struct {
		sentence string
		items    []record.Item
		want     map[string]time.Time
	}{
		{"a session of which nothing was reported has no treatment", nil, nil},
		{"treatment begins when the session starts", []record.Item{start(8)}, map[string]time.Time{"harbour": at(8)}},
		{"the needle comes before the start of the machine", []record.Item{start(8), needle(7)}, map[string]time.Time{"harbour": at(7)}},
		{"a needle is enough where no start was reported", []record.Item{needle(7)}, map[string]time.Time{"harbour": at(7)}},
		{"a start that was voided is none", []record.Item{void(start(8))}, nil},
		{"a session of which only the end was reported has no beginning", []record.Item{item("harbour", 12, &cannularyv1.SessionEnded{})}, nil},
		{"a session that was missed is no treatment", []record.Item{item("harbour", 8, &cannularyv1.SessionMissed{})}, nil},
		{"each facility has its own", []record.Item{start(8), item("lake", 9, &cannularyv1.NeedleInserted{})}, map[string]time.Time{"harbour": at(8), "lake": at(9)}},
	} {
		got := treatments(c.items)
		if len(got) != len(c.want) {
			t.Errorf("%s: got %v, want %v", c.sentence, got, c.want)
		}
		for f, w := range c.want {
			if !got[f].Equal(w) {
				t.Errorf("%s: at %s %v, want %v", c.sentence, f, got[f], w)
			}
		}
	}
}
