package protocol_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func TestAnotherProtocolInACopyOfTheBook(t *testing.T) {
	b := protocol.NewBook([]record.Item{
		adopted("a", "u", "2025-01-01", 1, &cannularyv1.Protocol{}), adopted("b", "u", "2025-03-01", 2, &cannularyv1.Protocol{}),
		adopted("c", "u", "2025-05-01", 3, &cannularyv1.Protocol{}), adopted("x", "elsewhere", "2025-01-01", 1, &cannularyv1.Protocol{}),
	})
	other := &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(9)}
	w := b.With("u", "2025-03-01", "other", other)
	for date, want := range map[string]string{"2024-12-31": "defaults", "2025-01-01": "a", "2025-02-28": "a", "2025-03-01": "other",
		"2025-05-01": "other", "2030-01-01": "other"} {
		if got := w.On("u", date).Version; got != want {
			t.Errorf("in the copy %s is in force on %s, want %s", got, date, want)
		}
	}
	if got := w.On("elsewhere", "2025-04-01").Version; got != "x" {
		t.Errorf("the other unit has %s, want x", got)
	}
	if got := w.On("u", "2025-03-01").FormingTarget; got != 9 {
		t.Errorf("the other protocol asks for %d sessions, want 9", got)
	}
	for date, want := range map[string]string{"2025-03-01": "b", "2025-05-01": "c"} {
		if got := b.On("u", date).Version; got != want {
			t.Errorf("the book itself has %s on %s now, want %s", got, date, want)
		}
	}
	if got := protocol.NewBook(nil).With("u", "2025-01-01", "other", other).On("u", "2025-01-01").Version; got != "other" {
		t.Errorf("a unit without a protocol gets %s, want other", got)
	}
}

func TestWhatAnotherProtocolLeavesOutStaysAsTheUnitHasItInEachPeriod(t *testing.T) {
	with := func(pegs bool, gap uint32, agents ...cannularyv1.Antiseptic) *cannularyv1.Protocol {
		return &cannularyv1.Protocol{UsesPegs: proto.Bool(pegs), GapExtraDays: proto.Uint32(gap), Antiseptics: agents}
	}
	b := protocol.NewBook([]record.Item{
		adopted("a", "u", "2025-01-01", 1, with(true, 5, cannularyv1.Antiseptic_ANTISEPTIC_ALCOHOL)),
		adopted("b", "u", "2025-03-01", 2, with(false, 6)),
	})
	w := b.With("u", "2024-01-01", "other", &cannularyv1.Protocol{GapExtraDays: proto.Uint32(4),
		Antiseptics: []cannularyv1.Antiseptic{cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE}})
	for date, pegs := range map[string]bool{"2024-06-01": false, "2025-01-01": true, "2025-02-28": true, "2025-03-01": false,
		"2026-01-01": false} {
		p := w.On("u", date)
		if p.Version != "other" || p.UsesPegs != pegs || p.GapExtraDays != 4 {
			t.Errorf("on %s: %s, pegs %v, gap %d; want other, %v, 4", date, p.Version, p.UsesPegs, p.GapExtraDays, pegs)
		}
		if len(p.Antiseptics) != 1 || p.Antiseptics[0] != cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE {
			t.Errorf("on %s the antiseptics are %v", date, p.Antiseptics)
		}
	}
	if p := b.On("u", "2025-01-01"); p.GapExtraDays != 5 || p.Antiseptics[0] != cannularyv1.Antiseptic_ANTISEPTIC_ALCOHOL {
		t.Errorf("the book itself has %+v now", p)
	}
}
