package record

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Kind is the name of a kind of fact: the name of its field in the schema, for instance
// "needle_inserted".
type Kind string

// Kinds that code asks for by name. All others are known by the schema alone, or by the type of the body.
const (
	KindFactCorrected           Kind = "fact_corrected"
	KindFactVoided              Kind = "fact_voided"
	KindSessionVoided           Kind = "session_voided"
	KindIdentityStated          Kind = "identity_stated"
	KindPatientsMerged          Kind = "patients_merged"
	KindMergeReversed           Kind = "merge_reversed"
	KindAccessExamined          Kind = "access_examined"
	KindSitePrepared            Kind = "site_prepared"
	KindPegRemoved              Kind = "peg_removed"
	KindPegFoundMissing         Kind = "peg_found_missing"
	KindNeedleInserted          Kind = "needle_inserted"
	KindNeedleRemoved           Kind = "needle_removed"
	KindPegPlaced               Kind = "peg_placed"
	KindHoldPlaced              Kind = "hold_placed"
	KindHoldLifted              Kind = "hold_lifted"
	KindSessionStarted          Kind = "session_started"
	KindSessionEnded            Kind = "session_ended"
	KindComplicationSeen        Kind = "complication_seen"
	KindTrackPlanned            Kind = "track_planned"
	KindTrackTakenOver          Kind = "track_taken_over"
	KindTrackRested             Kind = "track_rested"
	KindTrackRetired            Kind = "track_retired"
	KindAccessCreated           Kind = "access_created"
	KindAccessRetired           Kind = "access_retired"
	KindPatientAdmitted         Kind = "patient_admitted"
	KindPatientLeft             Kind = "patient_left"
	KindScheduleSet             Kind = "schedule_set"
	KindDeputyNamed             Kind = "deputy_named"
	KindHospitalAdmission       Kind = "hospital_admission"
	KindHospitalDischarge       Kind = "hospital_discharge"
	KindSiteSignsSeen           Kind = "site_signs_seen"
	KindCultureResulted         Kind = "culture_resulted"
	KindVenousPressureRead      Kind = "venous_pressure_read"
	KindAccessFlowMeasured      Kind = "access_flow_measured"
	KindAntimicrobialStarted    Kind = "antimicrobial_started"
	KindAntimicrobialEnded      Kind = "antimicrobial_ended"
	KindSuspectedSourceAssessed Kind = "suspected_source_assessed"
	KindEventOutcomeAssessed    Kind = "event_outcome_assessed"
	KindFacilityRegistered      Kind = "facility_registered"
	KindProtocolAdopted         Kind = "protocol_adopted"
	KindCannulatorRated         Kind = "cannulator_rated"
	KindCensusCounted           Kind = "census_counted"
	KindThresholdSet            Kind = "surveillance_threshold_set"
	KindSignalAcknowledged      Kind = "surveillance_signal_acknowledged"
	KindGenesis                 Kind = "genesis"
	KindDayStarted              Kind = "day_started"
	KindLossRecorded            Kind = "loss_recorded"
	KindLogRepaired             Kind = "log_repaired"
	KindClockCorrected          Kind = "clock_corrected"
	KindRecordScope             Kind = "record_scope"
	kindSealedIdentity          Kind = "identity_sealed"
	kindSealedIdentityChanged   Kind = "identity_corrected"
)

// FacilityLevel reports whether facts of the kind are about a facility or a member of staff, and
// not about a patient. Corrections and voids can be either.
func FacilityLevel(k Kind) bool {
	switch k {
	case KindFacilityRegistered, KindProtocolAdopted, KindCannulatorRated, KindCensusCounted,
		KindThresholdSet, KindSignalAcknowledged:
		return true
	}
	return false
}

// ErrUnknownFact says that an event holds a fact that this version of the program does not know.
// It must not be skipped: a newer version can read it.
var ErrUnknownFact = errors.New("the event holds a fact of a kind that this version does not know; upgrade before going on")

// Fact is one fact of an event, with what the event and the log add to it.
type Fact struct {
	ID      string // FactID
	EventID string
	Ordinal int
	Seq     uint64    // the event's sequence in the log
	Logged  time.Time // the log's time of the event

	Source     string
	Facility   string
	PatientKey string // empty for a fact about a facility
	// Session names the session, or the event without one, whose facts are rendered together:
	// SessionID if the event has a session reference, else the event's id.
	Session        string
	SessionSystem  string
	SessionValue   string
	At             time.Time // clinical time
	Precision      cannularyv1.TimePrecision
	Recorder       *cannularyv1.StaffIdentifier
	Kind           Kind
	Body           proto.Message // the concrete fact, for instance *cannularyv1.NeedleInserted
	Correction     *cannularyv1.Correction
	Asserted       time.Time // when the correction was asserted that brought the content; zero for the original's
	Target         string    // fact id that a correction or void names
	TargetSession  string    // SessionKey that a session void names
	MergedKey      string    // retired patient key of a merge or its reversal
	RetiredSealed  []byte    // the retired identifier of a merge, sealed
	PatientSealed  []byte    // the envelope's identifier, sealed
	IdentityHashes []string
}

