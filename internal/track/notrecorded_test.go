package track_test

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The property that "not recorded is not yes" stands for (ours): whoever leaves out a detail
// of a session must not thereby bring a track further, make a session count, or turn the
// next needle from sharp to blunt. Histories are made up; in each, every recorded value of a
// session is taken away once, and both courses are compared at the end of each session.
//
// What is not taken away: the track, the attempt's ordinal and the outcome, which the schema
// requires, and access and role, which say where and not what. Adverse findings of an
// examination stay too: by rule "not examined" opens no hold, so that leaving out an absent
// thrill does make a track ready; the card says "not examined" instead.
func TestNotRecordedIsNeverBetter(t *testing.T) {
	var mu sync.Mutex
	stages, compared := map[track.Stage]int{}, 0
	inParallel(size().notRecorded, func(i int) {
		var seed [32]byte
		binary.BigEndian.PutUint64(seed[:], uint64(i))
		items := invent(t, rand.New(rand.NewChaCha8(seed)), []int{15, 100, 40}[i%3])
		met := map[track.Stage]int{}
		n, worse := lessIsNotMore(items, met)
		mu.Lock()
		defer mu.Unlock()
		compared += n
		for st, k := range met {
			stages[st] += k
		}
		if worse != "" && !t.Failed() {
			least := minimal(items)
			_, worse = lessIsNotMore(least, map[track.Stage]int{})
			t.Errorf("history %d: %s\nin the history\n%s", i, worse, written(least))
		}
	})
	for _, st := range []track.Stage{track.Forming, track.Ready, track.Trial, track.Established} {
		if stages[st] == 0 {
			t.Errorf("no history reached the stage %s: the property was not put to the test there", st)
		}
	}
	t.Logf("%d replacements compared; stages met at session ends: %v", compared, stages)
}

// rank is the order of the stages.
var rank = map[track.Stage]int{track.Planned: 0, track.Forming: 1, track.Ready: 2, track.Trial: 3, track.Established: 4}

// judged is a history's judgement at a moment.
func judged(items []record.Item, book *protocol.Book, asOf time.Time) map[string]track.State {
	j := track.Fold(track.Input{Items: items, Ratings: items, Book: book,
		Zone: func(string) *time.Location { return time.UTC }, AsOf: asOf})
	out := map[string]track.State{}
	for _, s := range j.Tracks {
		out[s.Name] = s
	}
	return out
}

// lessIsNotMore takes each recorded value away in turn and compares. It tells how many were
// compared, and the first that made anything better.
func lessIsNotMore(items []record.Item, stages map[track.Stage]int) (compared int, worse string) {
	book := protocol.NewBook(items)
	names := map[string]bool{}
	for i := range items {
		for _, name := range items[i].Tracks() {
			names[name] = true
		}
	}
	for name := range names {
		n, text := lessIsNotMoreIn(name, about(name, items), book, stages)
		compared += n
		if text != "" {
			return compared, text
		}
	}
	return compared, ""
}

// about are the facts that a track's course is made of: tracks do not look at each other
// (TestTwoTracksAreIndependent).
func about(name string, items []record.Item) []record.Item {
	var out []record.Item
	for i := range items {
		if named := items[i].Tracks(); len(named) == 0 || slices.Contains(named, name) {
			out = append(out, items[i])
		}
	}
	return out
}

func lessIsNotMoreIn(name string, items []record.Item, book *protocol.Book, stages map[track.Stage]int) (compared int, worse string) {
	moments := ends(items)
	full := make([]track.State, len(moments))
	for k, at := range moments {
		s, ok := judged(items, book, at)[name]
		full[k] = s
		if ok {
			stages[s.Folded]++
		}
	}
	less := slices.Clone(items)
	for i := range items {
		for _, fewer := range withouts(items[i].Body) {
			less[i].Body = fewer.body
			compared++
			for k, at := range moments {
				if at.Before(items[i].At) {
					continue
				}
				if text := better(full[k], judged(less, book, at)[name]); text != "" {
					return compared, fmt.Sprintf("without %s of %s at %s, track %s at %s: %s",
						fewer.what, items[i].Kind, items[i].At.Format("01-02 15:04"), name, at.Format("01-02 15:04"), text)
				}
			}
		}
		less[i].Body = items[i].Body
	}
	return compared, ""
}

// ends are the moments just after each session, and once more when the gap since the last is
// open.
func ends(items []record.Item) []time.Time {
	var out []time.Time
	for i := range items {
		if _, ok := items[i].Body.(*cannularyv1.NeedleInserted); !ok {
			continue
		}
		// The next session of the same day begins eight hours later.
		if at := items[i].At.Add(5 * time.Hour); len(out) == 0 || at.Sub(out[len(out)-1]) > time.Hour {
			out = append(out, at)
		} else {
			out[len(out)-1] = at
		}
	}
	if len(out) > 0 {
		out = append(out, out[len(out)-1].AddDate(0, 0, 8))
	}
	return out
}

