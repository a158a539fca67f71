package projector

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// follower is a patient's judgement as it was stored last, ready for the next fact.
type follower struct {
	*track.Follower
	last  track.Judgement
	shown map[string]bool // the resources of last, "Type/id"
	basis string          // fhir.JudgedView.Basis of last
	// stored is what the view holds beside the resources; nil where that is not known.
	stored *view.Judgement
	// stale tells that it did not take a fact in and must not be asked again.
	stale bool
}

// entered tells that no fact is a first insertion, which would ask for a rating.
func (fw *follower) entered(items []record.Item) bool {
	for i := range items {
		n, ok := items[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || n.GetTrack() == "" {
			continue
		}
		k := slices.IndexFunc(fw.last.Tracks, func(s track.State) bool { return s.Name == n.GetTrack() })
		if k < 0 || !fw.last.Tracks[k].Entered {
			return false
		}
	}
	return true
}

// followersMost bounds the followers in memory, some 120 kB each. Any other patient's is made anew
// from the view when it is needed.
const followersMost = 256

// survivors are the patients whom the event has judged again, by the key that goes on.
func (w *writer) survivors() []string {
	keys := set{}
	for k := range w.judge {
		keys.add(w.identities.Survivor(k))
	}
	return keys.sorted()
}

// judgeAll folds the tracks of the patients that the event touches and stores the judgement,
// as of the later of the newest fact and the newest day: as rows for lists and metrics, and
// as resources. No time, batch or cache decides anything: the result is that of track.Fold.
func (w *writer) judgeAll() error {
	var all []*verdict
	held := set{}
	for _, k := range w.survivors() {
		v, err := w.verdict(k)
		if err != nil {
			return err
		}
		all = append(all, v)
		for _, r := range v.resources {
			held.add(r.Type + "/" + r.ID)
		}
	}
	for _, v := range all {
		if err := w.store(v, held); err != nil {
			return err
		}
	}
	return nil
}

// verdict is a new judgement of a patient, as far as it is to be stored.
type verdict struct {
	fw        *follower
	resources []fhir.Resource   // whose content may have changed
	findings  []view.FindingRow // likewise
	gone      []view.ResourceKey
	rows      view.Judgement
}

// verdict judges one patient: with the follower, where that can take the event's facts in.
func (w *writer) verdict(key string) (*verdict, error) {
	var v *verdict
	var err error
	if w.ahead != nil {
		v = w.ahead.verdict
	}
	if fw := w.followers[key]; v == nil && fw != nil {
		v, err = w.judgeOn(key, fw)
	}
	if err == nil && v == nil {
		v, err = w.judgeAnew(key)
	}
	if err != nil {
		return nil, err
	}
	if len(w.followers) >= followersMost && w.followers[key] == nil {
		for other := range w.followers {
			delete(w.followers, other)
			break
		}
	}
	w.followers[key] = v.fw
	return v, nil
}

// judgeOn has a follower take the event's plain facts in. It returns nil where the follower cannot;
// then it is of no use any more.
func (w *writer) judgeOn(key string, fw *follower) (*verdict, error) {
	if fw.stale { // only read: another event of the patient may be asking at the same time
		return nil, nil
	}
	// A day adds no fact.
	follows := len(w.newDays) > 0 || w.plain != nil && fw.entered(w.plain) && fw.Add(w.plain, w.since)
	if !follows {
		fw.stale = true
		return nil, nil
	}
	j, basis, asOf := w.ask(key, fw)
	if basis != fw.basis {
		// Tracks or accesses go by other ids now: everything is rendered anew.
		fw.stale = true
		return nil, nil
	}
	part := *j
	part.Findings = changed(j.Findings, fw.last.Findings, func(f *track.Finding) string { return f.ID })
	part.Holds = changed(j.Holds, fw.last.Holds, func(h *track.Hold) string { return h.ID })
	part.Tracks = changed(j.Tracks, fw.last.Tracks, func(s *track.State) string { return s.ID })
	v := &verdict{fw: fw, rows: w.rows(key, j)}
	now := shown(j)
	for k := range fw.shown {
		if !now[k] {
			typ, id, _ := strings.Cut(k, "/")
			v.gone = append(v.gone, view.ResourceKey{Type: typ, ID: id})
		}
	}
	slices.SortFunc(v.gone, func(a, b view.ResourceKey) int { return strings.Compare(a.Type+a.ID, b.Type+b.ID) })
	return v, w.judged(v, key, j, &part, asOf)
}

// judgeAnew judges a patient from the dossier.
func (w *writer) judgeAnew(key string) (*verdict, error) {
	d, err := w.patient(key)
	if err != nil {
		return nil, err
	}
	fw, j, asOf := w.newFollower(key, d.Input)
	v := &verdict{fw: fw, rows: w.rows(key, j)}
	// A follower has let go of what ended long ago, so the view is asked.
	if v.gone, err = w.tx.Judged(w.group(key)); err != nil {
		return nil, err
	}
	now := shown(j)
	v.gone = slices.DeleteFunc(v.gone, func(k view.ResourceKey) bool { return now[k.Type+"/"+k.ID] })
	return v, w.judged(v, key, j, j, asOf)
}

// newFollower judges a patient from all facts.
func (s *state) newFollower(key string, in track.Input) (fw *follower, j *track.Judgement, asOf time.Time) {
	fw = &follower{Follower: track.NewFollower(in)}
	j, fw.basis, asOf = s.ask(key, fw)
	return fw, j, asOf
}

// ask has a follower judge at the moment that counts. basis is what the ids of the resources rest on.
func (s *state) ask(key string, fw *follower) (j *track.Judgement, basis string, asOf time.Time) {
	asOf = s.judgedAt(fw)
	now := fw.Judge(asOf)
	return &now, fhir.JudgedView{Patient: key, All: &now}.Basis(), asOf
}

// judged renders part of a judgement, and makes the follower ready for the next fact.
func (w *writer) judged(v *verdict, key string, j, part *track.Judgement, asOf time.Time) error {
	for i := range part.Findings {
		f := &part.Findings[i]
		v.findings = append(v.findings, view.FindingRow{ID: f.ID, Patient: key, Rule: f.Rule, Since: f.Since})
	}
	if len(part.Findings)+len(part.Holds)+len(part.Tracks) > 0 {
		facts, err := w.grounds(part.Findings)
		if err != nil {
			return err
		}
		c, err := w.context(key, j.Where.Facility)
		if err != nil {
			return err
		}
		if v.resources, err = fhir.Judged(c, fhir.JudgedView{Patient: key, Judgement: part, All: j, Facts: facts}); err != nil {
			return &unclearError{err: err}
		}
	}
	v.fw.ready(j, asOf)
	return nil
}

// ready makes a follower ready for the next fact, once its judgement j as of a moment is stored.
func (fw *follower) ready(j *track.Judgement, asOf time.Time) {
	fw.last = *j
	if fw.Trim() {
		fw.last = fw.Judge(asOf)
	}
	fw.shown = shown(&fw.last)
}

// judgedAt is the later of a patient's newest fact and the newest day that started where the patient
// belongs. The new day may be that on which the patient belongs elsewhere.
func (s *state) judgedAt(fw *follower) time.Time {
	at := fw.Newest()
	for range 2 {
		if day := s.days[fw.At(at)]; day.After(at) {
			at = day
		}
	}
	return at
}

// shown are the resources of a judgement.
func shown(j *track.Judgement) set {
	out := set{}
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

// grounds are the facts that findings rest on, as they were first reported: the fold may have let
// them go long ago.
func (w *writer) grounds(list []track.Finding) (map[string]*record.Fact, error) {
	ids := set{}
	for i := range list {
		for _, f := range list[i].Facts {
			ids.add(record.EventOf(f))
		}
	}
	var events []view.StoredEvent
	var err error
	if len(ids) > 0 {
		if events, err = w.byID(ids.sorted()); err != nil {
			return nil, err
		}
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
// marked as entered in error, or cancelled, and never deleted.
func (w *writer) store(v *verdict, held set) error {
	if err := w.put(v.resources...); err != nil {
		return err
	}
	for _, f := range v.findings {
		if err := w.tx.SetFinding(f); err != nil {
			return err
		}
	}
	for _, k := range v.gone {
		if held[k.Type+"/"+k.ID] {
			continue
		}
		if k.Type == "DetectedIssue" {
			if err := w.tx.DropFinding(k.ID); err != nil {
				return err
			}
		}
		body, err := w.tx.Body(k)
		if err != nil {
			return err
		}
		r, err := fhir.TakenBack(fhir.Context{}, v.rows.Patient, k.Type, k.ID, body)
		if err != nil {
			return &unclearError{err: err}
		}
		if err := w.put(r); err != nil {
			return err
		}
	}
	// Most facts change nothing that lists and metrics show.
	if v.fw.stored != nil && reflect.DeepEqual(*v.fw.stored, v.rows) {
		return nil
	}
	v.fw.stored = &v.rows
	return w.tx.SetJudgement(w.group(v.rows.Patient), v.rows)
}

// rows are what lists and metrics show of a judgement.
func (w *writer) rows(patient string, j *track.Judgement) view.Judgement {
	out := view.Judgement{Patient: patient, Facility: j.Where.Facility, Due: j.Due}
	// Whoever left the unit is on no list of it; the card still answers. But a bacteraemia
	// often becomes known only after the patient has died or gone to hospital for good: it
	// concerns the unit until somebody has reviewed it.
	left := j.Where.Left
	for _, s := range j.Tracks {
		if !left {
			out.Tracks = append(out.Tracks, view.TrackRow{Patient: patient, Track: s.Name, Facility: out.Facility,
				Role:  track.RoleName(s.Role),
				Stage: string(s.Stage), Counted: s.Counted, Target: s.Target + len(s.Extras), Session: s.Next.Session,
				Again: s.Again, OneMore: s.OneMore, Held: len(s.Held) > 0, Needle: string(s.Next.Needle), Why: s.Next.Why,
				Caution: s.Next.Caution})
		}
		out.Maturity = append(out.Maturity, fhir.MaturityID(s.ID))
		if s.FirstBy != nil {
			out.Creators = append(out.Creators, record.StaffID(s.FirstBy))
		}
	}
	for _, g := range j.Shown() {
		h := &g[0]
		if left && h.Rule != rule.Bacteraemia {
			continue
		}
		r := view.HoldRow{ID: h.ID, Patient: patient, Facility: out.Facility, Rule: h.Rule, Since: h.Since, Text: h.Text,
			Place: strings.Join(h.Places(), ", "), Away: left, GivenUp: j.GivenUp(h), NotNeedled: j.NotNeedled(h), Count: len(g)}
		if h.DayKnown {
			r.Day = h.Date
		}
		out.Holds = append(out.Holds, r)
	}
	return out
}
