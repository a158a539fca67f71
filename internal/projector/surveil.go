package projector

import (
	"maps"
	"reflect"
	"slices"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// memosMost bounds the patients of whom it is remembered what surveillance saw: about a
// kilobyte each.
const memosMost = 4096

// survey computes again what the event changes of infections, exposure and charts.
func (w *writer) survey() error {
	if len(w.newDays) == 0 {
		for _, key := range w.survivors() {
			if err := w.surveyPatient(key); err != nil {
				return err
			}
		}
	}
	if err := w.recordsBegin(); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(w.facilities)) {
		if w.figures != nil && !w.figures(id) {
			continue
		}
		if err := w.surveyFacility(id, w.facilities[id]); err != nil {
			return err
		}
	}
	return nil
}

// treatments tells, by facility, when treatment began in one session. One that was missed, or of
// which only the end was reported, is no treatment.
func treatments(items []record.Item) map[string]time.Time {
	began := map[string]time.Time{}
	for i := range items {
		it := &items[i]
		if it.Void || !it.BeginsTreatment() {
			continue
		}
		if t, ok := began[it.Facility]; !ok || it.At.Before(t) {
			began[it.Facility] = it.At
		}
	}
	return began
}

// treatmentBegan stores when treatment began in a session.
func (w *writer) treatmentBegan(session string, items []record.Item) error {
	began := treatments(items)
	before, err := w.tx.Treatments(session)
	if err != nil || maps.EqualFunc(before, began, func(a, b time.Time) bool { return a.UnixMilli() == b.UnixMilli() }) {
		return err
	}
	for _, m := range []map[string]time.Time{before, began} {
		for facility := range m {
			if err := w.noteBeginning(facility); err != nil {
				return err
			}
		}
	}
	return w.tx.SetTreatments(session, began)
}

// noteBeginning keeps where a facility's record began before the event. It must be asked before a
// treatment or the time zone changes.
func (w *writer) noteBeginning(facility string) error {
	if _, ok := w.beginnings[facility]; ok {
		return nil
	}
	b, err := w.beginning(w.tx, facility)
	w.beginnings[facility] = b
	return err
}

// recordsBegin notes the months that changed because the record of a facility begins on another
// day now: in some nothing counts any more, in others something does for the first time.
func (w *writer) recordsBegin() error {
	for facility, before := range w.beginnings {
		now, err := w.beginning(w.tx, facility)
		if err != nil {
			return err
		}
		if now == before || !before.known {
			continue // the first treatment of all comes with exposure of its own
		}
		to := now.day
		if !now.known {
			to = w.day(facility)
		}
		for m := min(before.day, to).Month(); m <= max(before.day, to).Month() && m <= w.day(facility).Month(); m++ {
			w.facility(facility).exposure[m] = true
		}
	}
	return nil
}

// surveyPatient computes one patient's exposure and events, unless the event leaves them as they
// are, and notes which months of which facilities that changes.
func (w *writer) surveyPatient(key string) error {
	memo, known := w.memos[key]
	if known && w.plain != nil && !slices.ContainsFunc(w.plain, func(it record.Item) bool { return !memo.Unmoved(&it.Fact) }) {
		return nil
	}
	d, err := w.patient(key)
	if err != nil {
		return err
	}
	now, memo := surveil.Fold(surveil.Input{Items: d.Input.Items, Zone: w.zone})
	if len(w.memos) >= memosMost {
		clear(w.memos)
	}
	w.memos[key] = memo
	group := w.group(key)
	var before surveil.Person
	moved := false // from an identity that was merged since
	for _, k := range group {
		old, err := w.load().Surveillance(k)
		if err != nil {
			return err
		}
		moved = moved || k != key && len(old.Exposures)+len(old.Events)+len(old.Cultures) > 0
		before.Exposures = append(before.Exposures, old.Exposures...)
		before.Events = append(before.Events, old.Events...)
		before.Cultures = append(before.Cultures, old.Cultures...)
	}
	if !moved && reflect.DeepEqual(before, now) {
		return nil
	}
	w.changedMonths(before, now)
	return w.tx.SetSurveillance(group, key, now)
}

