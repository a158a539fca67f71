package surveillance_test

import (
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/oracle/surveillance"
	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	v1 "cannulary/proto/cannulary/v1"
)

// moment is a ward after a message, or at the beginning of a day where there is none. Its
// people are folded by both readers.
type moment struct {
	seq    uint64
	own    []record.Fact
	ward   surveillance.Ward
	people []surveil.Patient
	since  surveil.Day
	looked bool // all figures are looked at
}

// moments reports a ward's history step by step.
func moments(t *testing.T, h histories.Ward) []moment {
	t.Helper()
	var out []moment
	var unitFacts []record.Fact
	facts := map[string][]record.Fact{}
	folded := map[string]moment{} // by the patient's facts
	seq := uint64(0)
	step := func(own []record.Fact, asOf string) {
		m := moment{seq: seq, own: own, since: surveil.First, ward: surveillance.Ward{Facility: h.Facility, Items: record.Effective(unitFacts), Zone: h.Zone, AsOf: asOf}}
		for _, group := range groups(facts, h.Keys) {
			name := fmt.Sprint(group.keys, len(group.facts))
			p, ok := folded[name]
			if !ok {
				in := surveillance.Input{Items: record.Effective(group.facts), Zone: h.Zone}
				p.ward.Patients = []surveillance.Patient{{Key: group.survivor, Answer: surveillance.Fold(in), Treated: surveillance.Treated(in, h.Facility)}}
				person, _ := surveil.Fold(surveil.Input{Items: in.Items, Zone: h.Zone})
				p.people, p.since = []surveil.Patient{{Key: group.survivor, Person: person}}, cared(in.Items, h)
				folded[name] = p
			}
			m.ward.Patients = append(m.ward.Patients, p.ward.Patients...)
			m.people = append(m.people, p.people...)
			if p.since != surveil.First && (m.since == surveil.First || p.since < m.since) {
				m.since = p.since
			}
		}
		out = append(out, m)
	}
	for i, day := range h.Days {
		asOf := h.First.AddDate(0, 0, i).Format(time.DateOnly)
		// A day after one on which nothing arrived changes no signal.
		if seq++; i == 0 || len(h.Days[i-1]) > 0 || i == len(h.Days)-1 {
			step(nil, asOf)
		}
		for _, e := range day {
			seq++
			own, err := record.Facts(e, seq, time.Unix(int64(seq), 0))
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range own {
				if f.PatientKey == "" {
					unitFacts = append(unitFacts, f)
				} else {
					facts[f.PatientKey] = append(facts[f.PatientKey], f)
				}
			}
			step(own, asOf)
		}
	}
	out[len(out)/2].looked, out[len(out)-1].looked = len(out)%3 == 0, true
	return out
}

// cared is the day of the earliest treatment, as the dossier finds it.
func cared(items []record.Item, h histories.Ward) surveil.Day {
	first := surveil.First
	for _, it := range items {
		if it.Facility == h.Facility && !it.Void && (it.Kind == "session_started" || it.Kind == record.KindNeedleInserted) {
			if d := surveil.DayOf(it.At, h.Zone(h.Facility)); first == surveil.First || d < first {
				first = d
			}
		}
	}
	return first
}

type group struct {
	survivor string
	keys     []string
	facts    []record.Fact
}

// groups puts together what was merged.
func groups(facts map[string][]record.Fact, keys []string) []group {
	var merges []record.Item
	for _, key := range keys {
		for _, it := range record.Effective(facts[key]) {
			if it.Kind == record.KindPatientsMerged || it.Kind == record.KindMergeReversed {
				merges = append(merges, it)
			}
		}
	}
	ids := record.Resolve(merges)
	var out []group
	for _, key := range keys {
		if ids.Survivor(key) != key || len(facts[key]) == 0 && len(ids.Group(key)) < 2 {
			continue
		}
		g := group{survivor: key, keys: ids.Group(key)}
		for _, k := range g.keys {
			g.facts = append(g.facts, facts[k]...)
		}
		out = append(out, g)
	}
	return out
}

// entry is one figure with its name.
type entry struct {
	name  string
	value any
}

