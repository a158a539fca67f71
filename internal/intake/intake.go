package intake

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/access"
	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/freetext"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/trail/seen"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Config is what an Intake needs.
type Config struct {
	Log  *eventlog.Log
	Ring *keyring.Ring
	Dir  string // for the index, which can be deleted
	Now  func() time.Time
	// Day returns a moment of the local day that has begun; nil is Now. The demo sets it, to
	// begin the days of its year.
	Day func() time.Time
	// Clock is the machine's, by which the log dates its entries; nil is this machine's. Nothing is appended
	// while it is in doubt.
	Clock Clock
	Slog  *slog.Logger
	// Outcome is called for every message with the service and one of accepted, duplicate,
	// refused (the message is wrong), conflict, full (the log), unavailable (for a while),
	// failed.
	Outcome func(service, outcome string)
	// Room reports whether the log's disk has room for more; nil is always.
	Room func() bool
	// Note is called for every message with the sender; it may be nil.
	Note func(Note)
}

// Answer is the answer to an accepted message.
type Answer struct {
	EventID   string
	Token     string // empty if the message was only validated
	Duplicate bool
	// Notices say what the sender should look at although the message was accepted.
	Notices []string
}

// Intake accepts messages. It is safe for concurrent use.
type Intake struct {
	cfg      Config
	validate *Validator
	index    *index

	mu       sync.Mutex
	inflight map[string]chan struct{} // event ids being appended

	refusals refusals
	clock    *guard
	broken   chan struct{} // closed when the index is found damaged

	cancel context.CancelFunc
	done   sync.WaitGroup
}

// New opens the index and starts to follow the log.
func New(ctx context.Context, cfg Config) (*Intake, error) {
	if cfg.Day == nil {
		cfg.Day = cfg.Now
	}
	if cfg.Clock == nil {
		cfg.Clock = machine{time.Now()}
	}
	st, err := cfg.Log.State(ctx)
	if err != nil {
		return nil, err
	}
	v, err := NewValidator()
	if err != nil {
		return nil, err
	}
	var once sync.Once
	broken := make(chan struct{})
	x, err := openIndex(ctx, cfg.Dir, cfg.Log, func(err error) {
		once.Do(func() {
			cfg.Slog.Error("the ingest index is damaged; it is built again from the log when the process starts again", "err", err)
			close(broken)
		})
	})
	if err != nil {
		return nil, err
	}
	run, cancel := context.WithCancel(context.Background())
	in := &Intake{cfg: cfg, validate: v, index: x, inflight: map[string]chan struct{}{}, cancel: cancel, refusals: refusals{slog: cfg.Slog},
		clock: newGuard(cfg.Clock, cfg.Dir, st.LastTime), broken: broken}
	if err := in.clock.check(); err != nil {
		cfg.Slog.Error("nothing is stored until somebody has looked at the machine's clock", "err", err)
	}
	in.done.Go(func() {
		if err := x.run(run); err != nil {
			cfg.Slog.Error("the ingest index stopped; messages are refused until a restart", "err", err)
		}
	})
	in.done.Go(func() {
		in.tick(run)
	})
	return in, nil
}

// Close stops following the log and closes the index. Running calls fail as unavailable.
func (in *Intake) Close() error {
	in.cancel()
	in.done.Wait()
	return in.index.close()
}

// Broken is closed when the index is found damaged: the process must start again, which builds it from the log.
func (in *Intake) Broken() <-chan struct{} { return in.broken }

// Ready returns nil once the index has reached the end that the log has when Ready is called.
func (in *Intake) Ready(ctx context.Context) error {
	return in.index.refresh(ctx, in.cfg.Now)
}

// Sequence returns how far the index has followed the log.
func (in *Intake) Sequence() uint64 { return in.index.position() }

