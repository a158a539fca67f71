package grpcapi_test

import (
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "cannulary/proto/cannulary/v1"
)

func newTimestamp(fd protoreflect.FieldDescriptor) protoreflect.Message {
	return (&timestamppb.Timestamp{}).ProtoReflect().Type().New()
}

// handmade breaks the rules that are written as expressions, by rule id. Each gets the
// message that has the rule or the field with the rule.
func handmade() map[string][]func(m proto.Message) {
	noPlace := func(m proto.Message) {
		r := m.ProtoReflect()
		for _, name := range []protoreflect.Name{"track", "access"} {
			r.Clear(r.Descriptor().Fields().ByName(name))
		}
	}
	replace := func(with func(r protoreflect.Message, oneof protoreflect.OneofDescriptor)) func(proto.Message) {
		return func(m proto.Message) {
			r := m.ProtoReflect()
			inner := r.Mutable(r.Descriptor().Fields().ByName("replacement")).Message()
			with(inner, inner.Descriptor().Oneofs().Get(0))
		}
	}
	byName := func(name protoreflect.Name) func(proto.Message) {
		return replace(func(r protoreflect.Message, o protoreflect.OneofDescriptor) { r.Mutable(o.Fields().ByName(name)) })
	}
	on := func(change func(p *v1.Protocol)) func(proto.Message) {
		return func(m proto.Message) {
			if p, ok := m.(*v1.Protocol); ok {
				change(p)
			}
		}
	}
	return map[string][]func(m proto.Message){
		"correction.precision": {
			func(m proto.Message) { m.(*v1.Correction).CorrectedPrecision = 0 },
			func(m proto.Message) { m.(*v1.Correction).CorrectedOccurredAt = nil },
		},
		"replacement.plain": {byName("fact_corrected"), byName("fact_voided"), byName("session_voided")},
		"protocol.tip_distance": {
			on(func(p *v1.Protocol) { p.TipDistanceStopMillimetres = proto.Uint32(61) }),
			on(func(p *v1.Protocol) { p.TipDistanceMinMillimetres = proto.Uint32(80) }),
			on(func(p *v1.Protocol) { p.TipDistanceMinMillimetres, p.TipDistanceMaxMillimetres = nil, proto.Uint32(60) }),
			on(func(p *v1.Protocol) {
				p.TipDistanceStopMillimetres, p.TipDistanceMinMillimetres = nil, proto.Uint32(49)
			}),
		},
		"protocol.angle": {
			on(func(p *v1.Protocol) { p.AngleMinDegrees = proto.Float64(35) }),
			on(func(p *v1.Protocol) { p.AngleMinDegrees, p.AngleMaxDegrees = nil, proto.Float64(20) }),
		},
		"protocol.unused": {
			on(func(p *v1.Protocol) { p.UnusedCautionDays = proto.Uint32(42) }),
			on(func(p *v1.Protocol) { p.UnusedCautionDays, p.UnusedStopDays = nil, proto.Uint32(21) }),
		},
		"protocol.gap": {
			on(func(p *v1.Protocol) { p.GapExtraDays = proto.Uint32(14) }),
			on(func(p *v1.Protocol) { p.GapExtraDays, p.GapRestartDays = nil, proto.Uint32(7) }),
		},
		"census.subset": {func(m proto.Message) {
			c := m.(*v1.CensusCounted)
			c.FistulaOfWhichConstantSite = c.GetFistula() + 1
		}},
		"tracks.distinct": {
			func(m proto.Message) { p := m.(*v1.TrackPlanned); p.Tracks[1].Track = p.Tracks[0].GetTrack() },
			func(m proto.Message) { p := m.(*v1.TrackPlanned); p.Tracks[1].Role = p.Tracks[0].GetRole() },
		},
		"needle_inserted.where":   {noPlace},
		"needle_removed.where":    {noPlace},
		"complication_seen.where": {noPlace},
		"review_opened.where":     {noPlace},
		"hold_placed.scope":       {noPlace, func(m proto.Message) { h := m.(*v1.HoldPlaced); h.Track, h.Access = "A1", "F1" }},
		"device.something":        {func(m proto.Message) { proto.Reset(m) }},
		"access_examined.something": {func(m proto.Message) {
			e := m.(*v1.AccessExamined)
			e.Look, e.Listen, e.Feel, e.Sites = nil, nil, nil, nil
		}},
		"culture.organisms": {func(m proto.Message) { m.(*v1.CultureResulted).Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE }},
		"organism.susceptibilities": {func(m proto.Message) {
			o := m.(*v1.Organism)
			o.Susceptibilities = append(o.Susceptibilities, o.Susceptibilities[0])
		}},
		"event_outcome.something": {func(m proto.Message) {
			o := m.(*v1.EventOutcomeAssessed)
			o.HospitalStay, o.AccessLost, o.Death = v1.Answer_ANSWER_UNSPECIFIED, v1.Answer_ANSWER_UNSPECIFIED, v1.Answer_ANSWER_UNSPECIFIED
		}},
		"site_signs.something": {func(m proto.Message) {
			s := m.(*v1.SiteSignsSeen)
			s.Pus, s.Redness, s.Swelling = v1.Finding_FINDING_ABSENT, v1.Finding_FINDING_UNSPECIFIED, v1.Finding_FINDING_NOT_EXAMINED
		}},
	}
}

func celBreakers(t *testing.T, name, id string, at place, path string) []breaker {
	t.Helper()
	var out []breaker
	for _, change := range handmade()[id] {
		out = append(out, breaker{name + " " + id, "by hand", path, strings.ToUpper(strings.ReplaceAll(id, ".", "_")),
			func(root protoreflect.Message) { change(at.find(root).Interface()) }})
	}
	if id == "identifier.characters" {
		_, field, _ := strings.Cut(name, ".")
		for _, s := range []string{" 1", "1 ", " ", "1\r", "1\n", "\t1", "1\u00a0", "\u30001", "1\u200b1", "\ufeff1", "1\u0085", "1\u20282"} {
			out = append(out, breaker{name + " " + id, strconv.QuoteToASCII(s), path, "IDENTIFIER_CHARACTERS", func(root protoreflect.Message) {
				m := at.find(root)
				m.Set(m.Descriptor().Fields().ByName(protoreflect.Name(field)), protoreflect.ValueOfString(s))
			}})
		}
	}
	if len(out) == 0 {
		t.Errorf("%s: the rule %s has no breaker", name, id)
	}
	return out
}