// product is what the product says at each moment that is looked at.
func product(t *testing.T, ms []moment) [][]entry {
	t.Helper()
	var out [][]entry
	var raised []surveil.Raised
	seen := map[string][]string{}
	for _, m := range ms {
		w := watch(t, m, raised, seen)
		for i := range m.own {
			var n surveil.ChartName
			switch b := m.own[i].Body.(type) {
			case *v1.SurveillanceSignalAcknowledged:
				n = name(b.GetPattern(), b.GetInfectionClass())
			case *v1.SurveillanceThresholdSet:
				n = name(b.GetPattern(), b.GetInfectionClass())
			default:
				continue
			}
			fact := m.own[i].ID
			if m.own[i].Target != "" {
				fact = m.own[i].Target
			}
			if _, ok := seen[fact]; ok {
				continue // as the view does: what was known is that of the first arrival
			}
			seen[fact] = w.Seen(n, w.AsOf)
			w = watch(t, m, raised, seen)
		}
		more := false
		for _, c := range w.Charts {
			if c.Crossed != nil && c.Standing() == nil {
				raised, more = append(raised, surveil.Raised{ChartName: c.Threshold.ChartName, Seq: m.seq, Day: c.Crossed.Day, Sum: c.Crossed.Sum, Seen: w.Seen(c.Threshold.ChartName, c.Crossed.Day)}), true
			}
		}
		if more {
			w = watch(t, m, raised, seen)
		}
		out = append(out, productSays(t, w, m, raised, seen))
	}
	return out
}

func name(p v1.NeedlingPattern, c v1.InfectionClass) surveil.ChartName {
	return surveil.ChartName{Technique: surveil.Watched(p), Class: surveil.ClassOf(c)}
}

// watch gathers a facility as the projector does.
func watch(t *testing.T, m moment, raised []surveil.Raised, seen map[string][]string) *surveil.Watch {
	t.Helper()
	zone := m.ward.Zone(m.ward.Facility)
	w := &surveil.Watch{Zone: zone, Unit: surveil.Unit{Facility: m.ward.Facility, People: m.people, Censuses: map[surveil.Month]surveil.Census{}, Since: m.since, AsOf: day(m.ward.AsOf)}}
	thresholds := map[surveil.ChartName]surveil.Threshold{}
	var acks []surveil.Acknowledgement
	for _, it := range m.ward.Items {
		if it.Void {
			continue
		}
		switch b := it.Body.(type) {
		case *v1.FacilityRegistered:
			w.Calendar, w.References = surveil.CalendarOf(b), surveil.References(b.GetReferenceRates())
		case *v1.CensusCounted:
			c, err := surveil.CensusOf(it.ID, b)
			if err != nil {
				t.Fatal(err)
			}
			w.Censuses[c.Month] = c
		case *v1.SurveillanceThresholdSet:
			n := name(b.GetPattern(), b.GetInfectionClass())
			if old, ok := thresholds[n]; ok {
				w.Replaced = append(w.Replaced, old)
			}
			thresholds[n] = surveil.Threshold{ChartName: n, Fact: it.ID, Seq: it.Seq, Reference: b.GetReferencePer_100PatientMonths(), R: b.GetRateRatio(), H: b.GetThreshold(),
				From: surveil.DayOf(it.At, zone), Seen: seen[it.ID]}
		case *v1.SurveillanceSignalAcknowledged:
			n := name(b.GetPattern(), b.GetInfectionClass())
			acks = append(acks, surveil.Acknowledgement{ChartName: n, Fact: it.ID, Seq: it.Seq, On: surveil.DayOf(it.At, zone), Seen: seen[it.ID]})
		}
	}
	if err := w.Run(thresholds, slices.Clone(raised), acks); err != nil {
		t.Fatal(err)
	}
	return w
}

func day(s string) surveil.Day {
	d, err := surveil.ParseDay(s)
	if err != nil {
		panic(err)
	}
	return d
}

