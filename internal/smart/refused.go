package smart

import "sync/atomic"

// What a token is for.
const (
	useAssertion = "assertion" // a client's, at the token endpoint
	useAccess    = "access"    // with a request
	useHook      = "hook"      // with a call of CDS Hooks
)

// Why a token is refused.
const (
	malformed    = "malformed"    // it cannot be read, or says not all that it must
	unregistered = "unregistered" // nobody in the policy, no key in the key set, or no token that was given stands for it
	forged       = "forged"       // the signature is not of the registered key
	untimely     = "untimely"     // it has ended, or begins or ends too late
	misdirected  = "misdirected"  // it is for another service
	replayed     = "replayed"     // it was used before
	unchecked    = "unchecked"    // nobody could tell: the key set or the store of tokens was out of reach
)

// Refusal says of which use and class tokens were refused.
type Refusal struct{ Use, Class string }

// Refusals count them. All counters are there from the start: so one that begins to grow can be seen to.
type Refusals map[Refusal]*atomic.Uint64

// NewRefusals returns counters at 0.
func NewRefusals() Refusals {
	out := Refusals{}
	for _, use := range []string{useAssertion, useAccess, useHook} {
		for _, class := range []string{malformed, unregistered, forged, untimely, misdirected, replayed, unchecked} {
			out[Refusal{use, class}] = &atomic.Uint64{}
		}
	}
	return out
}

func (r Refusals) add(use, class string) { r[Refusal{use, class}].Add(1) }

// Counts returns how many tokens were refused since the start.
func (r Refusals) Counts() map[Refusal]uint64 {
	out := map[Refusal]uint64{}
	for which, n := range r {
		out[which] = n.Load()
	}
	return out
}
