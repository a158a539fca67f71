package protocol

import (
	"google.golang.org/protobuf/proto"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// With returns a copy of the book in which the facility's protocol has other parameters from a
// local date (YYYY-MM-DD) on. Each protocol that is in force there from then on keeps the
// parameters that other leaves out. All of them are named version. The book itself stays as it
// is.
func (b *Book) With(facility, from, version string, other *cannularyv1.Protocol) *Book {
	out := &Book{adopted: make(map[string][]adoption, len(b.adopted)+1)}
	for f, list := range b.adopted {
		if f != facility {
			out.adopted[f] = list
			continue
		}
		for _, a := range list {
			if a.from < from {
				out.adopted[f] = append(out.adopted[f], a)
			}
		}
	}
	for d, raw := range b.Asked(facility, from, other) {
		out.adopted[facility] = append(out.adopted[facility], adoption{from: d, params: From(version, raw), raw: raw})
	}
	return out
}

// merged returns the protocol in force at the facility on a local date (YYYY-MM-DD), with the
// parameters that other states in place of its own.
func (b *Book) merged(facility, date string, other *cannularyv1.Protocol) *cannularyv1.Protocol {
	raw := &cannularyv1.Protocol{}
	if a := b.inForce(facility, date); a != nil && a.raw != nil {
		raw = proto.CloneOf(a.raw)
	}
	if len(other.GetAntiseptics()) > 0 {
		raw.Antiseptics = nil // a list replaces a list
	}
	proto.Merge(raw, other)
	return raw
}

// Asked returns the protocols that With puts in force from the date on, without defaults, by the
// first local date of each.
func (b *Book) Asked(facility, from string, other *cannularyv1.Protocol) map[string]*cannularyv1.Protocol {
	out := map[string]*cannularyv1.Protocol{from: b.merged(facility, from, other)}
	for d := b.Next(facility, from); d != ""; d = b.Next(facility, d) {
		out[d] = b.merged(facility, d, other)
	}
	return out
}
