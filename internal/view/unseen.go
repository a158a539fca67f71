package view

import "hash/maphash"

// unseen tells of most keys that a view does not hold that it does not, without a look at the file. It saw the view from
// its beginning: while a log is read for the first time, nearly every look-up would find nothing. A few keys are kept by
// their hashes, many in a Bloom filter.
type unseen struct {
	seed maphash.Seed
	few  map[uint64]struct{}
	bits []uint64 // nil while they are few
}

const (
	// fewMost is how many keys are kept by their hashes: those of some thousand events.
	fewMost = 1 << 14
	// unseenBits are 8 MB: of seven million keys, those of a million events, one in a hundred is taken for one that may be there.
	unseenBits = 1 << 26
	// probes is how many bits a key sets.
	probes = 4
)

func newUnseen() *unseen { return &unseen{seed: maphash.MakeSeed(), few: map[uint64]struct{}{}} }

// keyKind keeps keys of different tables apart.
type keyKind byte

const (
	eventKey keyKind = iota
	sessionKey
	treatmentKey
	topicKey
	resourceKey
	termKey
)

func (u *unseen) hash(kind keyKind, parts []string) uint64 {
	var h maphash.Hash
	h.SetSeed(u.seed)
	_ = h.WriteByte(byte(kind))
	for _, p := range parts {
		_, _ = h.WriteString(p)
		_ = h.WriteByte(0)
	}
	return h.Sum64()
}

// probe is the number of the i-th bit of a key.
func probe(hash, i uint64) uint64 { return (hash + i*(hash>>32|1)) % unseenBits }

// lacks tells that the view surely does not hold a key. A nil filter is never sure.
func (u *unseen) lacks(kind keyKind, parts ...string) bool {
	if u == nil {
		return false
	}
	h := u.hash(kind, parts)
	if u.bits == nil {
		_, known := u.few[h]
		return !known
	}
	for i := range uint64(probes) {
		if at := probe(h, i); u.bits[at/64]&(1<<(at%64)) == 0 {
			return true
		}
	}
	return false
}

// note notes a key that is being stored.
func (u *unseen) note(kind keyKind, parts ...string) {
	if u == nil {
		return
	}
	h := u.hash(kind, parts)
	if u.bits != nil {
		u.set(h)
		return
	}
	if u.few[h] = struct{}{}; len(u.few) < fewMost {
		return
	}
	u.bits = make([]uint64, unseenBits/64)
	for h := range u.few {
		u.set(h)
	}
	u.few = nil
}

func (u *unseen) set(hash uint64) {
	for i := range uint64(probes) {
		at := probe(hash, i)
		u.bits[at/64] |= 1 << (at % 64)
	}
}

// noted tells that the view may hold something.
func (u *unseen) noted() bool { return u != nil && (len(u.few) > 0 || u.bits != nil) }
