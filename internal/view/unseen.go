package view

import "hash/maphash"

// unseen tells of most keys that a view does not hold that it does not, without a look at the file. It is a Bloom filter
// of a view that it saw from its beginning: while a log is read for the first time, nearly every look-up would find
// nothing.
type unseen struct {
	seed maphash.Seed
	bits []uint64
	some bool // a key was noted
}

// unseenBits are 8 MB: of seven million keys, those of a million events, one in a hundred is taken for one that may be there.
const unseenBits = 1 << 26

// probes is how many bits a key sets.
const probes = 4

func newUnseen() *unseen {
	return &unseen{seed: maphash.MakeSeed(), bits: make([]uint64, unseenBits/64)}
}

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

// lacks tells that the view surely does not hold a key. A nil filter is never sure.
func (u *unseen) lacks(kind keyKind, parts ...string) bool {
	if u == nil {
		return false
	}
	h := u.hash(kind, parts)
	for i := range uint64(probes) {
		if at := (h + i*(h>>32|1)) % unseenBits; u.bits[at/64]&(1<<(at%64)) == 0 {
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
	u.some = true
	h := u.hash(kind, parts)
	for i := range uint64(probes) {
		at := (h + i*(h>>32|1)) % unseenBits
		u.bits[at/64] |= 1 << (at % 64)
	}
}

// noted tells that the view may hold something.
func (u *unseen) noted() bool { return u != nil && u.some }