// better says what is better in b than in a, empty for nothing.
func better(a, b track.State) string {
	if rank[b.Folded] > rank[a.Folded] {
		return fmt.Sprintf("%s became %s (%d of %d+%d, then %d of %d+%d)", a.Folded, b.Folded, a.Counted, a.Target, len(a.Extras),
			b.Counted, b.Target, len(b.Extras))
	}
	// After the trial began the count is history: a track whose trial began later has had
	// more sharp sessions counted, and is no further.
	if rank[a.Folded] < rank[track.Trial] && rank[b.Folded] < rank[track.Trial] && b.Counted > a.Counted {
		return fmt.Sprintf("%d counted became %d", a.Counted, b.Counted)
	}
	if a.Next.Needle == track.Sharp && b.Next.Needle == track.Blunt {
		return "the next needle, sharp, became blunt"
	}
	return ""
}

type without struct {
	what string
	body proto.Message
}

// withouts are the bodies with one recorded value taken away.
func withouts(m proto.Message) []without {
	switch b := m.(type) {
	case *cannularyv1.NeedleInserted, *cannularyv1.SitePrepared, *cannularyv1.NeedleRemoved, *cannularyv1.PegPlaced,
		*cannularyv1.PegRemoved, *cannularyv1.PegFoundMissing:
		return clearings(m, func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			switch fd.Name() {
			case "track", "attempt_ordinal", "outcome", "access", "role":
				return false
			}
			return true
		})
	case *cannularyv1.AccessExamined:
		return reassuring(b)
	}
	return nil
}

func clearings(m proto.Message, wanted func(protoreflect.FieldDescriptor, protoreflect.Value) bool) []without {
	var out []without
	r := m.ProtoReflect()
	for i := range r.Descriptor().Fields().Len() {
		fd := r.Descriptor().Fields().Get(i)
		if !r.Has(fd) || !wanted(fd, r.Get(fd)) {
			continue
		}
		c := proto.Clone(m)
		c.ProtoReflect().Clear(fd)
		out = append(out, without{string(fd.Name()), c})
	}
	return out
}

// reassuring are the examination without each of its findings that is not adverse.
func reassuring(b *cannularyv1.AccessExamined) []without {
	var out []without
	for _, group := range []protoreflect.Name{"look", "listen", "feel"} {
		r := b.ProtoReflect()
		fd := r.Descriptor().Fields().ByName(group)
		if !r.Has(fd) {
			continue
		}
		for _, w := range clearings(r.Get(fd).Message().Interface(), func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			switch fd.Name() {
			case "thrill", "bruit", "collapse_on_elevation", "pulse_augmentation", "continuous_bruit":
				return v.Enum() != protoreflect.EnumNumber(cannularyv1.Finding_FINDING_ABSENT)
			}
			return v.Enum() != protoreflect.EnumNumber(cannularyv1.Finding_FINDING_PRESENT)
		}) {
			c := proto.Clone(b)
			c.ProtoReflect().Set(fd, protoreflect.ValueOfMessage(w.body.ProtoReflect()))
			out = append(out, without{string(group) + "." + w.what, c})
		}
	}
	return out
}

// minimal leaves out facts, then values, as long as the property stays broken.
func minimal(items []record.Item) []record.Item {
	broken := func(list []record.Item) bool {
		_, worse := lessIsNotMore(list, map[track.Stage]int{})
		return worse != ""
	}
	for again := true; again; {
		again = false
		for i := len(items) - 1; i >= 0; i-- {
			if fewer := slices.Delete(slices.Clone(items), i, i+1); broken(fewer) {
				items, again = fewer, true
			}
		}
	}
	for i := range items {
		for _, w := range withouts(items[i].Body) {
			fewer := slices.Clone(items)
			fewer[i].Body = w.body
			if broken(fewer) {
				items = fewer
			}
		}
	}
	return items
}

func written(items []record.Item) string {
	var b strings.Builder
	for i := range items {
		fmt.Fprintf(&b, "%s %s %s\n", items[i].At.Format("01-02 15:04"), items[i].Kind, prototext.MarshalOptions{}.Format(items[i].Body))
	}
	return b.String()
}

// teller makes up one history.
type teller struct {
	*story
	r     *rand.Rand
	pegs  bool
	clock time.Time
	n     int // treatments
	odd   int // of a hundred of the odd details below, how many happen to this patient
}

func (w *teller) chance(percent int) bool { return w.r.IntN(100) < percent }

