package protocol_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func adopted(id, facility, from string, at int, p *cannularyv1.Protocol) record.Item {
	return record.Item{Fact: record.Fact{ID: id, Facility: facility, At: time.Unix(int64(at), 0), Kind: record.KindProtocolAdopted,
		Body: &cannularyv1.ProtocolAdopted{Version: id, EffectiveFrom: from, Protocol: p}}}
}

func TestTheProtocolInForce(t *testing.T) {
	void := adopted("void", "u", "2025-06-01", 9, &cannularyv1.Protocol{})
	void.Void = true
	b := protocol.NewBook([]record.Item{
		adopted("a", "u", "2025-01-01", 1, &cannularyv1.Protocol{}), adopted("b", "u", "2025-03-01", 2, &cannularyv1.Protocol{}),
		adopted("d", "u", "2025-04-01", 5, &cannularyv1.Protocol{}), adopted("c", "u", "2025-04-01", 4, &cannularyv1.Protocol{}),
		adopted("e", "u", "2025-05-01", 6, &cannularyv1.Protocol{}), adopted("f", "u", "2025-05-01", 6, &cannularyv1.Protocol{}),
		adopted("x", "elsewhere", "2025-01-01", 1, &cannularyv1.Protocol{}), void,
	})
	for date, want := range map[string]string{
		"2024-12-31": "defaults", // before any was adopted
		"2025-01-01": "a", "2025-02-28": "a", "2025-03-01": "b",
		"2025-04-01": "d", // the same day: the later adoption
		"2025-05-01": "f", // the same moment: the higher id
		"2025-06-02": "f", // what was taken back is not in force
	} {
		if got := b.On("u", date).Version; got != want {
			t.Errorf("on %s %s is in force, want %s", date, got, want)
		}
	}
	if got := b.On("nowhere", "2025-05-01").Version; got != "defaults" {
		t.Errorf("a facility without protocol has %s", got)
	}
}

// Six sessions, 5 degrees, 7 and 14 days, two easy entries, three blunt sessions: each
// default stands with its source beside its field in the schema (common practice, from
// memory, or this project's own).
func TestDefaults(t *testing.T) {
	want := protocol.Parameters{Version: "defaults", FormingTarget: 6, AngleTolerance: 5, NeedsListed: true,
		NeedsSameSpot: true, NeedsSamePath: true,
		NeedsSameAngle: true, GapExtraDays: 7, GapRestartDays: 14, EasyEntries: 2, TrialSessions: 3, DisinfectionsMin: 2,
		ChlorhexidineSecs: 30, PovidoneSecs: 120}
	got := protocol.Defaults()
	if got.Antiseptics != nil {
		t.Errorf("antiseptics %v", got.Antiseptics)
	}
	got.Antiseptics = nil
	if !equal(got, want) {
		t.Errorf("defaults are %+v", got)
	}
	p := protocol.From("v", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(9), CountNeedsSameSpot: proto.Bool(false),
		UsesPegs: proto.Bool(true), TrialSessions: proto.Uint32(4)})
	if p.FormingTarget != 9 || p.NeedsSameSpot || !p.NeedsSamePath || !p.UsesPegs || p.TrialSessions != 4 || p.GapExtraDays != 7 {
		t.Errorf("a protocol that changes four things is %+v", p)
	}
	// However it came into the log, fewer than six is never in force.
	if p := protocol.From("v", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(3)}); p.FormingTarget != protocol.Floor {
		t.Errorf("a target of 3 is %d", p.FormingTarget)
	}
}

func equal(a, b protocol.Parameters) bool {
	return a.Version == b.Version && a.FormingTarget == b.FormingTarget && a.UsesPegs == b.UsesPegs &&
		a.AngleTolerance == b.AngleTolerance &&
		a.NeedsListed == b.NeedsListed && a.NeedsSameSpot == b.NeedsSameSpot && a.NeedsSamePath == b.NeedsSamePath &&
		a.NeedsSameAngle == b.NeedsSameAngle &&
		a.GapExtraDays == b.GapExtraDays && a.GapRestartDays == b.GapRestartDays && a.EasyEntries == b.EasyEntries &&
		a.TrialSessions == b.TrialSessions &&
		a.SharpOnly == b.SharpOnly && a.DisinfectionsMin == b.DisinfectionsMin && a.ChlorhexidineSecs == b.ChlorhexidineSecs &&
		a.PovidoneSecs == b.PovidoneSecs
}