// productSays is everything that a watch exports, in the words of the reference.
func productSays(t *testing.T, w *surveil.Watch, m moment, raised []surveil.Raised, seen map[string][]string) []entry {
	t.Helper()
	var out []entry
	say := func(value any, name ...any) { out = append(out, entry{fmt.Sprint(name...), value}) }
	signals := []surveillance.Signal{}
	for _, r := range raised {
		s := signal(r)
		s.Answered = "" // that is asked of the charts
		signals = append(signals, s)
	}
	say(signals, "signals raised")
	if !m.looked && !asked(m) {
		return out
	}
	knew := map[string][]string{}
	for fact, list := range seen {
		knew[fact] = slices.Sorted(slices.Values(list))
	}
	say(knew, "what was seen")
	var charts []surveillance.Course
	for i := range w.Charts {
		charts = append(charts, course(&w.Charts[i]))
	}
	say(charts, "charts")
	var unmatched []string
	for _, a := range w.Unmatched {
		unmatched = append(unmatched, a.Fact)
	}
	say(unmatched, "answered nothing")
	if !m.looked {
		return out
	}
	now := w.AsOf.Month()
	for month := now - 3; month <= now; month++ {
		say(w.CensusNotice(month) != "", "notice ", month)
		var days []string
		for _, d := range w.Calendar.CensusDays(month) {
			days = append(days, d.String())
		}
		say(append([]string{}, days...), "working days ", month)
		var disagree []surveillance.Disagreement
		for _, d := range w.Disagreements(month) {
			disagree = append(disagree, surveillance.Disagreement{Month: d.Month.String(), Group: string(d.Group), Census: d.Census, Record: d.Record})
		}
		slices.SortFunc(disagree, func(a, b surveillance.Disagreement) int { return strings.Compare(a.Group, b.Group) })
		say(disagree, "disagreements ", month)
		var on []string
		if c, ok := w.Censuses[month]; ok {
			for _, technique := range w.OnRecord(c) {
				on = append(on, string(technique))
			}
		}
		slices.Sort(on)
		say(on, "on record ", month)
	}
	newest := ""
	if d, ok := w.LastCulture(); ok {
		newest = d.String()
	}
	say(newest, "last culture")
	for _, p := range periods(w.AsOf) {
		positive, negative := w.Cultures(p)
		say([]int{positive, negative}, "cultures ", p)
		say(cases(w.Doubtful(p)), "doubtful ", p)
		for _, class := range surveil.Classes() {
			for _, g := range surveil.Groups() {
				l, err := w.Line(class, g, p)
				if err != nil {
					t.Fatal(err)
				}
				if c := w.Counts(class, g, p); c.Events != l.Events || c.AccessDays != l.AccessDays || c.PatientMonths != l.PatientMonths || c.NoCensus != l.NoCensus {
					t.Errorf("counts %+v, line %+v", c, l)
				}
				say(line(l), "line ", class, g, p)
			}
			c, err := w.Compare(class, p)
			if err != nil {
				t.Fatal(err)
			}
			said := surveillance.Comparison{Why: c.Why != ""}
			if r := c.Ratio; r != nil {
				said.Ratio = against(r.Value, r.Exact, r.MidP, r.Test)
			}
			say(said, "comparison ", class, p)
		}
	}
	for _, class := range surveil.Classes() {
		for _, g := range surveil.Groups() {
			last := ""
			if d, ok := w.Last(class, g); ok {
				last = d.String()
			}
			say(last, "last ", class, g)
			say(append([]float64{}, w.Gaps(class, g)...), "gaps ", class, g)
			say(cases(w.Cases(class, g, surveil.First, w.AsOf)), "cases ", class, g)
		}
	}
	for _, technique := range surveil.Techniques() {
		for _, months := range []int{1, 3, 12} {
			say(w.Size(technique, months), "size ", technique, months)
		}
	}
	return out
}

// asked tells of the moments at which the charts are looked at: after whatever is said of them.
func asked(m moment) bool {
	for i := range m.own {
		switch m.own[i].Body.(type) {
		case *v1.SurveillanceThresholdSet, *v1.SurveillanceSignalAcknowledged, *v1.FactVoided, *v1.CultureResulted:
			return true
		}
	}
	return false
}

func periods(asOf surveil.Day) []surveil.Period {
	now := asOf.Month()
	if asOf%2 == 0 {
		return []surveil.Period{surveil.One(now - 1), surveil.One(now), surveil.Year(now - 1)}
	}
	return []surveil.Period{surveil.One(now - 2), surveil.One(now - 1), surveil.Year(now)}
}

