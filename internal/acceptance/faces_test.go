package acceptance_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/oracle/needling"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
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

func latest(a, b time.Time) time.Time {
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
		f.now = latest(f.now, people[i].last)
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
func answered(a *needling.Answer) says {
	s := says{}
	s.add("facility", "", "%s", a.Facility)
	for _, t := range a.Tracks {
		s.add("stage", t.Name, "%s", t.Stage)
		s.add("count", t.Name, "%d of %d", t.Counted, t.Needed)
		s.gap(t.Name, t.Again, t.OneMore)
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

// gap says what a gap asks for that no session has ended yet.
func (s says) gap(name string, again int, oneMore bool) {
	switch {
	case again > 0:
		s.add("gap", name, "again, 1 of %d", again)
	case oneMore:
		s.add("gap", name, "one more")
	}
}

func words(d cannularyv1.NeedleDirection) string {
	if d == 0 {
		return ""
	}
	return strings.ToLower(strings.TrimPrefix(d.String(), "NEEDLE_DIRECTION_"))
}

// judged is what the fold makes of the same, in the reference's words.
func judged(q histories.Question, h histories.History, at time.Time) (needling.Answer, track.Judgement) {
	j := track.Fold(track.Input{Items: q.Items, Ratings: q.Ratings, Refused: q.Refused, Book: q.Book, Zone: h.Zone, AsOf: at})
	a := needling.Answer{Facility: j.Where.Facility}
	for _, s := range j.Tracks {
		t := needling.Track{Name: s.Name, Stage: string(s.Stage), Counted: s.Counted, Needed: s.Target + len(s.Extras), Needle: string(s.Next.Needle),
			Again: s.Again, OneMore: s.OneMore}
		t.Held = slices.Sorted(slices.Values(s.Held))
		t.Shown.Direction = int32(s.Direction)
		if s.Depth != nil {
			t.Shown.Depth = *s.Depth
		}
		a.Tracks = append(a.Tracks, t)
	}
	for _, h := range j.Holds {
		a.Holds = append(a.Holds, needling.Hold{ID: h.ID, Rule: h.Rule, Since: h.Since, Lifted: h.Lifted, Needled: h.Needled, NeedledLast: h.NeedledLast})
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

func (o *observed) input() needling.Input {
	return needling.Input{Items: o.q.Items, Ratings: o.q.Ratings, Book: o.q.Book, Zone: o.p.Zone, AsOf: o.at}
}

// Card, its page, the life of each track, Today, FHIR, hooks, pack, the recorded side of a what-if and a view that was built anew
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
		if n[kind] == 0 {
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
	t.Run("wrong readings are noticed", func(t *testing.T) { noticed(t, seen) })
}

// course is the count of a track beside the sessions of its course, which has one more where a gap adds it.
func (s says) course(name string) string {
	counted, needed := 0, 0
	_, err := fmt.Sscanf(s["count "+name], "%d of %d", &counted, &needed)
	if err != nil || s["gap "+name] != "one more" {
		return s["count "+name]
	}
	return fmt.Sprintf("%d of %d", counted, needed+1)
}

// within reports whether the next sharp session of a track goes on with those that count, up to the target.
func (s says) within(name string) bool {
	counted, needed := 0, 0
	_, err := fmt.Sscanf(s.course(name), "%d of %d", &counted, &needed)
	return err == nil && counted < needed && !strings.HasPrefix(s["gap "+name], "again")
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
	right := needling.Fold(o.input(), needling.None)
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
	check("the life", want.only("stage", "count", "gap", "needle", "held"), f.lifeSays(t, key, "", tracksOf(want)))
	check("the card's page", onPage(want), f.pageSays(t, key, ""))
	check("FHIR", want.only("stage", "count", "needle", "hold"), f.fhirSays(t, key))
	hooks := f.hookSays(t, p.numbers[key])
	for k := range hooks.only("count") {
		n["hooks counts"]++
		check("the hook's count", says{k: want[k]}, says{k: hooks[k]})
	}
	inUse := want.without("needle", "retired").without("stage", "retired")
	wantHooks := inUse.only("stage", "needle")
	for _, h := range j.Shown() {
		wantHooks["hold "+h[0].ID] = ""
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
	wantRows = wantRows.with(listed.only("gap"))
	for k, v := range listed.only("held") {
		wantRows[k] = fmt.Sprint(v != "")
	}
	check("the view's rows", wantRows, rows)
	page := said.today[key]
	wantPage := says{}
	for k, v := range listed.only("stage", "count", "needle") {
		kind, name, _ := strings.Cut(k, " ")
		stage := listed["stage "+name]
		// The count stands where it says how far the sharp sessions have come, and the next one is one of them.
		counts := listed["needle "+name] == "sharp" && (stage == "forming" || stage == "ready") && listed.within(name)
		if stage != "retired" && (kind != "count" || counts) {
			wantPage[k] = v
			if kind == "count" {
				wantPage[k] = listed.course(name)
			}
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
	check("Today", wantPage, page)
	if _, on := said.today[key]; on == (len(listed) == 0) {
		t.Errorf("%s is on Today: %v", p.numbers[key], on)
	}
	n["today"]++
	return o
}

// past compares the card at earlier moments.
func (f *theFaces) past(t *testing.T, p *person, key string, n counted) []observed {
	t.Helper()
	list := p.earlier(key)
	for i := range list {
		o := &list[i]
		right := needling.Fold(o.input(), needling.None)
		fold, _ := judged(o.q, p.History, o.at)
		o.card = cardSays(f.cardAt(t, key, o.asked))
		want := answered(&right)
		if d := differ(want, answered(&fold)); d != "" {
			t.Errorf("the fold of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		if d := differ(want, o.card); d != "" {
			t.Errorf("the card of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		if d := differ(onPage(want), f.pageSays(t, key, o.asked)); d != "" {
			t.Errorf("the page of the card of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		life := want.only("stage", "count", "gap", "needle", "held")
		if d := differ(life, f.lifeSays(t, key, o.asked, tracksOf(want))); d != "" {
			t.Errorf("the life of %s%s:\n    %s", p.numbers[key], o.asked, d)
		}
		n["past"]++
	}
	return list
}
