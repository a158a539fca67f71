package projector

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/track"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// follower is a patient's judgement as it was stored last, ready for the next fact.
type follower struct {
	*track.Chart
	last  track.Judgement
	shown map[string]bool // the resources of last, "Type/id"
	basis string          // fhir.JudgedView.Basis of last
	// stored is what the view holds beside the resources; nil where that is not known.
	stored *view.Judgement
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

// followersMost bounds the followers in memory, some 200 kB each. Any other patient's is made anew
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
// as resources. No time, batch or cache decides anything: the answer is that of track.Fold.
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
func (w *writer) verdict(key string) (*verdict, error) {
	v := &verdict{key: key}
	fw, fresh := w.followers[key], false
	var asOf time.Time
	ask := func() string {
		asOf = w.judgedAt(fw)
		v.j = fw.Judge(asOf)
		v.facility = v.j.Where.Facility
		return fhir.JudgedView{Patient: key, All: &v.j}.Basis()
	}
	basis := ""
	// A day adds no fact.
	follows := fw != nil && (len(w.newDays) > 0 || w.plain != nil && fw.entered(w.plain) && fw.Add(w.plain, w.since))
	if follows {
		basis = ask()
	}
	// Where tracks or accesses go by other ids now, everything is rendered anew.
	if !follows || basis != fw.basis {
		d, err := w.patient(key)
		if err != nil {
			return nil, err
		}
		fw, fresh = &follower{Chart: track.NewChart(d.Input)}, true
		basis = ask()
	}
	fw.basis = basis
	var err error
	if v.resources, err = w.renderVerdict(v, fw, fresh); err != nil {
		return nil, err
	}
	now := shown(&v.j)
	if fresh {
		if v.gone, err = w.tx.Judged(w.group(key)); err != nil {
			return nil, err
		}
		v.gone = slices.DeleteFunc(v.gone, func(k view.ResourceKey) bool { return now[k.Type+"/"+k.ID] })
	} else {
		for k := range fw.shown {
			if !now[k] {
				typ, id, _ := strings.Cut(k, "/")
				v.gone = append(v.gone, view.ResourceKey{Type: typ, ID: id})
			}
		}
		slices.SortFunc(v.gone, func(a, b view.ResourceKey) int { return strings.Compare(a.Type+a.ID, b.Type+b.ID) })
	}
	fw.Trim()
	fw.last = fw.Judge(asOf)
	fw.shown = shown(&fw.last)
	if len(w.followers) >= followersMost && w.followers[key] == nil {
		for other := range w.followers {
			delete(w.followers, other)
			break
		}
	}
	w.followers[key] = fw
	return v, nil
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

// renderVerdict renders what differs from the judgement before; all of it where that is not known.
func (w *writer) renderVerdict(v *verdict, fw *follower, fresh bool) ([]fhir.Resource, error) {
	j := &v.j
	part := *j
	if !fresh {
		part.Findings = changed(j.Findings, fw.last.Findings, func(f *track.Finding) string { return f.ID })
		part.Holds = changed(j.Holds, fw.last.Holds, func(h *track.Hold) string { return h.ID })
		part.Tracks = changed(j.Tracks, fw.last.Tracks, func(s *track.State) string { return s.ID })
		if len(part.Findings)+len(part.Holds)+len(part.Tracks) == 0 {
			return nil, nil
		}
	}
	v.findings = part.Findings
	facts, err := grounds(w.tx, part.Findings)
	if err != nil {
		return nil, err
	}
	c, err := w.context(v.key, v.facility)
	if err != nil {
		return nil, err
	}
	out, err := fhir.Judged(c, fhir.JudgedView{Patient: v.key, Judgement: &part, All: j, Facts: facts})
	if err != nil {
		return nil, &unclearError{err: err}
	}
	return out, nil
}

// grounds are the facts that findings rest on, as they were first reported: the fold may have let
// them go long ago.
func grounds(tx *view.Tx, list []track.Finding) (map[string]*record.Fact, error) {
	ids := set{}
	for i := range list {
		for _, f := range list[i].Facts {
			ids.add(record.EventOf(f))
		}
	}
	events, err := tx.Load().ByID(ids.sorted())
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
// marked as entered in error, or cancelled, and never deleted.
func (w *writer) store(v *verdict, held set) error {
	if err := w.put(v.resources...); err != nil {
		return err
	}
	for i := range v.findings {
		f := &v.findings[i]
		if err := w.tx.SetFinding(view.FindingRow{ID: f.ID, Patient: v.key, Rule: f.Rule, Since: f.Since}); err != nil {
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
		r, err := fhir.TakenBack(fhir.Context{}, v.key, k.Type, k.ID, body)
		if err != nil {
			return &unclearError{err: err}
		}
		if err := w.put(r); err != nil {
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
	if fw := w.followers[v.key]; fw != nil {
		// Most facts change nothing that lists and metrics show.
		if fw.stored != nil && reflect.DeepEqual(*fw.stored, stored) {
			return nil
		}
		fw.stored = &stored
	}
	return w.tx.SetJudgement(w.group(v.key), stored)
}
