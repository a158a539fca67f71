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
	other := protocol.From("other", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(9)})
	w := b.With("u", "2025-03-01", other)
	for date, want := range map[string]string{"2024-12-31": "defaults", "2025-01-01": "a", "2025-02-28": "a", "2025-03-01": "other", "2025-05-01": "other", "2030-01-01": "other"} {
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
	if got := protocol.NewBook(nil).With("u", "2025-01-01", other).On("u", "2025-01-01").Version; got != "other" {
		t.Errorf("a unit without a protocol gets %s, want other", got)
	}
}