// referenceSays is the same by the reference.
func referenceSays(ms []moment, mutant surveillance.Mutant, found func(i int, e entry) bool, count func(m moment, s surveillance.Sheet, b surveillance.Book)) {
	var book surveillance.Book
	for i, m := range ms {
		m.ward.Mutant = mutant
		s := book.Arrives(m.ward, m.seq, m.own)
		say := func(value any, name ...any) bool { return found(i, entry{fmt.Sprint(name...), value}) }
		if !say(append([]surveillance.Signal{}, book.Signals...), "signals raised") {
			return
		}
		if !m.looked && !asked(m) {
			continue
		}
		if count != nil {
			count(m, s, book)
		}
		knew := map[string][]string{}
		for fact, list := range book.Seen {
			knew[fact] = slices.Sorted(slices.Values(list))
		}
		if !say(knew, "what was seen") || !say(s.Courses(book), "charts") || !say(s.Unmatched(book), "answered nothing") {
			return
		}
		if m.looked && !figures(s, day(m.ward.AsOf), say) {
			return
		}
	}
}

func figures(s surveillance.Sheet, asOf surveil.Day, say func(value any, name ...any) bool) bool {
	now := asOf.Month()
	for month := now - 3; month <= now; month++ {
		name := month.String()
		if !say(s.Notice(name), "notice ", month) || !say(s.WorkingDays(name), "working days ", month) || !say(s.Disagreements(name), "disagreements ", month) ||
			!say(s.OnRecord(name), "on record ", month) {
			return false
		}
	}
	if !say(s.LastCulture(), "last culture") {
		return false
	}
	for _, p := range periods(asOf) {
		q := surveillance.Period{From: p.From.String(), To: p.To.String()}
		positive, negative := s.Cultures(q)
		if !say([]int{positive, negative}, "cultures ", p) || !say(append([]surveillance.Case{}, s.Doubtful(q)...), "doubtful ", p) {
			return false
		}
		for _, class := range surveil.Classes() {
			for _, g := range surveil.Groups() {
				if !say(s.Line(string(class), string(g), q), "line ", class, g, p) {
					return false
				}
			}
			if !say(s.Compare(string(class), q), "comparison ", class, p) {
				return false
			}
		}
	}
	for _, class := range surveil.Classes() {
		for _, g := range surveil.Groups() {
			if !say(s.Last(string(class), string(g)), "last ", class, g) || !say(append([]float64{}, s.Gaps(string(class), string(g))...), "gaps ", class, g) ||
				!say(append([]surveillance.Case{}, s.Cases(string(class), string(g))...), "cases ", class, g) {
				return false
			}
		}
	}
	for _, technique := range surveil.Techniques() {
		for _, months := range []int{1, 3, 12} {
			if !say(s.Size(string(technique), months), "size ", technique, months) {
				return false
			}
		}
	}
	return true
}

// The product's answers in the words of the reference.

func signal(r surveil.Raised) surveillance.Signal {
	return surveillance.Signal{Chart: surveillance.Chart{Technique: string(r.Technique), Class: string(r.Class)}, Seq: r.Seq, Date: r.Day.String(), Sum: r.Sum, Answered: r.Acknowledged, Seen: slices.Sorted(slices.Values(r.Seen))}
}

func course(c *surveil.WatchedChart) surveillance.Course {
	out := surveillance.Course{Chart: surveillance.Chart{Technique: string(c.Threshold.Technique), Class: string(c.Threshold.Class)}, Threshold: c.Threshold.Fact}
	if c.Threshold.Stands() {
		out.Begins, out.Began = c.Threshold.From.String(), c.Threshold.From.String()
		if c.Threshold.Began != 0 {
			out.Began = c.Threshold.Began.String()
		}
	}
	for _, p := range c.Points {
		out.Points = append(out.Points, point(p))
	}
	if c.Crossed != nil {
		p := point(*c.Crossed)
		out.Crossed = &p
	}
	for _, r := range c.Signals {
		out.Signals = append(out.Signals, signal(r))
		reached := surveillance.Reached{}
		d, ok, known := c.Reached(r)
		if reached.Known = known; ok {
			reached.Date = d.String()
		}
		out.Reached = append(out.Reached, reached)
	}
	if c.Restarts != 0 {
		out.Restarts = c.Restarts.String()
	}
	out.Waits = slices.Sorted(slices.Values(c.Waits))
	for _, f := range c.Former {
		was := surveillance.Former{Threshold: f.Fact, Begins: f.From.String(), Until: f.Until.String(), Sum: f.Sum}
		for _, r := range f.Signals {
			was.Signals = append(was.Signals, signal(r))
		}
		out.Former = append(out.Former, was)
	}
	for _, a := range c.Acknowledgements {
		out.Answers = append(out.Answers, a.Fact)
	}
	slices.Sort(out.Answers)
	return out
}