// invent makes up a patient with one or two tracks and 5 to 25 treatments. The fewer odd
// details, the further the tracks come.
func invent(t *testing.T, r *rand.Rand, odd int) []record.Item {
	w := &teller{story: tell(t), r: r, odd: odd}
	w.pegs = w.chance(40)
	w.adopted("2025-01-01", w.protocol())
	for w.chance(30) { // another protocol takes over
		w.adopted(on(5+r.IntN(50)).Format(time.DateOnly), w.protocol())
	}
	names := []string{"A", "V"}[:1+r.IntN(2)]
	for _, name := range names {
		w.plan(name)
	}
	day := 1
	for range 5 + r.IntN(21) {
		w.clock = on(day)
		if w.chance(8) && w.chance(w.odd) {
			w.twist(names[r.IntN(len(names))])
		}
		w.treatment(names)
		if w.chance(7) { // a second treatment on the same day
			w.clock = on(day).Add(8 * time.Hour)
			w.treatment(names)
		}
		switch {
		case w.chance(8) && w.chance(w.odd):
			day += 8 + r.IntN(3)
		case w.chance(4) && w.chance(w.odd):
			day += 15 + r.IntN(2)
		default:
			day += 1 + r.IntN(3)
		}
	}
	return w.items(day)
}

func (w *teller) protocol() *cannularyv1.Protocol {
	p := &cannularyv1.Protocol{UsesPegs: proto.Bool(w.pegs)}
	if w.chance(25) {
		p.SharpOnly = proto.Bool(true)
	}
	if w.chance(30) {
		p.EasyEntriesNeeded = proto.Uint32(1 + w.r.Uint32N(3))
	}
	if w.chance(30) {
		p.TrialSessions = proto.Uint32(1 + w.r.Uint32N(4))
	}
	for _, needs := range []**bool{&p.CountNeedsListedCannulator, &p.CountNeedsSameSpot, &p.CountNeedsSamePath, &p.CountNeedsSameAngle} {
		if w.chance(10) {
			*needs = proto.Bool(false)
		}
	}
	return p
}

func role(name string) cannularyv1.NeedleRole {
	if name == "V" {
		return cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS
	}
	return cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL
}

func (w *teller) plan(name string) {
	p := &cannularyv1.TrackPlan{Track: name, Role: role(name)}
	if w.chance(80) {
		p.AngleDegrees = proto.Float64(25)
	}
	w.cannulation(on(0), &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackPlanned{
		TrackPlanned: &cannularyv1.TrackPlanned{Access: "F", Tracks: []*cannularyv1.TrackPlan{p}}}})
	if w.chance(40) {
		w.deputy(on(0), name)
	}
}

func (w *teller) deputy(at time.Time, name string) {
	w.fact(at, 0,
		rosterFact(&cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_DeputyNamed{DeputyNamed: &cannularyv1.DeputyNamed{Track: name,
			Deputy: nurse("deputy")}}}))
}

// twist is what happens between treatments.
func (w *teller) twist(name string) {
	at := w.clock.Add(-2 * time.Hour)
	switch w.r.IntN(4) {
	case 0:
		w.deputy(at, name)
	case 1:
		t := &cannularyv1.TrackTakenOver{Track: name, Access: "F", Role: role(name), DeclaredBy: nurse("lead"), Evidence: "the paper map",
			Stage: []cannularyv1.TrackStage{cannularyv1.TrackStage_TRACK_STAGE_FORMING,
				cannularyv1.TrackStage_TRACK_STAGE_TRIAL}[w.r.IntN(2)], SharpSessions: proto.Uint32(w.r.Uint32N(5))}
		if w.chance(70) {
			t.AngleDegrees, t.Creator = proto.Float64(25), nurse("creator")
		}
		w.cannulation(at, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackTakenOver{TrackTakenOver: t}})
	case 2:
		w.cannulation(at,
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldPlaced{HoldPlaced: &cannularyv1.HoldPlaced{Track: name,
				PlacedBy: nurse("lead"), Reason: "bruise"}}})
		ground := record.FactID(w.events[len(w.events)-1].GetId(), 0)
		w.cannulation(at.AddDate(0, 0, w.r.IntN(4)).Add(time.Minute),
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldLifted{HoldLifted: &cannularyv1.HoldLifted{
				Hold: record.HoldID("person", ground), LiftedBy: nurse("lead"), Reason: "gone"}}})
	case 3:
		w.cannulation(at,
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackRested{TrackRested: &cannularyv1.TrackRested{Track: name,
				Until: proto.String(w.clock.Format(time.DateOnly))}}})
	}
}

