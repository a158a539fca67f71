package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/fault"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// yearsBefore is how many years before its facility was registered a treatment may lie without a
// notice: a unit posts its last years when it begins (ours, no source).
const yearsBefore = 2

// day24 is longer than any treatment.
const day24 = 24 * time.Hour

// noticed returns what is unlikely in an accepted message, and what in it has no effect, as far
// as the log knows. id is that of its event. What is recorded at facilities where the sender may not
// write is not told.
func (in *Intake) noticed(ctx context.Context, by *access.Principal, m Message, id string) ([]string, error) {
	if m.test() {
		return nil, nil
	}
	n := noticing{in: in, ctx: ctx, by: by, m: m, event: id}
	if p := m.Envelope.GetPatient(); p != nil {
		n.key = in.keyOf(p)
	}
	for i, f := range m.facts {
		at := fmt.Sprintf("facts[%d].%s", i, factName(f))
		n.out = append(n.out, unusual(at, f.ProtoReflect())...)
		if r, ok := f.(*cannularyv1.RosterFact); ok {
			n.roster(at, i, r)
		}
		if c, ok := f.(*cannularyv1.CannulationFact); ok {
			n.track(at, i, c)
		}
	}
	n.names()
	n.treated()
	n.effects()
	if n.err != nil {
		return nil, fault.Wrap(fault.Unavailable, n.err, "the service could not look up what is recorded already",
			"send the same message again")
	}
	return n.out, nil
}

// noticing collects the notices of one message.
type noticing struct {
	in    *Intake
	ctx   context.Context
	by    *access.Principal
	m     Message
	key   string // of the envelope's patient
	event string
	out   []string
	err   error

	resolved *record.Identities
}

func (n *noticing) say(format string, a ...any) { n.out = append(n.out, fmt.Sprintf(format, a...)) }

// roster checks one roster fact.
func (n *noticing) roster(at string, ordinal int, r *cannularyv1.RosterFact) {
	switch x := r.GetFact().(type) {
	case *cannularyv1.RosterFact_PatientsMerged:
		n.merge(at, ordinal, record.KindPatientsMerged, x.PatientsMerged.GetRetired())
	case *cannularyv1.RosterFact_MergeReversed:
		n.merge(at, ordinal, record.KindMergeReversed, x.MergeReversed.GetRetired())
	case *cannularyv1.RosterFact_IdentityStated:
		n.identity(at, x.IdentityStated)
		n.elsewhere(at, x.IdentityStated)
	case *cannularyv1.RosterFact_FactCorrected:
		if id := x.FactCorrected.GetReplacement().GetIdentityStated(); id != nil {
			n.elsewhere(at+".replacement.identity_stated", id)
		}
	case *cannularyv1.RosterFact_AccessCreated:
		n.access(at, x.AccessCreated)
	}
}

// merge notices a merge or a reversal without an effect, and a merge of two birth dates.
func (n *noticing) merge(at string, ordinal int, kind record.Kind, retired *cannularyv1.PatientIdentifier) {
	items := n.effective(nil, topicMerges)
	gone := n.in.keyOf(retired)
	before := record.Resolve(items)
	own := record.Fact{ID: record.FactID(n.event, ordinal), PatientKey: n.key, MergedKey: gone, Kind: kind,
		At: n.m.Envelope.GetOccurredAt().AsTime()}
	after := record.Resolve(append(items, record.Item{Fact: own}))
	switch {
	case kind == record.KindMergeReversed && slices.Contains(after.Refused, own.ID):
		n.say("%s changes nothing as the record stands: no merge of that identity into the envelope's patient stands then", at)
	case slices.Contains(after.Refused, own.ID):
		n.say("%s changes nothing as the record stands: that identity is merged already, or the envelope's patient is merged into it", at)
	case kind == record.KindPatientsMerged:
		a, b := n.born(before.Group(n.key)), n.born(before.Group(gone))
		if a != "" && b != "" && a != b {
			n.say("%s joins two identities with different birth dates: make sure that they are one patient, else send merge_reversed. "+
				"The card says so until a person confirms", at)
		}
	}
}