// changedMonths notes the months in which two states of a patient differ.
func (w *writer) changedMonths(before, now surveil.Person) {
	for _, e := range onlyInOne(before.Events, now.Events, func(a, b surveil.Event) bool { return reflect.DeepEqual(a, b) }) {
		w.facility(e.Facility).cases[e.Day.Month()] = true
	}
	for _, e := range onlyInOne(before.Exposures, now.Exposures, func(a, b surveil.Exposure) bool { return a == b }) {
		c := w.facility(e.Facility)
		for m := e.From.Month(); m <= min(e.To, w.day(e.Facility)).Month(); m++ {
			c.exposure[m] = true
		}
	}
}

// onlyInOne lists what stands in only one of two lists.
func onlyInOne[T any](a, b []T, same func(a, b T) bool) []T {
	var out []T
	for _, x := range a {
		if !slices.ContainsFunc(b, func(y T) bool { return same(x, y) }) {
			out = append(out, x)
		}
	}
	for _, y := range b {
		if !slices.ContainsFunc(a, func(x T) bool { return same(x, y) }) {
			out = append(out, y)
		}
	}
	return out
}

// surveyFacility runs a facility's charts and restates its months.
func (w *writer) surveyFacility(facility string, c *facilityChange) error {
	if c.registered {
		// Whether the first month is wholly on record depends on the dialysis days.
		b, err := w.beginning(w.tx, facility)
		if err != nil {
			return err
		}
		if b.known {
			c.exposure[b.day.Month()] = true
		}
	}
	for _, months := range []map[surveil.Month]bool{c.exposure, c.cases} {
		for month := range months {
			if err := w.tx.Restate(facility, month); err != nil {
				return err
			}
		}
	}
	if !c.day && !c.facts && !c.registered && len(c.cases) == 0 {
		// Exposure alone changes no figure that cannot wait for the day's end.
		return nil
	}
	watch, err := dossier.Facility(w.load(), facility, w.zone(facility), w.day(facility))
	if err != nil {
		return err
	}
	if err := w.noteSeen(watch); err != nil {
		return err
	}
	if c.facts {
		// What was just seen has its place in the charts.
		if watch, err = dossier.Facility(w.load(), facility, w.zone(facility), w.day(facility)); err != nil {
			return err
		}
	}
	for i := range watch.Charts {
		ch := &watch.Charts[i]
		if ch.Crossed == nil || ch.Standing() != nil {
			continue
		}
		r := surveil.Raised{ChartName: ch.Threshold.ChartName, Seq: w.entry.Seq, Day: ch.Crossed.Day, Sum: ch.Crossed.Sum,
			Seen: watch.Seen(ch.Threshold.ChartName, ch.Crossed.Day)}
		if err := w.tx.Raise(facility, r); err != nil {
			return err
		}
	}
	return w.restate(facility, c, watch)
}

// noteSeen stores what a chart knew when the event acknowledged its signal, or set its threshold.
func (w *writer) noteSeen(watch *surveil.Watch) error {
	for i := range w.own {
		f := &w.own[i]
		if f.Facility != watch.Facility {
			continue
		}
		var name surveil.ChartName
		switch b := f.Body.(type) {
		case *cannularyv1.SurveillanceSignalAcknowledged:
			name = dossier.ChartName(b.GetPattern(), b.GetInfectionClass())
		case *cannularyv1.SurveillanceThresholdSet:
			name = dossier.ChartName(b.GetPattern(), b.GetInfectionClass())
		default:
			continue
		}
		if err := w.tx.SetSeen(original(f), watch.Seen(name, watch.AsOf)); err != nil {
			return err
		}
	}
	return nil
}

// original is the id of the fact as it stands: for a correction the one that it corrects.
func original(f *record.Fact) string {
	if f.Target != "" {
		return f.Target
	}
	return f.ID
}
