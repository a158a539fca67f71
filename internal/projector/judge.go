package projector

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/track"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Protocols gathers the protocols of all facilities, as far as the log held them at knownAt
// (zero: all). A patient may move to any of them. It is the only place where that is done.
func Protocols(l view.Loader, knownAt time.Time) (*protocol.Book, error) {
	topics, err := l.TopicsWith(topicProtocol)
	if err != nil {
		return nil, err
	}
	adopted, err := ofFacilities(l, topics, knownAt)
	if err != nil {
		return nil, err
	}
	return protocol.NewBook(adopted), nil
}

// Judge gathers what the judgement of one patient looks at, all merged identities
// together, as far as the log held it at knownAt (zero: all); book is what Protocols gave for
// the same moment. AsOf is still open. It also answers the facts.
func Judge(l view.Loader, ids *record.Identities, zoneOf func(string) *time.Location, book *protocol.Book, key string, knownAt time.Time) (track.Input, []record.Fact, error) {
	group := ids.Group(key)
	events, err := l.Patients(group)
	if err != nil {
		return track.Input{}, nil, err
	}
	in := map[string]bool{}
	for _, k := range group {
		in[k] = true
	}
	facts, err := view.Closure(l, events, func(a, b *record.Fact) bool { return in[a.PatientKey] && in[b.PatientKey] })
	if err != nil {
		return track.Input{}, nil, err
	}
	kept := facts[:0]
	for _, f := range facts {
		if in[f.PatientKey] {
			kept = append(kept, f)
		}
	}
	known := record.Known(kept, knownAt)
	items := record.AtNoon(record.Effective(known), zoneOf)
	out := track.Input{Items: items, Zone: zoneOf, Book: book}
	out.TrackKeys, out.AccessKeys = keys(group, known)
	for i := range items {
		if ids != nil && slices.Contains(ids.Refused, items[i].ID) {
			out.Refused = append(out.Refused, items[i])
		}
	}
	var staff []string
	for _, s := range firstInserters(items) {
		staff = append(staff, topicStaff+record.StaffID(s))
	}
	out.Ratings, err = ofFacilities(l, staff, knownAt)
	return out, known, err
}

// gathered is what the judgement of a patient looks at, now. Judgement and surveillance of
// one event ask for the same, so the answer asked for last is kept until the next.
func (p *Projector) gathered(c *change, key string) (track.Input, error) {
	if c.gathered != nil && c.gatheredOf == key {
		return *c.gathered, nil
	}
	if p.book == nil {
		book, err := Protocols(c.tx.Load(), time.Time{})
		if err != nil {
			return track.Input{}, err
		}
		p.book = book
	}
	in, _, err := Judge(c.tx.Load(), p.identities, p.zone, p.book, key, time.Time{})
	if err != nil {
		return in, err
	}
	c.gathered, c.gatheredOf = &in, key
	return in, nil
}

// firstInserters are those who may have made the first insertion of a track: only their
// ratings are looked at.
func firstInserters(items []record.Item) []*cannularyv1.StaffIdentifier {
	var out []*cannularyv1.StaffIdentifier
	seen := map[string]bool{}
	for i := range items {
		n, ok := items[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || items[i].Void || seen[n.GetTrack()] || n.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			continue
		}
		seen[n.GetTrack()] = true
		if n.GetCannulator() != nil {
			out = append(out, n.GetCannulator())
		}
	}
	return out
}

// ofFacilities reads facts about facilities and staff, after corrections and voids.
func ofFacilities(l view.Loader, topics []string, knownAt time.Time) ([]record.Item, error) {
	slices.Sort(topics)
	var out []record.Item
	for _, t := range slices.Compact(topics) {
		events, err := l.Topic(t)
		if err != nil {
			return nil, err
		}
		facts, err := view.Closure(l, events, func(a, b *record.Fact) bool {
			return a.PatientKey == "" && b.PatientKey == "" && a.Facility == b.Facility
		})
		if err != nil {
			return nil, err
		}
		facts = slices.DeleteFunc(facts, func(f record.Fact) bool { return f.PatientKey != "" })
		out = append(out, record.Effective(record.Known(facts, knownAt))...)
	}
	record.Sort(out)
	// Two topics may share an event.
	return slices.CompactFunc(out, func(a, b record.Item) bool { return a.ID == b.ID }), nil
}

// chart is a patient's judgement as it was stored last, ready for the next fact.
type chart struct {
	*track.Chart
	last  track.Judgement
	shown map[string]bool // the resources of last, "Type/id"
	basis string          // fhir.JudgedView.Basis of last
	// stored is what the view holds beside the resources; nil where that is not known.
	stored *view.Judgement
}