// identity notices an identity with another birth date than before, and an identity that was
// merged into another.
func (n *noticing) identity(at string, id *cannularyv1.IdentityStated) {
	ids := n.identities()
	if ids.MergedInto(n.key) != "" {
		n.say("%s is about an identity that was merged into another patient: post for the patient who goes on, or send merge_reversed. "+
			"The card says so until a person confirms", at)
	}
	if born := n.born(ids.Group(n.key)); born != "" && id.GetBirthDate() != "" && born != id.GetBirthDate() {
		n.say("%s gives another birth date than was stated before: make sure that it is the same patient, then correct what is wrong. "+
			"The card says so until a person confirms", at)
	}
}

// elsewhere notices identifiers under which another patient is on record, and tells nothing of that patient.
func (n *noticing) elsewhere(at string, id *cannularyv1.IdentityStated) {
	for i, p := range id.GetIdentifiers() {
		key := n.in.keyOf(p)
		if key != n.key && n.onRecord(key) && !slices.Contains(n.identities().Group(n.key), key) {
			n.say("%s.identifiers[%d] is an identifier under which another patient is on record: if both are one patient, send "+
				"patients_merged, else correct the identifier", at, i)
		}
	}
}

// onRecord reports whether somebody was admitted or identified, or has an access or a track, under a key, as far as the sender
// may know.
func (n *noticing) onRecord(key string) bool {
	return n.admitted(key) || len(n.facts([]string{key}, nil, topicIdentity+key)) > 0 || len(n.named(topicHas, key)) > 0 ||
		len(n.named(topicTrack, key)) > 0
}

// access notices an access that was stated before with another kind or side.
func (n *noticing) access(at string, a *cannularyv1.AccessCreated) {
	for _, it := range n.effective([]string{n.key}, topicAccess+n.key+"/"+a.GetAccess()) {
		was, ok := it.Body.(*cannularyv1.AccessCreated)
		if !ok || it.Void {
			continue
		}
		side := was.GetSide() != 0 && a.GetSide() != 0 && was.GetSide() != a.GetSide()
		if side || was.GetKind() != a.GetKind() {
			n.say("%s states access %q as %s %s; it was stated before as %s %s: if that was wrong, send fact_corrected for it", at,
				a.GetAccess(), a.GetKind(), a.GetSide(), was.GetKind(), was.GetSide())
			break
		}
	}
	n.ended(at, a.GetAccess(), a.GetCreatedOn())
}

// ended notices an access that is named anew after it was retired. on is the date of its creation, where known.
func (n *noticing) ended(at, access, on string) {
	keys := n.identities().Group(n.key)
	var topics []string
	for _, k := range keys {
		topics = append(topics, topicRetired+k+"/"+access)
	}
	c, own := calendar{zone: n.in.zone(n.m)}, n.m.when()
	for _, it := range n.effective(keys, topics...) {
		b, ok := it.Body.(*cannularyv1.AccessRetired)
		if !ok || it.Void || b.GetAccess() != access || !c.before(moment{it.At, it.Precision}, own) || on != "" && on < c.date(it.At) {
			continue
		}
		n.say("%s names access %q, which was retired on %s and stays retired, with every track on it: if that was a mistake, void the "+
			"retirement; a new access needs a name of its own", at, access, c.date(it.At))
		return
	}
}

