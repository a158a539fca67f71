package record

import (
	"fmt"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Reach tells whether a correction or void has something to act on.
type Reach string

// What a correction or void can find.
const (
	Reached      Reach = ""
	NotArrived   Reach = "not-arrived"   // the message or session that it names has not arrived
	NoSuchFact   Reach = "no-such-fact"  // the message has arrived and has no such fact
	OtherKind    Reach = "other-kind"    // a correction by a fact of another kind, or of a correction
	OtherSubject Reach = "other-subject" // it names a fact about another patient or facility
)

// Says words it for whoever looks after the sending system.
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

// Amends tells whether the fact is a correction or void.
func (f *Fact) Amends() bool { return f.Target != "" || f.TargetSession != "" }

// Names says what a correction or void names, in the sender's terms.
func (f *Fact) Names() string {
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		return fmt.Sprintf("session %q of %s", value, system)
	}
	ref := f.Correction.GetFact()
	if b, ok := f.Body.(*cannularyv1.FactVoided); ok {
		ref = b.GetFact()
	}
	source := ref.GetSource()
	if source == "" {
		source = f.Source
	}
	return fmt.Sprintf("fact %d of %s %q", ref.GetOrdinal(), source, ref.GetSourceMessageId())
}

// TakenBack tells whether a void takes back the fact of that id, which may itself be a
// correction or void. facts are as for Effective.
func TakenBack(facts []Fact, id string) bool { return newVoids(facts).void(id) }

// ReachOf tells what a correction or void finds. named are the facts of the message, or of
// the session, that it names, as far as they have arrived; related tells whether an
// amendment may touch a fact. Effective follows the same rules.
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
		case !related(f, t) && t.MergedKey == "": // any patient's void of a merge counts
			return OtherSubject
		case f.Kind == KindFactCorrected && (!t.Plain() || f.BodyKind() != t.Kind):
			return OtherKind
		}
		return Reached
	}
	return reach
}
