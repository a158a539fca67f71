package intake

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"strings"
	"time"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The index keys of an event beside its id: only what the notices in an answer need, and what says
// whose facts a message would change. Those of names stand in names.go.
const (
	topicMerges   = "merges"
	topicAmended  = "amended/"  // + event id: the corrections and voids of its facts; + session id: its voids
	topicIdentity = "identity/" // + patient key
	topicAdmitted = "admitted/" // + patient key; and once more with "/" and the facility
	topicAdmits   = "admits/"   // + facility
	topicLeft     = "left/"     // + patient key
	topicAccess   = "access/"   // + patient key, "/", name
	topicRetired  = "retired/"  // + patient key, "/", name of an access
	topicReviews  = "reviews/"  // + patient key: what opens and closes reviews
	topicSession  = "session/"  // + session id
)

// topics returns the index keys of an event.
func topics(ev *logv1.Event) []string {
	if ev.GetTest() {
		return nil
	}
	facts, err := record.Facts(ev, 0, time.Time{})
	if err != nil {
		return nil // the projectors quarantine it
	}
	var out []string
	if facts[0].HasSession() {
		out = append(out, topicSession+facts[0].Session)
	}
	for i := range facts {
		f := &facts[i]
		if f.Target != "" {
			out = append(out, topicAmended+record.EventOf(f.Target))
		}
		if f.TargetSession != "" {
			system, value := f.VoidedSession()
			out = append(out, topicAmended+record.SessionID(f.PatientKey, system, value))
		}
		out = append(out, naming(f)...)
		if !f.Plain() {
			continue
		}
		switch b := f.Body.(type) {
		case *logv1.IdentitiesMerged, *logv1.IdentityMergeReversed:
			out = append(out, topicMerges)
		case *logv1.IdentitySealed:
			out = append(out, topicIdentity+f.PatientKey)
		case *cannularyv1.PatientAdmitted:
			out = append(out, topicAdmitted+f.PatientKey, topicAdmitted+f.PatientKey+"/"+f.Facility, topicAdmits+f.Facility)
		case *cannularyv1.PatientLeft:
			out = append(out, topicLeft+f.PatientKey)
		case *cannularyv1.AccessCreated:
			out = append(out, topicAccess+f.PatientKey+"/"+b.GetAccess())
		case *cannularyv1.AccessRetired:
			out = append(out, topicRetired+f.PatientKey+"/"+b.GetAccess())
		case *cannularyv1.ReviewOpened, *cannularyv1.ReviewClosed:
			out = append(out, topicReviews+f.PatientKey)
		}
	}
	return out
}

// days are the times of the earliest and the latest fact of a session, in seconds since 1970.
type days struct {
	first, last int64
	seq         uint64 // of an event that is not projected yet; 0 in the file
}

func (d days) with(o days) days {
	return days{min(d.first, o.first), max(d.last, o.last), max(d.seq, o.seq)}
}

// sessionOf returns the key of the session that the event has facts of, and their time. ok is
// false without a fact that happens during a treatment.
func sessionOf(ev *logv1.Event, seq uint64) (session string, d days, ok bool) {
	s := ev.GetSession()
	if ev.GetTest() || s.GetValue() == "" {
		return "", days{}, false
	}
	facts, err := record.Facts(ev, 0, time.Time{})
	if err != nil || !slices.ContainsFunc(facts, func(f record.Fact) bool { return slices.Contains(treatment, f.Kind) }) {
		return "", days{}, false
	}
	at := ev.GetOccurredAt().GetSeconds()
	return facts[0].Session, days{at, at, seq}, true
}

// session returns the times between which the session has facts so far, those included that are being sent to the log:
// all facts of a treatment come close together, and none should wait for another. One of those may fail to be stored; then
// a notice that rests on it says too much.
func (x *index) session(ctx context.Context, session string) (d days, ok bool, err error) {
	take := func(more days) {
		if ok {
			more = d.with(more)
		}
		d, ok = more, true
	}
	// First what is in memory: an event leaves it when it is in the file.
	x.mu.Lock()
	for _, e := range x.coming[topicSession+session] {
		if e.inSession {
			take(e.days)
		}
	}
	if fresh, is := x.sessions[session]; is {
		take(fresh)
	}
	x.mu.Unlock()
	var stored days
	switch err := x.spanned.QueryRowContext(ctx, session).Scan(&stored.first, &stored.last); {
	case err == nil:
		take(stored)
	case !errors.Is(err, sql.ErrNoRows):
		return days{}, false, err
	}
	return d, ok, nil
}

