package acceptance_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/app"
	"cannulary/internal/keyring"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/track"
	"cannulary/internal/track/reference"
	"cannulary/internal/track/reference/histories"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// mrnOf is the system of the invented numbers.
const mrnOf = "https://faces.example/mrn"

// theFaces is one instance with drawn patients, who come to facilities with protocols of their
// own, move, are guests elsewhere, and whose details are missing or come late.
type theFaces struct {
	*instance
	people []person

	mu       sync.Mutex
	now      time.Time
	arrivals map[string]time.Time // by event
}

// person is one drawn patient with the numbers of both identities.
type person struct {
	histories.History
	facts   []record.Fact
	numbers map[string]string // by key
	last    time.Time         // by when everything had happened and arrived
}

func (f *theFaces) clock() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// arrived dates the entries of the log, so that it can be asked what was known.
func (f *theFaces) arrived(e *logv1.Event) time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	if at, ok := f.arrivals[e.GetId()]; ok {
		return at
	}
	if e.GetFacts()[0].GetGenesis() != nil {
		return time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return e.GetOccurredAt().AsTime() // a day's start
}

// draw draws the patients. Their keys are those of invented numbers, so that a hook finds them.
func (f *theFaces) draw(t *testing.T, n int) {
	t.Helper()
	store, err := keyring.OpenFolder(context.Background(), filepath.Join(f.dir, "keys"))
	if err != nil {
		t.Fatal(err)
	}
	ring, err := keyring.Open(context.Background(), store)
	if err != nil {
		t.Fatal(errors.Join(err, store.Close()))
	}
	f.arrivals = map[string]time.Time{}
	var untold []wrong
	if facesTellMutants {
		untold = wrongs()
	}
	// After the first few only those are taken who tell one more wrong reading from the right one.
	for i := 0; i < n || len(untold) > 0 && i < drawnMost; i++ {
		p := drawPerson(t, ring, i)
		before := len(untold)
		untold = slices.DeleteFunc(untold, func(w wrong) bool { return p.tells(w) })
		if i >= n && len(untold) == before {
			continue
		}
		for _, x := range p.facts {
			f.arrivals[x.EventID] = x.Logged
		}
		f.people = append(f.people, p)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(f.people, func(a, b person) int { return a.last.Compare(b.last) })
}

// drawnMost is how many patients are drawn at most.
const drawnMost = 250

// drawPerson draws the i-th patient.
func drawPerson(t *testing.T, ring *keyring.Ring, i int) person {
	t.Helper()
	r := rand.New(rand.NewPCG(26, uint64(i)))
	p := person{numbers: map[string]string{}}
	p.History = histories.Named(fmt.Sprintf("f%d", i), r.Uint64()>>2, 4+r.IntN(22), []float64{0, 0.015, 0.04, 0.12}[i%4])
	keys := map[string]string{}
	for k, old := range []string{p.Patient, p.Other} {
		number := fmt.Sprintf("F%d-%d", i, k)
		keys[old] = ring.PatientKey(mrnOf, number)
		p.numbers[keys[old]] = number
	}
	p.Patient, p.Other = keys[p.Patient], keys[p.Other]
	p.Events = registrationsFirst(p.Events)
	for _, e := range p.Events {
		if e.PatientKey != "" {
			e.PatientKey = keys[e.PatientKey]
		}
		for _, x := range e.GetFacts() {
			if m := x.GetIdentitiesMerged(); m != nil {
				m.RetiredPatientKey = keys[m.RetiredPatientKey]
			}
			if m := x.GetIdentityMergeReversed(); m != nil {
				m.RetiredPatientKey = keys[m.RetiredPatientKey]
			}
		}
	}
	p.ends(i)
	var err error
	if p.facts, err = p.All(); err != nil {
		t.Fatal(err)
	}
	for _, x := range p.facts {
		p.last = later(later(p.last, x.At), x.Logged)
	}
	// Sometimes weeks pass without a fact.
	p.last = p.last.Add(time.Duration(r.IntN(30)) * time.Hour)
	if r.IntN(3) == 0 {
		p.last = p.last.AddDate(0, 0, r.IntN(60))
	}
	return p
}

// ends adds what is hardly ever drawn: one infection that is reported twice on one day, and a
// patient who leaves for good.
func (p *person) ends(i int) {
	var last *logv1.Event
	for _, e := range p.Events {
		if e.PatientKey == p.Patient && (last == nil || e.GetOccurredAt().AsTime().After(last.GetOccurredAt().AsTime())) {
			last = e
		}
	}
	y, m, d := last.GetOccurredAt().AsTime().In(p.Zone(last.Facility)).Date()
	add := func(message string, hour int, fact *logv1.Fact) {
		p.Events = append(p.Events, &logv1.Event{
			Id: record.EventID(last.Source, message), Source: last.Source, SourceMessageId: message, Facility: p.Facility, PatientKey: p.Patient,
			OccurredAt: timestamppb.New(time.Date(y, m, d+1, hour, 0, 0, 0, p.Zone(p.Facility))), Precision: cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{fact},
		})
	}
	if i%5 == 3 {
		for hour := 15; hour < 17; hour++ {
			add(fmt.Sprintf("signs-%d", hour), hour, &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: &cannularyv1.SurveillanceFact{Fact: &cannularyv1.SurveillanceFact_SiteSignsSeen{
				SiteSignsSeen: &cannularyv1.SiteSignsSeen{Track: "A", Pus: cannularyv1.Finding_FINDING_PRESENT}}}}})
		}
	}
	if i%7 == 4 {
		add("left", 18, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_PatientLeft{
			PatientLeft: &cannularyv1.PatientLeft{Reason: cannularyv1.LeavingReason_LEAVING_REASON_TRANSPLANT}}}}})
	}
}

