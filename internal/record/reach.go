package record

import (
	"cmp"
	"fmt"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Reach says whether a correction or a void has something to act on.
type Reach string

// The reaches of a correction or a void.
const (
	Reached      Reach = ""
	NotArrived   Reach = "not-arrived"   // the message or session that it names has not arrived
	NoSuchFact   Reach = "no-such-fact"  // the message has arrived and has no such fact
	OtherKind    Reach = "other-kind"    // a correction by a fact of another kind, or of a correction
	OtherSubject Reach = "other-subject" // it names a fact about another patient or facility
)

// Says returns the reach in words for those who look after the sending system.
func (r Reach) Says() string {
	switch r {
	case Reached:
		return "it has an effect"
	case NotArrived:
		return "what it names has not arrived"
	case NoSuchFact:
		return "the message that it names has no such fact"
	case OtherKind:
		return "the fact that it names is of another kind, or itself a correction"
	case OtherSubject:
		return "the fact that it names is about another patient or facility"
	}
	return string(r)
}

// Amends reports whether the fact is a correction or a void.
func (f *Fact) Amends() bool { return f.Target != "" || f.TargetSession != "" }

// Names returns what a correction or a void names, in the sender's terms.
func (f *Fact) Names() string {
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		return fmt.Sprintf("session %q of %s", value, system)
	}
	ref := f.Correction.GetFact()
	if b, ok := f.Body.(*cannularyv1.FactVoided); ok {
		ref = b.GetFact()
	}
	source := cmp.Or(ref.GetSource(), f.Source)
	return fmt.Sprintf("fact %d of %s %q", ref.GetOrdinal(), source, ref.GetSourceMessageId())
}

// Voided reports whether a void voids the fact of that id, which can itself be a correction or a
// void. facts are as for Effective.
func Voided(facts []Fact, id string) bool { return newVoids(facts).void(id) }

// ReachOf returns the reach of a correction or a void. named are the facts of the message or
// session that it names, as far as they have arrived. related reports whether an amendment can
// change a fact. Effective follows the same rules.
func ReachOf(f *Fact, named []Fact, related func(a, b *Fact) bool) Reach {
	reach := NotArrived
	for i := range named {
		t := &named[i]
		if f.TargetSession != "" {
			if t.Plain() && t.HasSession() && SessionKey(t.SessionSystem, t.SessionValue) == f.TargetSession && related(f, t) {
				return Reached
			}
			continue
		}
		if t.ID != f.Target {
			if reach == NotArrived {
				reach = NoSuchFact
			}
			continue
		}
		switch {
		case !related(f, t) && t.MergedKey == "": // a void of a merge can come from any patient
			return OtherSubject
		case f.Kind == KindFactCorrected && (!t.Plain() || f.BodyKind() != t.Kind):
			return OtherKind
		}
		return Reached
	}
	return reach
}