// Record accepts one message. Its errors are faults, or internal errors. Its faults are Denied (the sender may not send
// that), Invalid, Early, TooLarge, Precondition (the facility is not registered, or the identity was erased), Conflict (the
// id was used with other content), Full and Unavailable. It logs or counts each error; of a message that was only
// validated it logs the internal ones alone.
//
// Where the order of several messages counts, the next one may be recorded as soon as placed is called: this one then has
// its place in the log, and is not safe there yet. placed is not called where the message gets no place.
func (in *Intake) Record(ctx context.Context, m Message, placed ...func()) (Answer, error) {
	in.names(ctx, m)
	came := in.cfg.Now()
	a, err := in.record(ctx, m, func() {
		for _, f := range placed {
			f()
		}
	})
	if m.ValidateOnly {
		if err != nil && fault.As(err).Kind == fault.Internal { // its text says that the log has the cause
			in.cfg.Slog.ErrorContext(ctx, "a message could not be validated", "id", clip(m.Envelope.GetSourceMessageId()),
				"reason", why(err))
		}
		return a, err
	}
	in.finish(ctx, m, a, err, came)
	return a, err
}

// names notes for the trail whom a message is about, whatever becomes of it.
func (in *Intake) names(ctx context.Context, m Message) {
	for _, p := range m.patients() {
		seen.Patients(ctx, in.keyOf(p))
	}
}

// keyOf returns the patient key of an identifier.
func (in *Intake) keyOf(p *cannularyv1.PatientIdentifier) string {
	return in.cfg.Ring.PatientKey(p.GetSystem(), p.GetValue())
}

func (in *Intake) record(ctx context.Context, m Message, placed func()) (Answer, error) {
	// First: by a wrong clock a good message may lie in the future.
	if err := in.clock.check(); err != nil {
		return Answer{}, err
	}
	// Before anything that depends on what the record holds.
	by := access.From(ctx)
	if err := permitted(by, m); err != nil {
		return Answer{}, err
	}
	if err := in.validate.Validate(m, in.cfg.Now(), in.zone(m)); err != nil {
		return Answer{}, err
	}
	content, err := in.content(m)
	if err != nil {
		return Answer{}, err
	}
	id := record.EventID(m.Envelope.GetSource(), m.Envelope.GetSourceMessageId())
	if m.test() {
		id = record.TestEventID(m.Envelope.GetSource(), m.Envelope.GetSourceMessageId())
	}
	if err := in.behind(); err != nil {
		return Answer{}, err
	}
	release, err := in.claim(ctx, id)
	if err != nil {
		return Answer{}, err
	}
	defer release()
	hash := in.cfg.Ring.ContentHash(content)
	if k, ok, err := in.index.find(ctx, id); err != nil {
		return Answer{}, fmt.Errorf("look the message up: %w", err)
	} else if ok {
		return in.again(m, id, k, hash)
	}
	if err := in.checkFacility(ctx, m); err != nil {
		return Answer{}, err
	}
	if err := in.reaches(ctx, by, m); err != nil {
		return Answer{}, err
	}
	notices, err := in.amended(ctx, m, id)
	if err != nil {
		return Answer{}, err
	}
	more, err := in.noticed(ctx, by, m, id)
	if err != nil {
		return Answer{}, err
	}
	notices = append(notices, more...)
	if m.ValidateOnly {
		return Answer{EventID: id, Notices: notices}, nil
	}
	ev, err := in.event(ctx, m, id, hash)
	if err != nil {
		return Answer{}, err
	}
	a, err := in.append(ctx, m, ev, placed)
	if err == nil && !a.Duplicate {
		a.Notices = notices
	}
	return a, err
}

// zone returns the time zone of the message's facility as far as it is known, or the zone that
// the message registers.
func (in *Intake) zone(m Message) *time.Location {
	name := in.index.zone(m.Envelope.GetFacility())
	for _, f := range m.facts {
		if r, ok := f.(*cannularyv1.RosterFact); ok && r.GetFacilityRegistered() != nil {
			name = r.GetFacilityRegistered().GetTimeZone()
		}
	}
	l, err := zone.Load(name)
	if err != nil {
		return nil
	}
	return l
}

// behind returns a fault while the index is too far behind the log to tell a resend from a new
// message. Half of the server's own window is left for messages under way.
func (in *Intake) behind() error {
	lag, ok := in.index.lag(in.cfg.Now())
	if !ok {
		return fault.New(fault.Unavailable, "the service is still reading its log and cannot tell a resend from a new message yet",
			"send the message again in a moment")
	}
	if lag > eventlog.DuplicateWindow/2 {
		return fault.New(fault.Unavailable, fmt.Sprintf("the service is %s behind its log and cannot tell a resend from a new message",
			lag.Round(time.Second)), "send the message again in a moment")
	}
	return nil
}

