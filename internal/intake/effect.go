package intake

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
)

// effects notices corrections and voids of what has arrived that change nothing as the record stands.
func (n *noticing) effects() {
	if len(n.m.amendments()) == 0 && !slices.ContainsFunc(n.m.facts, func(f proto.Message) bool { return sessionVoid(f) != nil }) {
		return
	}
	own, err := n.in.own(n.m, n.event)
	if n.err = errors.Join(n.err, err); n.err != nil {
		return
	}
	// What the message says itself comes first, then its corrections and voids in their order.
	said := slices.DeleteFunc(slices.Clone(own), func(f record.Fact) bool { return f.Amends() })
	for i := range own {
		f := &own[i]
		if !f.Amends() {
			continue
		}
		// First what nearly every one finds: an effect on facts of the envelope's identity.
		text, idle := n.idle(f, said, []string{n.key})
		if idle && n.key != "" {
			text, idle = n.idle(f, said, n.identities().Group(n.key))
		}
		if idle && text != "" && n.err == nil {
			n.say("facts[%d].%s", i, text)
		}
		said = append(said, *f)
	}
}

// idle reports whether a correction or void changes nothing, and says why; why is empty where amended says it. said are the
// message's facts before it, keys the patient's.
func (n *noticing) idle(f *record.Fact, said []record.Fact, keys []string) (why string, idle bool) {
	facts := slices.Concat(n.around(f, said, keys), said)
	before, after := states(facts), append(slices.Clone(facts), *f)
	if !maps.Equal(before, states(after)) {
		return "", false
	}
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		why = "whose facts are void already: as the record stands, it changes nothing"
		if len(before) == 0 {
			why = "of which nothing has arrived: it changes nothing until something does"
		}
		return fmt.Sprintf("session_voided names session %q of %s, %s", value, system, why), true
	}
	at := slices.IndexFunc(facts, func(t record.Fact) bool { return t.ID == f.Target })
	if at < 0 {
		return "", true
	}
	t, field := &facts[at], "fact_voided.fact"
	if f.Correction != nil {
		field = "fact_corrected.correction.fact"
	}
	by := slices.IndexFunc(facts, func(c record.Fact) bool { return c.ID == before[t.ID] })
	switch {
	case record.Voided(after, f.ID):
		why = "and is void itself by what came before it: as the record stands, it changes nothing"
	case (before[t.ID] == void || record.Voided(facts, t.ID)) && f.Correction != nil:
		why = "which is void: as the record stands, this does not bring it back"
	case before[t.ID] == void || record.Voided(facts, t.ID):
		why = "which is void already: as the record stands, it changes nothing"
	case f.Correction != nil && by >= 0:
		c := facts[by].Correction
		why = fmt.Sprintf("of which revision %d stands, asserted at %s: as the record stands, this one does not; what is to replace "+
			"that one needs a higher revision", c.GetRevision(), c.GetAssertedAt().AsTime().Format(time.RFC3339))
	default:
		why = fmt.Sprintf("a %s: as the record stands, taking it back changes nothing", t.Kind)
	}
	return fmt.Sprintf("%s names fact %d of message %q of source %q, %s", field, t.Ordinal, n.messageOf(f), t.Source, why), true
}

// messageOf returns the id of the message that a correction or void names.
func (n *noticing) messageOf(f *record.Fact) string {
	for _, a := range n.m.amendments() {
		if a.ordinal == f.Ordinal {
			return a.ref.GetSourceMessageId()
		}
	}
	return ""
}

// around returns the facts of the log on which the effect of a correction or void depends.
func (n *noticing) around(f *record.Fact, said []record.Fact, keys []string) []record.Fact {
	var seqs []uint64
	topics := []string{topicAmended + n.event}
	for met := map[string]bool{}; f.Target != "" && !met[f.Target] && n.err == nil; {
		met[f.Target] = true
		facts := said
		if event := record.EventOf(f.Target); event != n.event {
			k, ok, err := n.in.index.find(n.ctx, event)
			if n.err = errors.Join(n.err, err); err != nil || !ok {
				break
			}
			seqs = append(seqs, k.seq)
			facts, n.err = n.in.logged(n.ctx, k.seq)
		}
		at := slices.IndexFunc(facts, func(t record.Fact) bool { return t.ID == f.Target })
		if at < 0 {
			break
		}
		f = &facts[at]
	}
	if f.MergedKey != "" {
		keys = nil // a void of a merge can come from any patient
	}
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		for _, k := range keys {
			session := record.SessionID(k, system, value)
			topics = append(topics, topicSession+session, topicAmended+session)
		}
	}
	return n.facts(keys, seqs, topics...)
}

// void is the state of a fact that counts for nothing.
const void = "void"

// states returns of each plain fact whether it is void, else which correction stands.
func states(facts []record.Fact) map[string]string {
	out := map[string]string{}
	for _, it := range record.Effective(facts) {
		if out[it.ID] = it.CorrectedBy; it.Void {
			out[it.ID] = void
		}
	}
	return out
}