// tells tells whether a wrong reading answers otherwise of the patient.
func (p *person) tells(w wrong) bool {
	for _, o := range append(p.earlier(p.Patient), observed{p: p, q: p.AskOf(p.facts), at: p.last}) {
		right := reference.Fold(o.input(), reference.None)
		if a := w.read(&o); differ(answered(&right), answered(&a)) != "" {
			return true
		}
	}
	return false
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// tell brings the facts of some people into the log, turns the clock to when the last of them
// had arrived, and waits until the day has begun everywhere and the view shows it.
func (f *theFaces) tell(t *testing.T, people []person) {
	t.Helper()
	f.mu.Lock()
	for i := range people {
		f.now = later(f.now, people[i].last)
	}
	f.mu.Unlock()
	var told sync.WaitGroup
	for i := range people {
		told.Go(func() {
			for _, e := range people[i].Events {
				if _, _, err := f.app.Log().Append(patience(t), e); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	told.Wait()
	if err := f.app.Intake().Ready(patience(t)); err != nil {
		t.Fatal(err)
	}
	f.settle()
}

// question is what of a person was known at a moment (zero: all), under which key. ok is false
// where nothing is asked: the key is that of a merged identity, or nothing was known of it.
func (p *person) question(key string, knownAt time.Time) (q histories.Question, ok bool) {
	h := p.History
	h.Patient = key
	q = h.AskOf(record.Known(p.facts, knownAt))
	standing := slices.ContainsFunc(q.Items, func(it record.Item) bool { return !it.Void })
	return q, q.Survivor == key && standing
}

// says is what a face says of one patient: by kind and name, as "stage A" or "hold ID".
type says map[string]string

func (s says) add(kind, name, format string, a ...any) {
	s[strings.TrimSpace(kind+" "+name)] = fmt.Sprintf(format, a...)
}

// only are the sayings of some kinds.
func (s says) only(kinds ...string) says {
	out := says{}
	for k, v := range s {
		if kind, _, _ := strings.Cut(k, " "); slices.Contains(kinds, kind) {
			out[k] = v
		}
	}
	return out
}

// without leaves out what is said of tracks in some stages.
func (s says) without(kind string, stages ...string) says {
	out := says{}
	for k, v := range s {
		if x, name, _ := strings.Cut(k, " "); x == kind && slices.Contains(stages, s["stage "+name]) {
			continue
		}
		out[k] = v
	}
	return out
}

// answered is a judgement of the reference in what faces say.
func answered(a *reference.Answer) says {
	s := says{}
	s.add("facility", "", "%s", a.Facility)
	for _, t := range a.Tracks {
		s.add("stage", t.Name, "%s", t.Stage)
		s.add("count", t.Name, "%d of %d", t.Counted, t.Needed)
		s.add("needle", t.Name, "%s", t.Needle)
		s.add("held", t.Name, "%s", strings.Join(t.Held, " "))
		if t.Needle != string(track.None) {
			s.add("way", t.Name, "%s %g", words(cannularyv1.NeedleDirection(t.Shown.Direction)), t.Shown.Depth)
		}
	}
	for _, h := range a.Holds {
		if h.Lifted.IsZero() {
			s.add("hold", h.ID, "%s", h.Rule)
		}
	}
	for id, x := range shownOnce(a) {
		s.add("needled", id, "%d %s", x.needled, x.needledLast)
		s.add("shown", id, "%s, %d as one", x.rule, x.count)
	}
	return s
}

func words(d cannularyv1.NeedleDirection) string {
	if d == 0 {
		return ""
	}
	return strings.ToLower(strings.TrimPrefix(d.String(), "NEEDLE_DIRECTION_"))
}

// judged is what the fold makes of the same, in the reference's words.
func judged(q histories.Question, h histories.History, at time.Time) (reference.Answer, track.Judgement) {
	j := track.Fold(track.Input{Items: q.Items, Ratings: q.Ratings, Refused: q.Refused, Book: q.Book, Zone: h.Zone, AsOf: at})
	a := reference.Answer{Facility: j.Where.Facility}
	for _, s := range j.Tracks {
		t := reference.Track{Name: s.Name, Stage: string(s.Stage), Counted: s.Counted, Needed: s.Target + len(s.Extras), Needle: string(s.Next.Needle), Held: slices.Sorted(slices.Values(s.Held))}
		t.Shown.Direction = int32(s.Direction)
		if s.Depth != nil {
			t.Shown.Depth = *s.Depth
		}
		a.Tracks = append(a.Tracks, t)
	}
	for _, h := range j.Holds {
		a.Holds = append(a.Holds, reference.Hold{ID: h.ID, Rule: h.Rule, Since: h.Since, Lifted: h.Lifted, Needled: h.Needled, NeedledLast: h.NeedledLast})
	}
	for _, g := range j.Shown() {
		if len(g) == 1 {
			continue
		}
		var ids []string
		for _, h := range g {
			ids = append(ids, h.ID)
		}
		a.ShownAsOne = append(a.ShownAsOne, ids)
	}
	return a, j
}

// differ says where a face differs from what was expected; empty where it agrees.
func differ(want, got says) string {
	var out []string
	for k, w := range want {
		if g, ok := got[k]; !ok {
			out = append(out, fmt.Sprintf("%s: not said, want %q", k, w))
		} else if g != w {
			out = append(out, fmt.Sprintf("%s: %q, want %q", k, g, w))
		}
	}
	for k, g := range got {
		if _, ok := want[k]; !ok {
			out = append(out, fmt.Sprintf("%s: %q, want nothing", k, g))
		}
	}
	slices.Sort(out)
	return strings.Join(out, "\n    ")
}

// observed is what the card said of one question, kept for the wrong readings below.
type observed struct {
	p     *person
	q     histories.Question
	at    time.Time
	asked string // the query's end; empty for the present
	card  says
}

func (o *observed) input() reference.Input {
	return reference.Input{Items: o.q.Items, Ratings: o.q.Ratings, Book: o.q.Book, Zone: o.p.Zone, AsOf: o.at}
}

// Card, board, FHIR, hooks, pack, the recorded side of a what-if and a view that was built anew
// say the same of every patient: stage, count, target, needle and holds, now and, where they can
// be asked for it, at three earlier moments.
func TestEveryFaceSaysTheSame(t *testing.T) {
	t.Parallel()
	people, together := facesSize()
	f := &theFaces{instance: &instance{dir: filepath.Join(t.TempDir(), "faces")}, now: time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)}
	f.draw(t, people)
	f.instance = start(t, f.dir, func(c *app.Config) {
		c.Now, c.Invented = f.clock, &app.Invented{Arrived: f.arrived, Day: f.clock}
	})
	n := counted{}
	var seen []observed
	for some := range slices.Chunk(f.people, together) {
		f.tell(t, some)
		if q := query(t, f.dir, `SELECT event_id, reason FROM quarantine`); len(q) > 0 {
			t.Fatalf("set aside: %v", q)
		}
		now := f.clock()
		said := f.everything(t)
		for i := range some {
			p := &some[i]
			for _, key := range []string{p.Patient, p.Other} {
				if o := f.present(t, p, key, now, said, n); o != nil {
					seen = append(seen, *o)
				}
				seen = append(seen, f.past(t, p, key, n)...)
			}
		}
	}
	t.Logf("%d histories: %v agree", len(f.people), n)
	for _, kind := range []string{"patients", "tracks", "holds", "several holds shown as one", "left", "moved", "past", "what-if tracks", "hooks counts"} {
		if n[kind] == 0 && facesTellMutants {
			t.Errorf("no %s among the drawn patients: the comparison looks at less than it says", kind)
		}
	}
	f.stop()
	t.Run("a view built anew", func(t *testing.T) {
		before := dump(t, f.dir)
		spoil(t, f.dir)
		rebuild(t, f.dir, len(before["event"]))
		same(t, before, dump(t, f.dir))
	})
	if facesTellMutants {
		t.Run("wrong readings are noticed", func(t *testing.T) { noticed(t, seen) })
	}
}

// counted is how much was compared.
type counted map[string]int

// present compares every face with the judgement at the present; nil where the key has no
// patient of its own.
func (f *theFaces) present(t *testing.T, p *person, key string, now time.Time, said everything, n counted) *observed {
	t.Helper()
	q, ok := p.question(key, time.Time{})
	if !ok {
		return nil
	}
	o := &observed{p: p, q: q, at: now}
	right := reference.Fold(o.input(), reference.None)
	want := answered(&right)
	fold, j := judged(q, p.History, now)
	check := func(face string, want, got says) {
		t.Helper()
		if d := differ(want, got); d != "" {
			t.Errorf("%s of %s (%s) on %s:\n    %s", face, p.numbers[key], key, now.Format(time.DateTime), d)
		}
	}
	check("the fold", want, answered(&fold))
	n["patients"]++
	n["tracks"] += len(right.Tracks)
	n["holds"] += len(j.Open())
	n["several holds shown as one"] += len(right.ShownAsOne)
	if right.Facility != p.Events[0].GetFacility() {
		n["moved"]++
	}
	o.card = cardSays(f.cardAt(t, key, ""))
	check("the card", want, o.card)
	check("FHIR", want.only("stage", "count", "needle", "hold"), f.fhirSays(t, key))
	hooks := f.hookSays(t, p.numbers[key])
	for k := range hooks.only("count") {
		n["hooks counts"]++
		check("the hook's count", says{k: want[k]}, says{k: hooks[k]})
	}
	inUse := want.without("needle", "retired").without("stage", "retired")
	usedHolds := says{}
	for _, h := range j.Shown() {
		if !j.GivenUp(&h[0]) {
			usedHolds["hold "+h[0].ID] = h[0].Rule
		}
	}
	wantHooks := inUse.only("stage", "needle")
	for k := range usedHolds {
		wantHooks[k] = ""
	}
	check("the hook", wantHooks, hooks.only("stage", "needle", "hold"))
	recorded := said.whatIf[key]
	for k := range recorded {
		n["what-if tracks"]++
		check("what-if", says{k: want[k]}, says{k: recorded[k]})
	}
	// Who left is on no list, but for a bacteraemia.
	listed := want
	if j.Where.Left {
		n["left"]++
		listed = says{}
		for k, v := range want.only("shown") {
			if strings.HasPrefix(v, rule.Bacteraemia+",") {
				listed[k] = v
			}
		}
	} else {
		check("the pack", want, said.pack[key])
	}
	if j.Where.Left && said.pack[key] != nil {
		t.Errorf("%s left and is in the pack", p.numbers[key])
	}
	rows := said.rows[key]
	wantRows := listed.only("stage", "count", "needle", "shown")
	for k, v := range listed.only("held") {
		wantRows[k] = fmt.Sprint(v != "")
	}
	check("the view's rows", wantRows, rows)
	page := said.board[key]
	wantPage := says{}
	for k, v := range listed.without("count", "trial", "established", "resting").only("stage", "count", "needle") {
		_, name, _ := strings.Cut(k, " ")
		if listed["stage "+name] != "retired" {
			wantPage[k] = v
		}
	}
	for k, v := range listed.only("held") {
		if name := strings.TrimPrefix(k, "held "); listed["stage "+name] != "retired" {
			wantPage[k] = fmt.Sprint(v != "")
		}
	}
	if k := len(listed.only("shown")); k > 0 {
		wantPage.add("holds", "", "%d", k)
	}
	check("the board", wantPage, page)
	return o
}

// past compares the card at earlier moments.
func (f *theFaces) past(t *testing.T, p *person, key string, n counted) []observed {
	t.Helper()
	list := p.earlier(key)
	for i := range list {
		o := &list[i]
		right := reference.Fold(o.input(), reference.None)
		fold, _ := judged(o.q, p.History, o.at)
		o.card = cardSays(f.cardAt(t, key, o.asked))
		want := answered(&right)
		if d := differ(want, answered(&fold)); d != "" {
			t.Errorf("the fold of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		if d := differ(want, o.card); d != "" {
			t.Errorf("the card of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		n["past"]++
	}
	return list
}

// earlier are the questions about three earlier moments: by what is known now, and by what was
// known then.
func (p *person) earlier(key string) []observed {
	var out []observed
	own := slices.DeleteFunc(slices.Clone(p.facts), func(x record.Fact) bool { return x.PatientKey == "" })
	slices.SortFunc(own, func(a, b record.Fact) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	for i := 1; i <= 3; i++ {
		at := own[(len(own)-1)*i/4].At.Add(time.Duration(i-1) * time.Hour)
		for _, known := range []time.Time{{}, later(at, own[0].Logged)} {
			q, ok := p.question(key, known)
			if !ok || known.After(p.last) {
				continue
			}
			o := observed{p: p, q: q, at: at, asked: "&as_of=" + at.UTC().Format(time.RFC3339Nano)}
			if !known.IsZero() {
				o.asked += "&known_at=" + known.UTC().Format(time.RFC3339Nano)
			}
			out = append(out, o)
		}
	}
	return out
}

// A wrong reading is what a face would say if it read one rule wrongly.
type wrong struct {
	says string
	read func(o *observed) reference.Answer
}

// wrongs has one for each fault that the faces once had and that this comparison could see.
func wrongs() []wrong {
	mutant := func(m reference.Mutant) func(*observed) reference.Answer {
		return func(o *observed) reference.Answer { return reference.Fold(o.input(), m) }
	}
	of := func(m reference.Mutant) wrong { return wrong{string(m), mutant(m)} }
	return []wrong{
		{"a moved patient is judged by the protocols of the first facility alone", func(o *observed) reference.Answer {
			in := o.input()
			_, _, facility := histories.Split(record.Known(o.p.facts, time.Time{}))
			first := o.q.Items[0].Facility
			in.Book = protocol.NewBook(record.Effective(slices.DeleteFunc(slices.Clone(facility), func(x record.Fact) bool { return x.Facility != first })))
			return reference.Fold(in, reference.None)
		}},
		of(reference.PlaceDecidesTarget), of(reference.GuestMovesStay), of(reference.AdmissionLooksAhead),
		of(reference.LeavingAnywhereEnds),
		of(reference.LaterEntryDirects),
		of(reference.UnknownAccessIsFree),
		of(reference.UnderHoldCounts),
		{"nobody counts the sessions under a hold", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			for i := range a.Holds {
				a.Holds[i].Needled, a.Holds[i].NeedledLast = 0, ""
			}
			return a
		}},
		{"a track that is not used stays blunt", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			for i := range a.Tracks {
				if t := &a.Tracks[i]; (t.Stage == "trial" || t.Stage == "established") && len(t.Held) == 0 && t.Needle == "none" {
					t.Needle = "blunt"
				}
			}
			return a
		}},
		of(reference.NeedleEndsStop),
		{"one infection is as many holds as reports", func(o *observed) reference.Answer {
			a := reference.Fold(o.input(), reference.None)
			a.ShownAsOne = nil
			return a
		}},
		of(reference.AccessKeepsTracks), of(reference.DoubtCounts), of(reference.DayGroundAtNoon),
	}
}

// noticed asks of each wrong reading that some card contradicts it.
func noticed(t *testing.T, seen []observed) {
	for _, w := range wrongs() {
		i := slices.IndexFunc(seen, func(o observed) bool {
			a := w.read(&o)
			return differ(answered(&a), o.card) != ""
		})
		if i < 0 {
			t.Errorf("%d cards do not tell this from the right reading: %s", len(seen), w.says)
			continue
		}
		t.Logf("card %d tells: %s", i, w.says)
	}
}