// room is a fault while the log's disk has too little room.
func (in *Intake) room() error {
	if in.cfg.Room == nil || in.cfg.Room() {
		return nil
	}
	return fault.New(fault.Full, "the disk of the log is nearly full: nothing was stored",
		"ask the operator to make room on the disk, then send the message again")
}

// append writes the event. If the server knew its id within its window, another process accepted
// the message a moment ago, and the event of that process stands.
func (in *Intake) append(ctx context.Context, m Message, ev *logv1.Event, placed func()) (Answer, error) {
	if err := in.room(); err != nil {
		return Answer{}, err
	}
	defer in.index.expect(ev)()
	p, err := in.cfg.Log.Place(ctx, ev)
	if err != nil {
		return Answer{}, err
	}
	placed()
	seq, duplicate, err := p.Wait(ctx)
	if err != nil {
		return Answer{}, err
	}
	k := known{seq: seq, hash: ev.GetContentHash()}
	if duplicate {
		e, err := in.cfg.Log.Get(ctx, seq)
		if err != nil {
			return Answer{}, fault.Wrap(fault.Unavailable, err, "the log has this message but did not return it",
				"send the same message again")
		}
		var first logv1.Event
		if err := proto.Unmarshal(e.Data, &first); err != nil {
			return Answer{}, fmt.Errorf("read event %d: %w", seq, err)
		}
		k.hash = first.GetContentHash()
		in.index.remember(&first, k)
		return in.again(m, ev.GetId(), k, ev.GetContentHash())
	}
	in.index.remember(ev, k)
	return Answer{EventID: ev.GetId(), Token: in.cfg.Log.Token(seq)}, nil
}

// again answers a message whose id is known.
func (in *Intake) again(m Message, id string, k known, hash []byte) (Answer, error) {
	if !bytes.Equal(k.hash, hash) {
		f := fault.Wrap(fault.Conflict, &conflict{event: id, seq: k.seq},
			fmt.Sprintf("message id %q of source %q was used before with other content (event %s); nothing was stored",
				m.Envelope.GetSourceMessageId(), m.Envelope.GetSource(), id),
			"send new facts under a new id, changes as fact_corrected; if the source restarted its counter, give it a new source name")
		f.Violations = []fault.Violation{{Field: "envelope.source_message_id", Rule: "source_message_id.reused",
			Description: "must be an id that this source never used with other content"}}
		return Answer{}, f
	}
	if m.ValidateOnly {
		return Answer{EventID: id, Duplicate: true}, nil
	}
	return Answer{EventID: id, Token: in.cfg.Log.Token(k.seq), Duplicate: true}, nil
}

// content returns what a resend must repeat: the request as it was understood, without
// validate_only.
func (in *Intake) content(m Message) ([]byte, error) {
	c := m.Request
	if m.ValidateOnly {
		c = proto.Clone(c)
		fd := c.ProtoReflect().Descriptor().Fields().ByName("validate_only")
		c.ProtoReflect().Clear(fd)
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("encode message: %w", err)
	}
	// The service is part of it, because the same bytes may mean another message in another
	// service.
	return append(append([]byte(m.Service), 0), b...), nil
}

func (in *Intake) checkFacility(ctx context.Context, m Message) error {
	if m.RegistersFacility() {
		return nil
	}
	id := m.Envelope.GetFacility()
	ok, err := in.index.facility(ctx, id)
	if err != nil {
		return fault.Wrap(fault.Unavailable, err, "the service could not look the facility up", "send the same message again")
	}
	if ok {
		return nil
	}
	f := fault.New(fault.Precondition, fmt.Sprintf("facility %q is not registered", id),
		"send facility_registered for it first, or correct the facility's code; nothing was stored")
	f.Violations = []fault.Violation{{Field: "envelope.facility", Rule: "facility.registered",
		Description: fmt.Sprintf("%q is not registered; a registered facility is allowed", id)}}
	return f
}