func point(p surveil.Point) surveillance.Point {
	return surveillance.Point{Date: p.Day.String(), Events: p.Events, Expected: p.Expected, Sum: p.Sum, Restart: p.Restart}
}

func line(l surveil.Line) surveillance.Line {
	out := surveillance.Line{
		Period: surveillance.Period{From: l.Period.From.String(), To: l.Period.To.String()}, Group: string(l.Group), Class: string(l.Class), Events: l.Events,
		AccessDays: l.AccessDays, PatientMonths: l.PatientMonths, PerHundred: rate(l.PerHundred), PerThousand: rate(l.PerThousand), NoCensus: l.NoCensus != "", NoSIR: l.NoSIR != "",
	}
	if months, ok := strings.CutPrefix(l.NoCensus, "no census for "); ok && l.Group != surveil.Group(surveil.Unknown) { // there are two reasons for that one
		out.Missing = strings.Split(months, ", ")
	}
	if l.SIR != nil {
		out.SIR, out.Predicted = against(l.SIR.Value, l.SIR.Exact, l.SIR.MidP, l.SIR.Test), l.SIR.Predicted
	}
	return out
}

func rate(r *incidence.Rate) *surveillance.Rate {
	if r == nil {
		return nil
	}
	return &surveillance.Rate{Value: r.Value, Exact: surveillance.Limits(r.Exact), MidP: surveillance.Limits(r.MidP)}
}

func against(value float64, exact, mid incidence.Limits, t incidence.Test) *surveillance.Against {
	return &surveillance.Against{Rate: surveillance.Rate{Value: value, Exact: surveillance.Limits(exact), MidP: surveillance.Limits(mid)}, AtLeast: t.AtLeast, AtMost: t.AtMost, P: t.Exact, PMid: t.MidP}
}

func cases(list []surveil.Case) []surveillance.Case {
	out := []surveillance.Case{}
	for _, c := range list {
		out = append(out, surveillance.Case{Patient: c.Patient, Event: answer(surveil.Person{Events: []surveil.Event{c.Event}}, surveillance.Answer{}).Events[0]})
	}
	return out
}

// differs reports where two values differ; numbers may do so by a millionth. A list that is
// missing is one that is empty.
func differs(a, b reflect.Value, at string) string {
	if a.Type() != b.Type() {
		return fmt.Sprintf("%s: %v against %v", at, a.Type(), b.Type())
	}
	switch a.Kind() {
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		if x != y && !(math.IsNaN(x) && math.IsNaN(y)) && !(math.Abs(x-y) <= 1e-6*max(math.Abs(x), math.Abs(y), 1e-3)) {
			return fmt.Sprintf("%s: got %v, want %v", at, x, y)
		}
	case reflect.Struct:
		for i := range a.NumField() {
			if d := differs(a.Field(i), b.Field(i), at+"."+a.Type().Field(i).Name); d != "" {
				return d
			}
		}
	case reflect.Slice:
		for i := range max(a.Len(), b.Len()) {
			switch name := fmt.Sprintf("%s[%d]", at, i); {
			case i >= a.Len():
				return fmt.Sprintf("%s: got nothing, want %+v", name, b.Index(i))
			case i >= b.Len():
				return fmt.Sprintf("%s: got %+v, want nothing", name, a.Index(i))
			default:
				if d := differs(a.Index(i), b.Index(i), name); d != "" {
					return d
				}
			}
		}
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			if a.IsNil() != b.IsNil() {
				return fmt.Sprintf("%s: got %+v, want %+v", at, deref(a), deref(b))
			}
			return ""
		}
		return differs(a.Elem(), b.Elem(), at)
	default:
		if !reflect.DeepEqual(a.Interface(), b.Interface()) {
			return fmt.Sprintf("%s: got %+v, want %+v", at, a, b)
		}
	}
	return ""
}