// entered tells that no fact is a first insertion, which would ask for a rating.
func (ch *chart) entered(items []record.Item) bool {
	for i := range items {
		n, ok := items[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || n.GetTrack() == "" {
			continue
		}
		k := slices.IndexFunc(ch.last.Tracks, func(s track.State) bool { return s.Name == n.GetTrack() })
		if k < 0 || !ch.last.Tracks[k].Entered {
			return false
		}
	}
	return true
}

// chartsMost bounds the patients whose charts are kept in memory, some 200 kB each; any
// other's is made anew from the view when it is needed.
const chartsMost = 256

// judge folds the tracks of the patients that the event touches and stores the judgement,
// as of the later of the newest fact and the newest day: as rows for lists and metrics, and
// as resources. No time, batch or cache decides anything: the answer is that of track.Fold.
func (p *Projector) judge(c *change) error {
	keys := map[string]bool{}
	for k := range c.judged {
		keys[p.identities.Survivor(k)] = true
	}
	if len(keys) == 0 {
		return nil
	}
	var all []*verdict
	ids := map[string]bool{}
	for _, k := range sorted(keys) {
		v, err := p.verdict(c, k)
		if err != nil {
			return err
		}
		all = append(all, v)
		for _, r := range v.resources {
			ids[r.Type+"/"+r.ID] = true
		}
	}
	for _, v := range all {
		if err := p.store(c, v, ids); err != nil {
			return err
		}
	}
	return nil
}

// verdict is a new judgement with what of it is to be stored.
type verdict struct {
	key       string
	facility  string
	j         track.Judgement
	resources []fhir.Resource // whose content may have changed
	findings  []track.Finding // likewise
	gone      []view.ResourceKey
}

// verdict judges one patient.
func (p *Projector) verdict(c *change, key string) (*verdict, error) {
	v := &verdict{key: key}
	ch, fresh := p.charts[key], false
	var asOf time.Time
	ask := func() string {
		asOf = p.judgedAt(ch)
		v.j = ch.Judge(asOf)
		v.facility = v.j.Where.Facility
		return fhir.JudgedView{Patient: key, All: &v.j}.Basis()
	}
	basis := ""
	simple := ch != nil && (c.calendar || c.simple && ch.entered(c.items) && ch.Add(c.items, c.touches))
	if simple {
		basis = ask()
	}
	// Where tracks or accesses go by other ids now, everything is rendered anew.
	if !simple || basis != ch.basis {
		in, err := p.gathered(c, key)
		if err != nil {
			return nil, err
		}
		ch, fresh = &chart{Chart: track.NewChart(in)}, true
		basis = ask()
	}
	ch.basis = basis
	var err error
	if v.resources, err = p.judged(c, v, ch, fresh); err != nil {
		return nil, err
	}
	now := shown(&v.j)
	if fresh {
		if v.gone, err = c.tx.Judged(p.identities.Group(key)); err != nil {
			return nil, err
		}
		v.gone = slices.DeleteFunc(v.gone, func(k view.ResourceKey) bool { return now[k.Type+"/"+k.ID] })
	} else {
		for k := range ch.shown {
			if !now[k] {
				typ, id, _ := strings.Cut(k, "/")
				v.gone = append(v.gone, view.ResourceKey{Type: typ, ID: id})
			}
		}
		slices.SortFunc(v.gone, func(a, b view.ResourceKey) int { return strings.Compare(a.Type+a.ID, b.Type+b.ID) })
	}
	ch.Trim()
	ch.last = ch.Judge(asOf)
	ch.shown = shown(&ch.last)
	if len(p.charts) >= chartsMost && p.charts[key] == nil {
		for other := range p.charts {
			delete(p.charts, other)
			break
		}
	}
	p.charts[key] = ch
	return v, nil
}

// judgedAt is the later of a patient's newest fact and the newest day that started where the patient
// belongs. The new day may be that on which the patient belongs elsewhere.
func (p *Projector) judgedAt(ch *chart) time.Time {
	at := ch.Newest()
	for range 2 {
		if day := p.days[ch.At(at)]; day.After(at) {
			at = day
		}
	}
	return at
}

// shown are the resources of a judgement.
func shown(j *track.Judgement) map[string]bool {
	out := map[string]bool{}
	for i := range j.Findings {
		out["DetectedIssue/"+j.Findings[i].ID] = true
	}
	for i := range j.Holds {
		out["Flag/"+j.Holds[i].ID] = true
	}
	for i := range j.Tracks {
		out["Observation/"+fhir.MaturityID(j.Tracks[i].ID)] = true
	}
	return out
}

// judged renders what differs from the judgement before; all of it, where that is not known.
func (p *Projector) judged(c *change, v *verdict, ch *chart, fresh bool) ([]fhir.Resource, error) {
	j := &v.j
	part := *j
	if !fresh {
		part.Findings = changed(j.Findings, ch.last.Findings, func(f *track.Finding) string { return f.ID })
		part.Holds = changed(j.Holds, ch.last.Holds, func(h *track.Hold) string { return h.ID })
		part.Tracks = changed(j.Tracks, ch.last.Tracks, func(s *track.State) string { return s.ID })
		if len(part.Findings)+len(part.Holds)+len(part.Tracks) == 0 {
			return nil, nil
		}
	}
	v.findings = part.Findings
	facts, err := grounds(c.tx, part.Findings)
	if err != nil {
		return nil, err
	}
	out, err := fhir.Judged(p.context(c, v.facility), fhir.JudgedView{Patient: v.key, Judgement: &part, All: j, Facts: facts})
	if err != nil {
		return nil, &unclearError{err: err}
	}
	return out, nil
}

// grounds are the facts that findings rest on, as they were first told: the fold may have let
// them go long ago.
func grounds(tx *view.Tx, list []track.Finding) (map[string]*record.Fact, error) {
	ids := map[string]bool{}
	for i := range list {
		for _, f := range list[i].Facts {
			ids[strings.SplitN(f, ".", 2)[0]] = true
		}
	}
	events, err := tx.Load().ByID(sorted(ids))
	if err != nil {
		return nil, err
	}
	facts, err := view.Facts(events)
	if err != nil {
		return nil, err
	}
	out := make(map[string]*record.Fact, len(facts))
	for i := range facts {
		out[facts[i].ID] = &facts[i]
	}
	return out, nil
}

func changed[T any](now, before []T, id func(*T) string) []T {
	old := map[string]*T{}
	for i := range before {
		old[id(&before[i])] = &before[i]
	}
	var out []T
	for i := range now {
		if b := old[id(&now[i])]; b == nil || !reflect.DeepEqual(*b, now[i]) {
			out = append(out, now[i])
		}
	}
	return out
}

// store puts a verdict into the view. What no judgement of this event holds any more is
// taken back, never deleted.
func (p *Projector) store(c *change, v *verdict, held map[string]bool) error {
	if err := c.put(v.resources...); err != nil {
		return err
	}
	for i := range v.findings {
		f := &v.findings[i]
		if err := c.tx.SetFinding(view.FindingRow{ID: f.ID, Patient: v.key, Rule: f.Rule, Since: f.Since}); err != nil {
			return err
		}
	}
	for _, k := range v.gone {
		if held[k.Type+"/"+k.ID] {
			continue
		}
		if k.Type == "DetectedIssue" {
			if err := c.tx.DropFinding(k.ID); err != nil {
				return err
			}
		}
		body, err := c.tx.Body(k)
		if err != nil {
			return err
		}
		r, err := fhir.TakenBack(p.context(c, v.facility), v.key, k.Type, k.ID, body)
		if err != nil {
			return &unclearError{err: err}
		}
		if err := c.put(r); err != nil {
			return err
		}
	}
	var rows []view.TrackRow
	var open []view.HoldRow
	// Whoever left the unit is on no list of it; the card still answers. But a bacteraemia
	// often becomes known only after the patient has died or gone to hospital for good: it
	// concerns the unit until somebody has reviewed it.
	left := v.j.Where.Left
	if !left {
		for _, s := range v.j.Tracks {
			rows = append(rows, view.TrackRow{Patient: v.key, Track: s.Name, Facility: v.facility, Role: track.RoleName(s.Role), Stage: string(s.Stage),
				Counted: s.Counted, Target: s.Target + len(s.Extras), Held: len(s.Held) > 0, Needle: string(s.Next.Needle), Why: s.Next.Why, Caution: s.Next.Caution})
		}
	}
	for _, g := range v.j.Shown() {
		h := &g[0]
		if left && h.Rule != rule.Bacteraemia {
			continue
		}
		r := view.HoldRow{ID: h.ID, Patient: v.key, Facility: v.facility, Rule: h.Rule, Since: h.Since, Text: h.Text,
			Place: strings.Join(h.Places(), ", "), Away: left, GivenUp: v.j.GivenUp(h), NotNeedled: v.j.NotNeedled(h), Count: len(g)}
		if h.DayKnown {
			r.Day = h.Date
		}
		open = append(open, r)
	}
	var creators, maturity []string
	for _, s := range v.j.Tracks {
		maturity = append(maturity, fhir.MaturityID(s.ID))
		if s.FirstBy != nil {
			creators = append(creators, record.StaffID(s.FirstBy))
		}
	}
	stored := view.Judgement{Patient: v.key, Facility: v.facility, Due: v.j.Due, Tracks: rows, Holds: open, Creators: creators, Maturity: maturity}
	if ch := p.charts[v.key]; ch != nil {
		// Most facts change nothing that lists and metrics show.
		if ch.stored != nil && reflect.DeepEqual(*ch.stored, stored) {
			return nil
		}
		ch.stored = &stored
	}
	return c.tx.SetJudgement(p.identities.Group(v.key), stored)
}

// readDays reads, by facility, the beginning of the newest day that has started there. It is
// asked again whenever a day starts or a zone changes.
func (p *Projector) readDays(tx *view.Tx) error {
	fs, err := tx.Facilities()
	if err != nil {
		return err
	}
	p.days = map[string]time.Time{}
	for _, f := range fs {
		if d, err := time.ParseInLocation(time.DateOnly, f.Day, p.zone(f.ID)); err == nil {
			p.days[f.ID] = d
		}
	}
	return nil
}