// claim makes sure that one caller at a time appends an event id.
func (in *Intake) claim(ctx context.Context, id string) (release func(), err error) {
	for {
		in.mu.Lock()
		busy, ok := in.inflight[id]
		if !ok {
			mine := make(chan struct{})
			in.inflight[id] = mine
			in.mu.Unlock()
			return func() {
				in.mu.Lock()
				delete(in.inflight, id)
				in.mu.Unlock()
				close(mine)
			}, nil
		}
		in.mu.Unlock()
		select {
		case <-busy:
		case <-ctx.Done():
			return nil, ended(ctx)
		}
	}
}

// event returns what goes into the log. Patient identifiers become keyed hashes, and identifying
// values are sealed.
func (in *Intake) event(ctx context.Context, m Message, id string, hash []byte) (*logv1.Event, error) {
	e := m.Envelope
	ev := &logv1.Event{
		Id: id, ContentHash: hash, Source: e.GetSource(), SourceMessageId: e.GetSourceMessageId(),
		Facility: e.GetFacility(), OccurredAt: e.GetOccurredAt(), Precision: e.GetPrecision(),
		Recorder: e.GetRecorder(), Session: e.GetSession(), Test: m.test(),
	}
	if p := e.GetPatient(); p != nil {
		ev.PatientKey = in.keyOf(p)
		sealed, err := in.sealIdentifier(ctx, ev.GetPatientKey(), p)
		if err != nil {
			return nil, err
		}
		ev.PatientSealed = sealed
	}
	for _, f := range m.facts {
		lf, err := in.sealFact(ctx, ev.GetPatientKey(), f)
		if err != nil {
			return nil, err
		}
		ev.Facts = append(ev.Facts, proto.CloneOf(lf)) // sealing changes it
	}
	if err := freetext.Seal(ctx, in.cfg.Ring, ev); err != nil {
		return nil, keyFault(err)
	}
	return ev, nil
}

func (in *Intake) sealFact(ctx context.Context, patientKey string, f proto.Message) (*logv1.Fact, error) {
	r, ok := f.(*cannularyv1.RosterFact)
	if !ok {
		return wrap(f), nil
	}
	switch x := r.GetFact().(type) {
	case *cannularyv1.RosterFact_IdentityStated:
		s, err := in.sealIdentity(ctx, patientKey, x.IdentityStated)
		if err != nil {
			return nil, err
		}
		return &logv1.Fact{Fact: &logv1.Fact_IdentitySealed{IdentitySealed: s}}, nil
	case *cannularyv1.RosterFact_FactCorrected:
		if id := x.FactCorrected.GetReplacement().GetIdentityStated(); id != nil {
			s, err := in.sealIdentity(ctx, patientKey, id)
			if err != nil {
				return nil, err
			}
			return &logv1.Fact{Fact: &logv1.Fact_IdentityCorrected{
				IdentityCorrected: &logv1.IdentityCorrected{Correction: x.FactCorrected.GetCorrection(), Replacement: s}}}, nil
		}
	case *cannularyv1.RosterFact_PatientsMerged:
		p := x.PatientsMerged.GetRetired()
		key := in.keyOf(p)
		sealed, err := in.sealIdentifier(ctx, key, p)
		if err != nil {
			return nil, err
		}
		return &logv1.Fact{Fact: &logv1.Fact_IdentitiesMerged{IdentitiesMerged: &logv1.IdentitiesMerged{RetiredPatientKey: key,
			RetiredPatientSealed: sealed}}}, nil
	case *cannularyv1.RosterFact_MergeReversed:
		return &logv1.Fact{Fact: &logv1.Fact_IdentityMergeReversed{IdentityMergeReversed: &logv1.IdentityMergeReversed{
			RetiredPatientKey: in.keyOf(x.MergeReversed.GetRetired())}}}, nil
	}
	return wrap(f), nil
}

func (in *Intake) sealIdentity(ctx context.Context, patientKey string, id *cannularyv1.IdentityStated) (*logv1.IdentitySealed, error) {
	plain, err := proto.MarshalOptions{Deterministic: true}.Marshal(id)
	if err != nil {
		return nil, fmt.Errorf("encode identity: %w", err)
	}
	sealed, err := in.cfg.Ring.Seal(ctx, patientKey, plain)
	if err != nil {
		return nil, keyFault(err)
	}
	out := &logv1.IdentitySealed{Sealed: sealed}
	for _, p := range id.GetIdentifiers() {
		out.IdentifierKeys = append(out.IdentifierKeys, in.keyOf(p))
	}
	return out, nil
}