func deref(v reflect.Value) any {
	if v.IsNil() {
		return "none"
	}
	return v.Elem().Interface()
}

// compare reads a ward's history with a mutant of the reference and tells the first
// difference from what the product says; empty for none.
func compare(ms []moment, says [][]entry, mutant surveillance.Mutant, count func(m moment, s surveillance.Sheet, b surveillance.Book)) string {
	different := ""
	next := make([]int, len(says))
	referenceSays(ms, mutant, func(i int, want entry) bool {
		if next[i] >= len(says[i]) || says[i][next[i]].name != want.name {
			different = fmt.Sprintf("on %s the product does not say %q", ms[i].ward.AsOf, want.name)
			return false
		}
		got := says[i][next[i]]
		next[i]++
		if d := differs(reflect.ValueOf(got.value), reflect.ValueOf(want.value), want.name); d != "" {
			different = fmt.Sprintf("on %s (event %d): %s", ms[i].ward.AsOf, ms[i].seq, d)
			return false
		}
		return true
	}, count)
	return different
}

func TestTheTwoReadersAgreeOnAWard(t *testing.T) {
	const parts = 4
	var lock sync.Mutex
	drawn := wards()
	kinds, occurred := map[string]int{}, map[string]int{}
	showing := map[uint64]map[string]bool{} // by ward
	t.Run("histories", func(t *testing.T) {
		for part := range parts {
			t.Run(fmt.Sprint(part), func(t *testing.T) {
				t.Parallel()
				for i := part; i < len(drawn); i += parts {
					seed := drawn[i]
					ms := moments(t, histories.MakeWard(seed))
					happened := situations{seen: map[string]bool{}, facts: map[string]record.Fact{}}
					for _, m := range ms {
						happened.told(m)
					}
					d := compare(ms, product(t, ms), surveillance.None, happened.look)
					lock.Lock()
					for what := range happened.seen {
						occurred[what]++
					}
					showing[seed] = happened.seen
					if d != "" {
						_, what, _ := strings.Cut(d, "): ")
						what, _, _ = strings.Cut(what, " ")
						if kinds[what]++; kinds[what] <= 2 {
							t.Errorf("ward %d: %s", seed, d)
						}
					}
					lock.Unlock()
				}
			})
		}
	})
	if len(kinds) > 0 {
		t.Errorf("wards that differ: %v", kinds)
	}
	t.Logf("these wards show every situation: %v", few(showing))
	for _, what := range wanted {
		if t.Logf("%5d of %d: %s", occurred[what], len(drawn), what); occurred[what] == 0 {
			t.Errorf("never: %s", what)
		}
	}
	for what := range occurred {
		if !slices.Contains(wanted, what) {
			t.Errorf("not looked for: %s", what)
		}
	}
}

// few takes the ward that shows most of what is not shown yet, until nothing is missing.
func few(showing map[uint64]map[string]bool) (out []uint64) {
	shown := map[string]bool{}
	for {
		best, most := uint64(0), 0
		for _, seed := range slices.Sorted(maps.Keys(showing)) {
			n := 0
			for what := range showing[seed] {
				if !shown[what] {
					n++
				}
			}
			if n > most {
				best, most = seed, n
			}
		}
		if most == 0 {
			slices.Sort(out)
			return out
		}
		out = append(out, best)
		maps.Copy(shown, showing[best])
	}
}

// TestEveryMutantIsFound shows that the comparison can fail.
func TestEveryMutantIsFound(t *testing.T) {
	type asked struct {
		ms   []moment
		says [][]entry
	}
	drawn := wards()
	drawn = drawn[:min(len(drawn), 400)]
	var log []asked
	for _, mutant := range surveillance.Mutants() {
		told := false
		for i := 0; i < len(drawn) && !told; i++ {
			if i == len(log) {
				ms := moments(t, histories.MakeWard(drawn[i]))
				log = append(log, asked{ms, product(t, ms)})
			}
			d := compare(log[i].ms, log[i].says, mutant, nil)
			if told = d != ""; told {
				t.Logf("ward %3d tells that %s: %.160s", drawn[i], mutant, d)
			}
		}
		if !told {
			t.Errorf("%d wards do not tell that %s", len(drawn), mutant)
		}
	}
}
