package simulate

import (
	"slices"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// envelopeOf returns the message's envelope, nil if there is none.
func envelopeOf(m *v1.FeedRequest) *v1.Envelope {
	switch x := m.GetMessage().(type) {
	case *v1.FeedRequest_Roster:
		return x.Roster.GetEnvelope()
	case *v1.FeedRequest_Cannulation:
		return x.Cannulation.GetEnvelope()
	case *v1.FeedRequest_Assessment:
		return x.Assessment.GetEnvelope()
	case *v1.FeedRequest_Surveillance:
		return x.Surveillance.GetEnvelope()
	}
	return nil
}

// isSetup reports whether the message registers a facility or adopts a protocol.
func isSetup(m *v1.FeedRequest) bool {
	return slices.ContainsFunc(m.GetRoster().GetFacts(), func(f *v1.RosterFact) bool {
		return f.GetFacilityRegistered() != nil || f.GetProtocolAdopted() != nil
	})
}

// Shuffle returns the same messages, with repeats, in another order of arrival. Each arrives at
// its occurred_at plus a delay drawn evenly from 0 to window, so no message comes before one
// that occurred more than window earlier. Messages that register a facility or adopt a protocol
// stay first, in their order. The same arguments give the same order. msgs is left as it is. A
// window below zero counts as none.
func Shuffle(msgs []*v1.FeedRequest, window time.Duration, seed uint64) []*v1.FeedRequest {
	type placed struct {
		m  *v1.FeedRequest
		at time.Time
	}
	window = max(window, 0)
	c := newChance(seed, streamLate)
	out := make([]*v1.FeedRequest, 0, len(msgs))
	var rest []placed
	for _, m := range msgs {
		if isSetup(m) {
			out = append(out, m)
			continue
		}
		delay := time.Duration(c.Float64() * float64(window))
		rest = append(rest, placed{m, envelopeOf(m).GetOccurredAt().AsTime().Add(delay)})
	}
	slices.SortStableFunc(rest, func(a, b placed) int { return a.at.Compare(b.at) })
	for _, r := range rest {
		out = append(out, r.m)
	}
	return out
}