// review notices the closing of a review that is not open at its time, by the rule of the judgement: a review is known by its
// name.
func (n *noticing) review(at string, ordinal int, name string) {
	keys := n.identities().Group(n.key)
	var topics []string
	for _, k := range keys {
		topics = append(topics, topicReviews+k)
	}
	own, err := n.in.own(n.m, n.event)
	facts := append(n.facts(keys, nil, topics...), own...)
	if n.err = errors.Join(n.err, err); n.err != nil {
		return
	}
	open := false
	for _, it := range record.Effective(facts) {
		if it.ID == record.FactID(n.event, ordinal) {
			break
		}
		switch b := it.Body.(type) {
		case *cannularyv1.ReviewOpened:
			open = open || !it.Void && b.GetReview() == name
		case *cannularyv1.ReviewClosed:
			open = open && (it.Void || b.GetReview() != name)
		}
	}
	if !open {
		n.say("%s changes nothing as the record stands: no review %q of this patient is open then; check the name and the time, or send "+
			"review_opened", at, name)
	}
}

// treatment are the kinds of facts about a patient who is being treated.
var treatment = []record.Kind{
	record.KindSessionStarted, record.KindSitePrepared, record.KindNeedleInserted, record.KindNeedleRemoved, record.KindPegPlaced,
	record.KindPegRemoved, record.KindPegFoundMissing, record.KindComplicationSeen, record.KindAccessExamined,
	record.KindVenousPressureRead, record.KindAccessFlowMeasured, record.KindAntimicrobialStarted, record.KindSiteSignsSeen,
}

// treated notices a treatment of a patient who had died or was never admitted, and one long
// before the facility's record began.
func (n *noticing) treated() {
	at := n.m.Envelope.GetOccurredAt().AsTime()
	if since := n.in.index.since(n.m.Envelope.GetFacility()); n.m.Service != Roster && !since.IsZero() &&
		at.Before(since.AddDate(-yearsBefore, 0, 0)) && !n.only(record.KindTrackPlanned, record.KindTrackTakenOver) {
		n.say("envelope.occurred_at is %s, more than %d years before the facility was registered (%s): check whether the date is right",
			at.Format(time.DateOnly), yearsBefore, since.Format(time.DateOnly))
	}
	if n.key == "" ||
		!slices.ContainsFunc(n.m.facts, func(f proto.Message) bool { return slices.Contains(treatment, record.Kind(factName(f))) }) {
		return
	}
	n.session(at)
	for _, it := range n.effective([]string{n.key}, topicLeft+n.key) {
		left, ok := it.Body.(*cannularyv1.PatientLeft)
		if ok && !it.Void && left.GetReason() == cannularyv1.LeavingReason_LEAVING_REASON_DEATH &&
			(calendar{zone: n.in.zone(n.m)}).before(moment{it.At, it.Precision}, n.m.when()) {
			n.say("the patient's death is on record for %s, and this is of %s: check which of the two is wrong",
				it.At.Format(time.DateOnly), at.Format(time.DateOnly))
			break
		}
	}
	if n.admitted(n.key) || !n.has(topicAdmits+n.m.Envelope.GetFacility()) {
		return
	}
	if slices.ContainsFunc(n.identities().Group(n.key), n.admitted) {
		return
	}
	n.say("nobody under this patient identifier was ever admitted, while others of the facility were: check whether the identifier is " +
		"right, or send patient_admitted")
}

// session notices a reference that joins treatments of several days.
func (n *noticing) session(at time.Time) {
	s := n.m.Envelope.GetSession()
	if s.GetValue() == "" || n.err != nil {
		return
	}
	d, ok, err := n.in.index.session(n.ctx, record.SessionID(n.key, s.GetSystem(), s.GetValue()))
	n.err = errors.Join(n.err, err)
	first, last := time.Unix(min(d.first, at.Unix()), 0).UTC(), time.Unix(max(d.last, at.Unix()), 0).UTC()
	if ok && last.Sub(first) > day24 {
		n.say("envelope.session has facts of %s and of %s under one reference: a reference is of one treatment, give each its own",
			first.Format(time.DateOnly), last.Format(time.DateOnly))
	}
}

// only reports whether all facts are of these kinds.
func (n *noticing) only(kinds ...record.Kind) bool {
	return !slices.ContainsFunc(n.m.facts, func(f proto.Message) bool { return !slices.Contains(kinds, record.Kind(factName(f))) })
}