// BeginsTreatment reports whether the fact says that a treatment of its patient began: it is a start of a session or the
// insertion of a needle.
func (f *Fact) BeginsTreatment() bool {
	switch f.Body.(type) {
	case *cannularyv1.SessionStarted, *cannularyv1.NeedleInserted:
		return true
	}
	return false
}

// HasSession reports whether the fact belongs to a treatment with a reference.
func (f *Fact) HasSession() bool { return f.SessionValue != "" }

// Facts returns the facts of an event. seq and logged are its place and its time in the log. It
// returns ErrUnknownFact for a fact of an unknown kind, and another error for an event that it
// cannot read.
func Facts(ev *logv1.Event, seq uint64, logged time.Time) ([]Fact, error) {
	return AppendFacts(make([]Fact, 0, len(ev.GetFacts())), ev, seq, logged)
}

// AppendFacts appends to out what Facts returns.
func AppendFacts(out []Fact, ev *logv1.Event, seq uint64, logged time.Time) ([]Fact, error) {
	if ev.GetId() == "" {
		return nil, errors.New("the event has no id")
	}
	if len(ev.GetFacts()) == 0 {
		return nil, errors.New("the event has no facts")
	}
	for i, lf := range ev.GetFacts() {
		if lf.GetWithheld() != nil {
			continue
		}
		f := Fact{
			ID: FactID(ev.GetId(), i), EventID: ev.GetId(), Ordinal: i, Seq: seq, Logged: logged.UTC(),
			Source: ev.GetSource(), Facility: ev.GetFacility(), PatientKey: ev.GetPatientKey(),
			At: ev.GetOccurredAt().AsTime(), Precision: ev.GetPrecision(), Recorder: ev.GetRecorder(),
			PatientSealed: ev.GetPatientSealed(),
			Session:       ev.GetId(),
		}
		if s := ev.GetSession(); s.GetValue() != "" {
			f.SessionSystem, f.SessionValue = s.GetSystem(), s.GetValue()
			if n := len(out); n > 0 && out[n-1].sharesSession(&f) {
				f.Session = out[n-1].Session // as most facts do, and the hash takes long
			} else {
				f.Session = SessionID(f.PatientKey, s.GetSystem(), s.GetValue())
			}
		}
		if err := f.fill(lf); err != nil {
			return nil, fmt.Errorf("fact %d: %w", i, err)
		}
		out = append(out, f)
	}
	return out, nil
}

// sharesSession reports whether both facts belong to one treatment of one patient by their references.
func (f *Fact) sharesSession(o *Fact) bool {
	return f.PatientKey == o.PatientKey && f.SessionSystem == o.SessionSystem && f.SessionValue == o.SessionValue
}

// fill sets the concrete fact and what it points at.
func (f *Fact) fill(lf *logv1.Fact) error {
	kind, body, err := concrete(lf)
	if err != nil {
		return err
	}
	f.Kind, f.Body = kind, body
	switch b := body.(type) {
	case *cannularyv1.FactVoided:
		f.Target = ReferencedFactID(f.Source, b.GetFact())
	case *cannularyv1.SessionVoided:
		f.TargetSession = SessionKey(b.GetSession().GetSystem(), b.GetSession().GetValue())
	case *cannularyv1.RosterFactCorrected:
		return f.correct(b.GetCorrection(), b.GetReplacement())
	case *cannularyv1.CannulationFactCorrected:
		return f.correct(b.GetCorrection(), b.GetReplacement())
	case *cannularyv1.AssessmentFactCorrected:
		return f.correct(b.GetCorrection(), b.GetReplacement())
	case *cannularyv1.SurveillanceFactCorrected:
		return f.correct(b.GetCorrection(), b.GetReplacement())
	case *logv1.IdentityCorrected:
		f.Kind = KindFactCorrected
		f.Correction = b.GetCorrection()
		f.Target = ReferencedFactID(f.Source, b.GetCorrection().GetFact())
		f.Body = b.GetReplacement()
		f.IdentityHashes = b.GetReplacement().GetIdentifierKeys()
	case *logv1.IdentitySealed:
		f.Kind = KindIdentityStated
		f.IdentityHashes = b.GetIdentifierKeys()
	case *logv1.IdentitiesMerged:
		f.Kind = KindPatientsMerged
		f.MergedKey, f.RetiredSealed = b.GetRetiredPatientKey(), b.GetRetiredPatientSealed()
	case *logv1.IdentityMergeReversed:
		f.Kind = KindMergeReversed
		f.MergedKey = b.GetRetiredPatientKey()
	}
	return nil
}

// correct turns f into a correction whose body is the replacing fact.
func (f *Fact) correct(c *cannularyv1.Correction, replacement proto.Message) error {
	_, body, err := inner(replacement)
	if err != nil {
		return fmt.Errorf("replacement: %w", err)
	}
	f.Kind, f.Correction, f.Body = KindFactCorrected, c, body
	f.Target = ReferencedFactID(f.Source, c.GetFact())
	return nil
}

