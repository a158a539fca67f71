package extract

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/dossier"
	"cannulary/internal/eventlog"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Gate decides what of each entry of the log belongs to the extract of some facilities, and what of earlier entries
// does so from now on.
type Gate struct {
	own   map[string]bool
	ids   *record.Identities
	zones map[string]*time.Location
	days  map[string]view.StoredEvent // the newest day that began at each facility

	people map[string]*person // by each of their patient keys
	// open are the patient keys whose whole record is in the extract. until is up to which entry that of the others is.
	open  map[string]bool
	until map[string]uint64
	// scopes counts, by patient key, how often the record opened or ended.
	scopes map[string]int
	// parts are the facts, by event and ordinal, that are in the extract beside whole records.
	parts map[string]map[int]bool

	unclear    map[uint64]bool // the entries that could not be understood and are in the extract
	neighbours map[string]bool // other facilities that records in the extract name
	inserters  map[string]bool // record.StaffID of those who put needles into these patients
}

// NewGate makes the gate of facilities before the log's first entry.
func NewGate(facilities []string) *Gate {
	g := &Gate{own: map[string]bool{}, ids: &record.Identities{}, zones: map[string]*time.Location{}, days: map[string]view.StoredEvent{},
		people: map[string]*person{}, open: map[string]bool{}, until: map[string]uint64{}, scopes: map[string]int{},
		parts:   map[string]map[int]bool{},
		unclear: map[uint64]bool{}, neighbours: map[string]bool{}, inserters: map[string]bool{}}
	for _, f := range facilities {
		g.own[f] = true
	}
	return g
}

// Passed is an entry of the extract.
type Passed struct {
	Logged time.Time // by the log
	Data   []byte    // the serialised event with some facts withheld and without its link; or what could not be understood
}

// Past is the log up to an entry. view.Past is one.
type Past interface {
	view.Loader
	// Unclear lists the events after an entry that could not be understood but name their patient.
	Unclear(after uint64) ([]view.Unclear, error)
}

// step is what one entry of the log gives.
type step struct {
	*Gate
	past Past
	at   view.StoredEvent
	out  []Passed
	// moved are the patient keys whose record opened or ended.
	moved []string
}