func (n *noticing) has(topic string) bool {
	if n.err != nil {
		return false
	}
	found, err := n.in.index.has(n.ctx, topic)
	n.err = errors.Join(n.err, err)
	return found
}

// admitted reports whether a patient was ever admitted, as far as the sender may know.
func (n *noticing) admitted(key string) bool {
	if n.by.Everywhere() {
		return n.has(topicAdmitted + key)
	}
	return slices.ContainsFunc(n.by.Facilities, func(f string) bool { return n.has(topicAdmitted + key + "/" + f) })
}

// identities returns which identities are merged.
func (n *noticing) identities() *record.Identities {
	if n.resolved == nil {
		n.resolved = record.Resolve(n.effective(nil, topicMerges))
	}
	return n.resolved
}

// born returns the birth date that stands for the patient with these keys: the latest stated. It
// is empty if none was stated, or if the patient's key was destroyed.
func (n *noticing) born(keys []string) string {
	var topics []string
	for _, k := range keys {
		topics = append(topics, topicIdentity+k)
	}
	items := n.effective(keys, topics...)
	for _, it := range slices.Backward(items) {
		s, ok := it.Body.(*logv1.IdentitySealed)
		if !ok || it.Void {
			continue
		}
		plain, err := n.in.cfg.Ring.Unseal(n.ctx, it.PatientKey, s.GetSealed())
		if errors.Is(err, keyring.ErrNoKey) || errors.Is(err, keyring.ErrDamaged) || errors.Is(err, keyring.ErrUnreadable) {
			continue
		}
		var id cannularyv1.IdentityStated
		if err = errors.Join(err, proto.Unmarshal(plain, &id)); err != nil {
			n.err = errors.Join(n.err, err)
			return ""
		}
		if id.GetBirthDate() != "" {
			return id.GetBirthDate()
		}
	}
	return ""
}

// effective returns what stands of the facts with these index keys. keys are the patients whose
// corrections and voids count; none means everybody's.
func (n *noticing) effective(keys []string, topics ...string) []record.Item {
	return record.Effective(n.facts(keys, nil, topics...))
}

// facts returns the facts of these entries of the log, and of those with these index keys, with what corrects or voids them.
// keys are as for effective.
func (n *noticing) facts(keys []string, seqs []uint64, topics ...string) []record.Fact {
	var facts []record.Fact
	seen := map[uint64]bool{}
	for len(seqs)+len(topics) > 0 && n.err == nil {
		if len(seqs) == 0 {
			seqs, n.err = n.in.index.mentions(n.ctx, topics[0])
			topics = topics[1:]
			continue
		}
		seq := seqs[0]
		if seqs = seqs[1:]; seen[seq] {
			continue
		}
		seen[seq] = true
		more, err := n.in.logged(n.ctx, seq)
		n.err = errors.Join(n.err, err)
		for _, f := range more {
			if len(keys) > 0 && !slices.Contains(keys, f.PatientKey) || !n.by.At(f.Facility) {
				continue
			}
			facts = append(facts, f)
		}
		if len(more) > 0 {
			topics = append(topics, topicAmended+more[0].EventID)
			if more[0].HasSession() {
				topics = append(topics, topicAmended+more[0].Session)
			}
		}
	}
	return facts
}

// logged returns the facts of one entry of the log.
func (in *Intake) logged(ctx context.Context, seq uint64) ([]record.Fact, error) {
	e, err := in.cfg.Log.Get(ctx, seq)
	if err != nil {
		return nil, fmt.Errorf("read entry %d: %w", seq, err)
	}
	var ev logv1.Event
	if err := proto.Unmarshal(e.Data, &ev); err != nil {
		return nil, fmt.Errorf("read event %d: %w", seq, err)
	}
	facts, err := record.Facts(&ev, e.Seq, e.Time)
	if err != nil {
		return nil, fmt.Errorf("read event %d: %w", seq, err)
	}
	return facts, nil
}