// concrete returns the innermost message of a logged fact.
func concrete(lf *logv1.Fact) (Kind, proto.Message, error) {
	kind, m, err := inner(lf)
	if err != nil {
		return "", nil, err
	}
	switch kind {
	case "roster", "cannulation", "assessment", "surveillance":
		return inner(m)
	}
	return kind, m, nil
}

// inner returns the name and message of the one field that is set in m's oneof.
func inner(m proto.Message) (Kind, proto.Message, error) {
	r := m.ProtoReflect()
	if !r.IsValid() || r.Descriptor().Oneofs().Len() == 0 {
		return "", nil, ErrUnknownFact
	}
	fd := r.WhichOneof(r.Descriptor().Oneofs().Get(0))
	if fd == nil {
		return "", nil, ErrUnknownFact
	}
	return Kind(fd.Name()), r.Get(fd).Message().Interface(), nil
}

// BodyKind returns the kind of a fact's content: for a correction the kind of the replacing
// fact, else the fact's own.
func (f *Fact) BodyKind() Kind {
	if f.Kind != KindFactCorrected {
		return f.Kind
	}
	if _, ok := f.Body.(*logv1.IdentitySealed); ok {
		return KindIdentityStated
	}
	return kindOfMessage(f.Body)
}

// kindOfMessage returns the kind that belongs to a message's name: NeedleInserted is
// "needle_inserted". A test checks that every fact of the schema follows this rule.
func kindOfMessage(m proto.Message) Kind {
	return Kind(snake(string(m.ProtoReflect().Descriptor().Name())))
}

func snake(s string) string {
	var b strings.Builder
	for i, r := range s {
		if r >= 'A' && r <= 'Z' {
			if i > 0 {
				b.WriteByte('_')
			}
			r += 'a' - 'A'
		}
		b.WriteRune(r)
	}
	return b.String()
}

// VoidedSession returns the reference of the session that a session void names.
func (f *Fact) VoidedSession() (system, value string) {
	if b, ok := f.Body.(*cannularyv1.SessionVoided); ok {
		return b.GetSession().GetSystem(), b.GetSession().GetValue()
	}
	return "", ""
}

// Plain reports whether the fact says something itself, and not about another fact or the log.
func (f *Fact) Plain() bool {
	switch f.Kind {
	case KindFactCorrected, KindFactVoided, KindSessionVoided, KindGenesis, KindDayStarted, KindLossRecorded, KindLogRepaired,
		KindClockCorrected, KindRecordScope:
		return false
	}
	return true
}

// Tracks returns the names of the tracks that the fact mentions, each once, in order of
// appearance.
func (f *Fact) Tracks() []string { return mentions(f.Body, "track", "replaced_by") }

// Accesses returns the names of the accesses that the fact mentions, each once, in order of
// appearance.
func (f *Fact) Accesses() []string { return mentions(f.Body, "access") }

// Staff returns the members of staff that the fact mentions, with its recorder.
func (f *Fact) Staff() []*cannularyv1.StaffIdentifier {
	var out []*cannularyv1.StaffIdentifier
	seen := map[string]bool{}
	add := func(s *cannularyv1.StaffIdentifier) {
		if s.GetValue() != "" && !seen[StaffID(s)] {
			seen[StaffID(s)] = true
			out = append(out, s)
		}
	}
	add(f.Recorder)
	walk(f.Body, func(fd protoreflect.FieldDescriptor, v protoreflect.Value) {
		if fd.Kind() == protoreflect.MessageKind && !fd.IsList() {
			if s, ok := v.Message().Interface().(*cannularyv1.StaffIdentifier); ok {
				add(s)
			}
		}
	})
	return out
}

func mentions(m proto.Message, names ...protoreflect.Name) []string {
	var out []string
	walk(m, func(fd protoreflect.FieldDescriptor, v protoreflect.Value) {
		if fd.Kind() != protoreflect.StringKind || fd.IsList() {
			return
		}
		for _, n := range names {
			if fd.Name() == n && v.String() != "" && !slices.Contains(out, v.String()) {
				out = append(out, v.String())
			}
		}
	})
	return out
}

// walk visits every field that is set, depth first, in field order.
func walk(m proto.Message, visit func(protoreflect.FieldDescriptor, protoreflect.Value)) {
	if m == nil || !m.ProtoReflect().IsValid() {
		return
	}
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := 0; i < fields.Len(); i++ {
		fd := fields.Get(i)
		if !r.Has(fd) {
			continue
		}
		v := r.Get(fd)
		visit(fd, v)
		if fd.Kind() != protoreflect.MessageKind || fd.IsMap() {
			continue
		}
		if fd.IsList() {
			for j := 0; j < v.List().Len(); j++ {
				walk(v.List().Get(j).Message().Interface(), visit)
			}
			continue
		}
		walk(v.Message().Interface(), visit)
	}
}