// Step takes the next event of the log in. past holds the events up to it. It returns what belongs to the extract from
// now on, in order.
func (g *Gate) Step(past Past, e view.StoredEvent) ([]Passed, error) {
	s := &step{Gate: g, past: past, at: e}
	facts, err := record.Facts(e.Event, e.Seq, e.Logged)
	if err != nil {
		return nil, fmt.Errorf("entry %d: %w", e.Seq, err)
	}
	if e.Event.GetPatientKey() == "" {
		err = s.facility(facts)
	} else {
		err = s.patient(facts)
	}
	for _, key := range s.moved { // last, behind what names the patient
		if err == nil {
			err = s.scope(key)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("entry %d: %w", e.Seq, err)
	}
	return s.out, nil
}

// Unclear takes the next entry in that could not be understood, at a time of the log.
func (g *Gate) Unclear(u view.Unclear, at time.Time) []Passed {
	if !g.open[u.Patient] || g.unclear[u.Seq] {
		return nil
	}
	g.unclear[u.Seq] = true
	return []Passed{{at, u.Data}}
}

// zone is a facility's time zone; UTC for one that is not known.
func (g *Gate) zone(facility string) *time.Location { return cmp.Or(g.zones[facility], time.UTC) }

// facility takes an event about a facility, or about the log, in.
func (s *step) facility(facts []record.Fact) error {
	code := s.at.Event.GetFacility()
	if code == "" {
		return nil // about the log itself: nothing of it is read in a view
	}
	began := false
	for i := range facts {
		if _, ok := facts[i].Body.(*logv1.DayStarted); ok {
			s.days[code], began = s.at, true
		}
		if facts[i].BodyKind() == record.KindFacilityRegistered || facts[i].Amends() {
			if err := s.register(code); err != nil {
				return err
			}
		}
	}
	var err error
	switch {
	case s.own[code]:
		err = s.whole(s.at)
	case s.neighbours[code] && !began:
		err = s.some(s.at, facts)
	}
	if began && err == nil {
		err = s.everybody()
	}
	return err
}

// register reads a facility's time zone again. Where it changed, so may dates of every stay.
func (s *step) register(code string) error {
	r, err := dossier.Registration(s.past, code)
	if err != nil || r == nil {
		return err
	}
	l, err := zone.Load(r.GetTimeZone())
	if err != nil || s.zone(code).String() == l.String() {
		return nil // what is no time zone was set aside
	}
	s.zones[code] = l
	for _, p := range s.people {
		p.read = false
	}
	return s.everybody()
}

// everybody looks at all patients again.
func (s *step) everybody() error {
	for _, k := range slices.Sorted(maps.Keys(s.people)) {
		p := s.people[k]
		if p == nil || p.keys[0] != k {
			continue
		}
		if err := s.settle(p); err != nil {
			return err
		}
	}
	return nil
}

// patient takes an event about a patient in.
func (s *step) patient(facts []record.Fact) error {
	key := s.at.Event.GetPatientKey()
	touched, err := s.merged(facts)
	if err != nil {
		return err
	}
	p := s.person(key)
	p.note(facts, s.zone, s.own)
	if !slices.Contains(touched, p) {
		touched = append(touched, p)
	}
	// Whoever could read the record until now may read what ends that.
	reads := s.open[key]
	for _, p := range touched {
		for _, k := range p.keys {
			reads = reads || s.open[k] && names(facts, k)
		}
	}
	for _, p := range touched {
		if err := s.opens(p); err != nil {
			return err
		}
		reads = reads || slices.Contains(p.keys, key) && s.open[key]
	}
	if reads || s.own[s.at.Event.GetFacility()] {
		err = s.alone(s.at, facts, reads)
	} else {
		err = s.some(s.at, facts)
	}
	if err != nil {
		return err
	}
	for _, p := range touched {
		s.closes(p)
	}
	return nil
}

// names reports whether facts are about a patient key, or merge it into another, or part the two again.
func names(facts []record.Fact, key string) bool {
	return slices.ContainsFunc(facts, func(f record.Fact) bool { return f.MergedKey == key || f.PatientKey == key })
}

// alone passes an event whole, and, outside a whole record, what waited to correct or void it.
func (s *step) alone(e view.StoredEvent, facts []record.Fact, ofRecord bool) error {
	if err := s.around(e, facts); err != nil {
		return err
	}
	if err := s.whole(e); err != nil || ofRecord {
		return err
	}
	var targets []string
	for i := range facts {
		targets = append(targets, facts[i].ID)
		if facts[i].HasSession() {
			targets = append(targets, record.SessionKey(facts[i].SessionSystem, facts[i].SessionValue))
		}
	}
	waiting, err := s.past.Amending(targets)
	if err != nil {
		return err
	}
	return s.someOf(waiting)
}

// settle opens or ends the record of a patient.
func (s *step) settle(p *person) error {
	if err := s.opens(p); err != nil {
		return err
	}
	s.closes(p)
	return nil
}

// opens passes what is not yet in the extract of a patient who is at one of its facilities now.
func (s *step) opens(p *person) error {
	here, err := s.here(p)
	if err != nil || !here {
		return err
	}
	if !slices.ContainsFunc(p.keys, func(k string) bool { return !s.open[k] }) {
		return nil
	}
	events, err := s.past.Patients(p.keys)
	if err != nil {
		return err
	}
	slices.SortFunc(events, func(a, b view.StoredEvent) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, e := range events {
		if e.Seq >= s.at.Seq || s.holds(e) {
			continue
		}
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err != nil {
			return err
		}
		if err := s.around(e, facts); err != nil {
			return err
		}
		if err := s.whole(e); err != nil {
			return err
		}
		delete(s.parts, e.Event.GetId())
		if day, ok := s.days[e.Event.GetFacility()]; ok && !s.own[e.Event.GetFacility()] {
			if err := s.whole(day); err != nil {
				return err
			}
		}
	}
	for _, k := range p.keys {
		if !s.open[k] {
			s.open[k] = true
			s.moved = append(s.moved, k)
		}
	}
	if err := s.merges(); err != nil {
		return err
	}
	return s.notUnderstood()
}

// scope passes how much of the record of a patient key is in the extract now. So the Patient has a new version whenever a
// stay opens or ends.
func (s *step) scope(key string) error {
	s.scopes[key]++
	message := fmt.Sprintf("record/%s/%d", key, s.scopes[key]) // the log's own number would tell how much there is of others
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(&logv1.Event{
		Id: record.EventID(eventlog.ServiceSource, message), Source: eventlog.ServiceSource, SourceMessageId: message, PatientKey: key,
		OccurredAt: timestamppb.New(s.at.Logged), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
		Facts: []*logv1.Fact{{Fact: &logv1.Fact_RecordScope{RecordScope: &logv1.RecordScope{Whole: s.open[key]}}}},
	})
	if err == nil {
		s.out = append(s.out, Passed{s.at.Logged, data})
	}
	return err
}

// merges passes which identities were merged into which, and parted again, of patients whose record is open: that is
// posted for one of the two.
func (s *step) merges() error {
	events, err := s.past.Topic(dossier.MergesTopic)
	if err != nil {
		return err
	}
	for _, e := range events {
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err == nil && e.Seq < s.at.Seq && !s.holds(e) {
			err = s.some(e, slices.DeleteFunc(facts, func(f record.Fact) bool { return f.MergedKey == "" }))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// notUnderstood passes what could not be understood of patients whose record is open: a card says that there is more.
func (s *step) notUnderstood() error {
	list, err := s.past.Unclear(0)
	if err != nil {
		return err
	}
	for _, u := range list {
		s.out = append(s.out, s.Unclear(u, s.at.Logged)...)
	}
	return nil
}

// closes ends the record of a patient who is at none of the facilities any more.
func (s *step) closes(p *person) {
	if p.here {
		return
	}
	for _, k := range p.keys {
		if s.open[k] {
			delete(s.open, k)
			s.until[k] = s.at.Seq
			s.moved = append(s.moved, k)
		}
	}
}

// holds reports whether an event is wholly in the extract as part of a whole record.
func (s *step) holds(e view.StoredEvent) bool {
	k := e.Event.GetPatientKey()
	return s.open[k] || e.Seq <= s.until[k]
}

// around passes what the judgement of an event of a patient rests on: of its facility, and of whoever put a needle in.
func (s *step) around(e view.StoredEvent, facts []record.Fact) error {
	code := e.Event.GetFacility()
	if !s.own[code] && !s.neighbours[code] {
		s.neighbours[code] = true
		if err := s.topics(dossier.FacilityTopic+code, dossier.ProtocolTopic+code); err != nil {
			return err
		}
	}
	for i := range facts {
		n, ok := facts[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || n.GetCannulator() == nil {
			continue
		}
		if id := record.StaffID(n.GetCannulator()); !s.inserters[id] {
			s.inserters[id] = true
			if err := s.topics(dossier.StaffTopic + id); err != nil {
				return err
			}
		}
	}
	return nil
}

// topics passes what may be read of the events of topics, with what corrects or voids it.
func (s *step) topics(names ...string) error {
	for _, name := range names {
		events, err := s.past.Topic(name)
		if err != nil {
			return err
		}
		facts, err := view.Closure(s.past, events, func(a, b *record.Fact) bool { return a.PatientKey == "" && b.PatientKey == "" })
		if err != nil {
			return err
		}
		var ids []string
		for i := range facts {
			if facts[i].PatientKey == "" && !s.own[facts[i].Facility] {
				ids = append(ids, facts[i].EventID)
			}
		}
		slices.Sort(ids)
		events, err = s.past.ByID(slices.Compact(ids))
		if err != nil {
			return err
		}
		slices.SortFunc(events, func(a, b view.StoredEvent) int { return cmp.Compare(a.Seq, b.Seq) })
		if err := s.someOf(events); err != nil {
			return err
		}
	}
	return nil
}

// someOf passes of each event what some passes.
func (s *step) someOf(events []view.StoredEvent) error {
	for _, e := range events {
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err == nil {
			err = s.some(e, facts)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// some passes those facts of an event that may be read by themselves: of another facility what judgement rests on, and
// what corrects or voids something that is in the extract.
func (s *step) some(e view.StoredEvent, facts []record.Fact) error {
	may := map[int]bool{}
	for i := range facts {
		f := &facts[i]
		ok, err := s.may(f)
		if err != nil {
			return err
		}
		if ok {
			may[f.Ordinal] = true
		}
	}
	return s.pass(e, may)
}

func (s *step) may(f *record.Fact) (bool, error) {
	if f.Amends() {
		return s.amendsHeld(f)
	}
	if f.MergedKey != "" && (s.open[f.MergedKey] || s.open[f.PatientKey]) {
		return true, nil
	}
	if f.Kind == record.KindMergeReversed {
		return s.mergeHeld(f)
	}
	if f.PatientKey != "" {
		return false, nil
	}
	switch b := f.Body.(type) {
	case *cannularyv1.FacilityRegistered, *cannularyv1.ProtocolAdopted:
		return true, nil
	case *cannularyv1.CannulatorRated:
		return s.inserters[record.StaffID(b.GetCannulator())], nil
	}
	return false, nil
}

// mergeHeld reports whether a merge that is reversed is in the extract.
func (s *step) mergeHeld(reversal *record.Fact) (bool, error) {
	events, err := s.past.Topic(dossier.MergesTopic)
	if err != nil {
		return false, err
	}
	for _, e := range events {
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err != nil {
			return false, err
		}
		for i := range facts {
			if f := &facts[i]; f.Kind == record.KindPatientsMerged && f.PatientKey == reversal.PatientKey &&
				f.MergedKey == reversal.MergedKey && s.held(e, f.Ordinal) {
				return true, nil
			}
		}
	}
	return false, nil
}

// held reports whether a fact of an event is in the extract.
func (s *step) held(e view.StoredEvent, ordinal int) bool {
	return s.own[e.Event.GetFacility()] || e.Event.GetPatientKey() != "" && s.holds(e) || s.parts[e.Event.GetId()][ordinal]
}

// amendsHeld reports whether a correction or void names something that is in the extract.
func (s *step) amendsHeld(f *record.Fact) (bool, error) {
	var named []view.StoredEvent
	var err error
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		for _, k := range s.ids.Group(f.PatientKey) {
			more, err := s.past.Session(record.SessionID(k, system, value))
			if err != nil {
				return false, err
			}
			named = append(named, more...)
		}
	} else if named, err = s.past.ByID([]string{record.EventOf(f.Target)}); err != nil {
		return false, err
	}
	for _, e := range named {
		for i := range e.Event.GetFacts() {
			if (f.TargetSession != "" || record.FactID(e.Event.GetId(), i) == f.Target) && s.held(e, i) {
				return true, nil
			}
		}
	}
	return false, nil
}

// whole passes all facts of an event that are not in the extract yet.
func (s *step) whole(e view.StoredEvent) error {
	may := map[int]bool{}
	for i := range e.Event.GetFacts() {
		may[i] = true
	}
	return s.pass(e, may)
}

// pass passes those facts of an event that are not in the extract yet.
func (s *step) pass(e view.StoredEvent, may map[int]bool) error {
	id := e.Event.GetId()
	had := s.parts[id]
	fresh := false
	for i := range may {
		fresh = fresh || !had[i]
	}
	if !fresh {
		return nil
	}
	out := proto.CloneOf(e.Event)
	out.Link = nil // it would name entries that are not here
	for i, f := range out.GetFacts() {
		switch {
		case !may[i] || had[i]:
			out.Facts[i] = &logv1.Fact{Fact: &logv1.Fact_Withheld{Withheld: &logv1.Withheld{}}}
		case !s.own[e.Event.GetFacility()]:
			trim(f)
		}
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(out)
	if err != nil {
		return err
	}
	s.out = append(s.out, Passed{e.Logged, data})
	if s.own[e.Event.GetFacility()] && e.Event.GetPatientKey() == "" || e.Event.GetPatientKey() != "" && s.open[e.Event.GetPatientKey()] {
		return nil // it is never asked about again
	}
	if had == nil {
		had = map[int]bool{}
		s.parts[id] = had
	}
	maps.Copy(had, may)
	return nil
}

// trim leaves of another facility's registration what records and their judgement need.
func trim(f *logv1.Fact) {
	r := f.GetRoster().GetFacilityRegistered()
	if c := f.GetRoster().GetFactCorrected(); c != nil {
		r = c.GetReplacement().GetFacilityRegistered()
	}
	if r != nil {
		name, timeZone := r.GetName(), r.GetTimeZone()
		proto.Reset(r)
		r.Name, r.TimeZone = name, timeZone
	}
}