func (in *Intake) sealIdentifier(ctx context.Context, patientKey string, p *cannularyv1.PatientIdentifier) ([]byte, error) {
	plain, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("encode identifier: %w", err)
	}
	sealed, err := in.cfg.Ring.Seal(ctx, patientKey, plain)
	if errors.Is(err, keyring.ErrErased) {
		return nil, nil
	}
	if errors.Is(err, keyring.ErrDamaged) {
		// The clinical facts count. The identifier stands sealed in earlier events.
		in.cfg.Slog.ErrorContext(ctx, "a patient's key is damaged: identities are refused until it is restored or erased",
			"patient", patientKey)
		return nil, nil
	}
	if err != nil {
		return nil, keyFault(err)
	}
	return sealed, nil
}

func keyFault(err error) error {
	if errors.Is(err, keyring.ErrDamaged) {
		return fault.Wrap(fault.Unavailable, err,
			"the patient's key is damaged: no identity and no text in somebody's own words can be stored",
			"ask the operator to restore the key store, then send the same message again")
	}
	if errors.Is(err, keyring.ErrErased) {
		return fault.Wrap(fault.Precondition, err, "the patient's identity was erased: it cannot be stated again; nothing was stored",
			"send no identity of this patient; if the erasure was wrong, ask the operator to reopen it")
	}
	return fault.Wrap(fault.Unavailable, err, "the key store did not answer", "send the same message again")
}

// day returns the event of a local day's start, always the same one for a day. again tells it from one that began by
// a wrong clock.
func day(facility, date string, at time.Time, again string) *logv1.Event {
	message := "day/" + facility + "/" + date + again
	return &logv1.Event{
		Id: record.EventID(eventlog.ServiceSource, message), Source: eventlog.ServiceSource, SourceMessageId: message,
		ContentHash: []byte(message), Facility: facility, OccurredAt: timestamppb.New(at),
		Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
		Facts:     []*logv1.Fact{{Fact: &logv1.Fact_DayStarted{DayStarted: &logv1.DayStarted{Date: date}}}},
	}
}

// tick keeps the index fresh. It appends `day started` at each facility's local midnight, or
// after a pause as soon as the service runs again.
func (in *Intake) tick(ctx context.Context) {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		if err := in.index.refresh(ctx, in.cfg.Now); err != nil && ctx.Err() == nil {
			in.cfg.Slog.Warn("the ingest index is behind its log", "err", err)
		}
		if err := in.StartDays(ctx); err != nil && ctx.Err() == nil {
			in.cfg.Slog.Warn("a day's start was not appended; it will be tried again", "err", err)
		}
		in.refusals.flush(in.cfg.Now())
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// Takes returns why no message is taken for now, whatever it says: the clock is in doubt, or the disk full. The error is
// a fault.
func (in *Intake) Takes() error { return cmp.Or(in.clock.check(), in.room()) }

// StartDays appends `day started` for every facility whose local day has begun and is not in the
// log yet. The id is made of facility and date, so that many processes make one event. Nothing
// is appended while the index is behind the log, which may already hold the day.
func (in *Intake) StartDays(ctx context.Context) error {
	if err := cmp.Or(in.Takes(), in.behind()); err != nil {
		return err
	}
	now := in.cfg.Day()
	for facility, name := range in.index.known() {
		loc, err := zone.Load(name)
		if err != nil {
			return fmt.Errorf("facility %s: %w", facility, err)
		}
		ev := day(facility, zone.Date(now, loc), zone.Midnight(now, loc), "")
		k, ok, err := in.index.find(ctx, ev.GetId())
		if err == nil && ok && in.cfg.Log.ByWrongClock(k.seq) {
			// It began by a wrong clock, and does not count.
			ev = day(facility, zone.Date(now, loc), zone.Midnight(now, loc), "/again")
			_, ok, err = in.index.find(ctx, ev.GetId())
		}
		if err != nil {
			return err
		}
		if ok {
			continue
		}
		seq, _, err := in.cfg.Log.Append(ctx, ev)
		if err != nil {
			return err
		}
		in.index.remember(ev, known{seq: seq, hash: ev.GetContentHash()})
	}
	return nil
}