func (w *teller) treatment(names []string) {
	w.n++
	if w.chance(25) {
		w.fact(w.clock, w.n, examination(func(x *cannularyv1.AccessExamined) {
			x.Look.CollapseOnElevation = cannularyv1.Finding_FINDING_PRESENT
		}))
	}
	for _, name := range names {
		if w.chance(95) {
			w.visit(name)
		}
	}
}

// visit is one session in one track.
func (w *teller) visit(name string) {
	session := w.n
	if w.chance(6) {
		session = 0 // no reference
	}
	tell := func(minutes int, f *cannularyv1.CannulationFact) {
		w.fact(w.clock.Add(time.Duration(minutes)*time.Minute), session, cann(f))
	}
	if w.chance(60) {
		tell(1, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_SitePrepared{SitePrepared: w.prepared(name)}})
	}
	if w.pegs && w.chance(100-w.odd/3) {
		tell(w.r.IntN(7),
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_PegRemoved{PegRemoved: &cannularyv1.PegRemoved{Track: name,
				Whole: cannularyv1.Answer_ANSWER_YES, RemovedBy: nurse("creator")}}})
	} else if w.pegs && w.chance(20) {
		tell(2, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_PegFoundMissing{
			PegFoundMissing: &cannularyv1.PegFoundMissing{Track: name}}})
	}
	attempts := 1
	if w.chance(12) && w.chance(w.odd) {
		attempts += 1 + w.r.IntN(2)
	}
	late := w.n > 6 && w.chance(65) || w.chance(4) && w.chance(w.odd)
	for k := range attempts {
		n := w.needle(name, uint32(k+1), late)
		if k < attempts-1 {
			n.Outcome = []cannularyv1.InsertionOutcome{cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED,
				cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED}[w.r.IntN(2)]
		}
		tell(3+k, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleInserted{NeedleInserted: n}})
	}
	if w.chance(50) {
		tell(200, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleRemoved{NeedleRemoved: &cannularyv1.NeedleRemoved{
			Track: name, AngleDegrees: proto.Float64(25 + float64(w.r.IntN(10))), HaemostasisMinutes: proto.Float64(8)}}})
	}
	if w.pegs && w.chance(100-w.odd/6) {
		tell(201, &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_PegPlaced{PegPlaced: &cannularyv1.PegPlaced{Track: name,
			SamePath: cannularyv1.Answer_ANSWER_YES}}})
	}
}

func (w *teller) prepared(name string) *cannularyv1.SitePrepared {
	p := &cannularyv1.SitePrepared{Track: name, Washed: cannularyv1.Answer_ANSWER_YES, Scab: cannularyv1.Removal(w.r.IntN(6)),
		Disinfections: []*cannularyv1.Disinfection{{Agent: cannularyv1.Antiseptic_ANTISEPTIC_ALCOHOL},
			{Agent: cannularyv1.Antiseptic_ANTISEPTIC_ALCOHOL}},
		DisinfectionsComplete: cannularyv1.Answer_ANSWER_YES}
	if w.pegs {
		p.Peg = cannularyv1.Removal(w.r.IntN(6))
	}
	return p
}

// needle is mostly as it should be, and in a tenth of its details not.
func (w *teller) needle(name string, ordinal uint32, late bool) *cannularyv1.NeedleInserted {
	n := needle(attempt(ordinal))
	n.Track, n.Role = name, role(name)
	if late {
		blunt(n)
	}
	for _, odd := range []struct {
		percent int
		change  func()
	}{
		{5, func() { n.AngleDegrees = proto.Float64(35) }},
		{5, func() { n.Passes = proto.Uint32(2) }},
		{5, func() { n.Resistance = cannularyv1.Resistance_RESISTANCE_MODERATE }},
		{4, func() { n.SameSpot = cannularyv1.Answer_ANSWER_NO }},
		{4, func() { n.NewPath = cannularyv1.Answer_ANSWER_YES }},
		{10, func() { n.Cannulator = nurse("deputy") }},
		{4, func() { n.Cannulator = nurse("stranger") }},
		{7, func() { failed(n) }},
		{8, func() { n.Tip = cannularyv1.NeedleTip_NEEDLE_TIP_SHARP }},
		{20, func() { n.RescueReason, n.Gauge = cannularyv1.RescueReason_RESCUE_REASON_OTHER, proto.Uint32(16) }},
		{1, func() { n.AngleDegrees = nil }},
		{1, func() { n.Cannulator = nil }},
		{1, func() { n.SameSpot = 0 }},
		{1, func() { n.Tip = 0 }},
		{1, func() { n.Passes = nil }},
	} {
		if w.chance(odd.percent) && w.chance(w.odd) {
			odd.change()
		}
	}
	return n
}