// began returns since when the event registers its facility, in seconds since 1970; ok is false
// if it registers none.
func began(ev *logv1.Event) (zone string, since int64, ok bool) {
	for _, f := range ev.GetFacts() {
		if r := f.GetRoster().GetFacilityRegistered(); r != nil && !ev.GetTest() {
			zone, since, ok = r.GetTimeZone(), ev.GetOccurredAt().GetSeconds(), true
		}
	}
	return zone, since, ok
}

// mentions returns the sequences of the events with an index key, ascending. They include events
// that are safe in the log and have not come back through the projection.
func (x *index) mentions(ctx context.Context, topic string) ([]uint64, error) {
	if err := x.arrived(ctx, topic); err != nil {
		return nil, err
	}
	// First what is in memory: an event leaves it when it is in the file.
	x.mu.Lock()
	out := slices.Clone(x.fresh[topic])
	x.mu.Unlock()
	rows, err := x.mentioned.QueryContext(ctx, topic)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var seq int64
		if err := rows.Scan(&seq); err != nil {
			return nil, err
		}
		out = append(out, uint64(seq))
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// has reports whether any event has the index key. It waits for one that is coming only where there is no other.
func (x *index) has(ctx context.Context, topic string) (bool, error) {
	if found, err := x.holds(ctx, topic); err != nil || found {
		return found, err
	}
	if err := x.arrived(ctx, topic); err != nil {
		return false, err
	}
	return x.holds(ctx, topic)
}

// holds is has for the events that are safe.
func (x *index) holds(ctx context.Context, topic string) (found bool, err error) {
	x.mu.Lock()
	fresh := x.kept[topic] || len(x.fresh[topic]) > 0
	x.mu.Unlock()
	if fresh {
		return true, nil
	}
	err = x.anyMention.QueryRowContext(ctx, topic).Scan(&found)
	if err == nil && found && once(topic) {
		x.keep(topic)
	}
	return found, err
}

// mostKept is how many index keys of names stay in memory: those of some thousand patients who are being treated.
const mostKept = 1 << 14

// keep notes that index keys of `once` are in the file. A row stays there, so this is never taken back; when too many are
// noted, it begins anew.
func (x *index) keep(topics ...string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, t := range topics {
		if len(x.kept) >= mostKept {
			clear(x.kept)
		}
		x.kept[t] = true
	}
}

// keeps reports whether it is noted that the file has an index key.
func (x *index) keeps(topic string) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.kept[topic]
}

// under returns the index keys with a beginning, which ends with "/". It waits for those that are coming.
func (x *index) under(ctx context.Context, prefix string) ([]string, error) {
	x.mu.Lock()
	var coming []string
	for k := range x.coming {
		if strings.HasPrefix(k, prefix) {
			coming = append(coming, k)
		}
	}
	x.mu.Unlock()
	for _, k := range coming {
		if err := x.arrived(ctx, k); err != nil {
			return nil, err
		}
	}
	// First what is in memory: an event leaves it when it is in the file.
	var out []string
	x.mu.Lock()
	for k := range x.fresh {
		if strings.HasPrefix(k, prefix) {
			out = append(out, k)
		}
	}
	x.mu.Unlock()
	rows, err := x.beneath.QueryContext(ctx, prefix, strings.TrimSuffix(prefix, "/")+"0") // "0" comes after "/"
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var topic string
		if err := rows.Scan(&topic); err != nil {
			return nil, err
		}
		out = append(out, topic)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// since returns the earliest registration of a facility, zero if none is known.
func (x *index) since(facility string) time.Time {
	x.mu.Lock()
	defer x.mu.Unlock()
	f, ok := x.facilities[facility]
	if !ok {
		return time.Time{}
	}
	return time.Unix(f.since, 0).UTC()
}
