package surveil_test

import (
	"fmt"
	"testing"

	"cannulary/internal/surveil"
)

// Nobody answers a signal before it is there: an acknowledgement that is dated too early
// restarts the chart on the day after the signal's, and raises it no second time.
func TestAnAnswerThatIsDatedTooEarly(t *testing.T) {
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	from := mustDay(t, "2027-03-01")
	w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", Since: surveil.First, AsOf: from + 20,
		People: []surveil.Patient{{Key: "p", Person: surveil.Person{
			Exposures: []surveil.Exposure{{Facility: "ward", Technique: surveil.ConstantSite, From: from, To: from + 100}},
			Events: []surveil.Event{{Kind: surveil.BloodCulture, Fact: "c", Facility: "ward", Day: from + 10, Counted: true,
				Technique: surveil.ConstantSite}},
		}}}}}
	set := map[surveil.ChartName]surveil.Threshold{name: {ChartName: name, Reference: 0.26, R: 3, H: 1, From: from}}
	raised := []surveil.Raised{{ChartName: name, Seq: 5, Day: from + 10, Sum: 1.09}}
	if err := w.Run(set, raised,
		[]surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 6, On: from + 2, Seen: []string{"c"}}}); err != nil {
		t.Fatal(err)
	}
	ch := w.Charts[0]
	if ch.Standing() != nil || ch.Crossed != nil {
		t.Errorf("it stands again: %+v, %+v", ch.Standing(), ch.Crossed)
	}
	if p := ch.Points[11]; !p.Restart || p.Day != from+11 {
		t.Errorf("the day after the signal is %+v", p)
	}
}

// An acknowledgement of a chart without a standing signal changes nothing, and is told.
func TestAnswersToNoSignal(t *testing.T) {
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	other := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}
	unset := surveil.ChartName{Technique: surveil.OtherFistula, Class: surveil.Bloodstream}
	from := mustDay(t, "2027-03-01")
	set := map[surveil.ChartName]surveil.Threshold{name: {ChartName: name, Reference: 0.26, R: 3, H: 1, From: from},
		other: {ChartName: other, Reference: 0.26, R: 3, H: 1, From: from}}
	raised := []surveil.Raised{{ChartName: name, Seq: 5, Day: from + 10, Sum: 1.09}}
	for _, c := range []struct {
		sentence string
		acks     []surveil.Acknowledgement
		want     string
		stands   bool
	}{
		{"the right chart", []surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 6}}, "", false},
		{"another class", []surveil.Acknowledgement{{ChartName: other, Fact: "a", Seq: 6}}, "a", true},
		{"a chart without a threshold", []surveil.Acknowledgement{{ChartName: unset, Fact: "a", Seq: 6}}, "a", true},
		{"before the log held the signal", []surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 4}}, "a", true},
		{"a second time", []surveil.Acknowledgement{{ChartName: name, Fact: "b", Seq: 7},
			{ChartName: name, Fact: "a", Seq: 6}}, "b", false},
		{"several, told in the order of the log", []surveil.Acknowledgement{{ChartName: unset, Fact: "c", Seq: 9},
			{ChartName: other, Fact: "b", Seq: 7}, {ChartName: name, Fact: "a", Seq: 8}}, "bc", false},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", Since: surveil.First, AsOf: from + 20}}
			for range 2 { // run again, it says the same
				if err := w.Run(set, raised, c.acks); err != nil {
					t.Fatal(err)
				}
			}
			got := ""
			for _, a := range w.Unmatched {
				got += a.Fact
			}
			if got != c.want {
				t.Errorf("answered nothing: %q, want %q", got, c.want)
			}
			for i := range w.Charts {
				if w.Charts[i].Threshold.ChartName == name && (w.Charts[i].Standing() != nil) != c.stands {
					t.Errorf("the signal stands: %v", w.Charts[i].Standing())
				}
			}
		})
	}
}

func mustDay(t *testing.T, s string) surveil.Day {
	t.Helper()
	d, err := surveil.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A signal is acknowledged by a named person and by nothing else: taking its threshold back,
// or correcting it into that of another chart, does not do it.
func TestASignalOutlastsItsThreshold(t *testing.T) {
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	other := surveil.ChartName{Technique: surveil.OtherFistula, Class: surveil.Bloodstream}
	w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", AsOf: mustDay(t, "2027-03-20")}}
	raised := []surveil.Raised{{ChartName: name, Seq: 5, Day: mustDay(t, "2027-03-11"), Sum: 1.09}}
	set := map[surveil.ChartName]surveil.Threshold{other: {ChartName: other, Reference: 0.26, R: 3, H: 1, From: mustDay(t, "2027-03-01")}}
	if err := w.Run(set, raised, nil); err != nil {
		t.Fatal(err)
	}
	if len(w.Charts) != 2 {
		t.Fatalf("%d charts, want that which is set and that of the signal", len(w.Charts))
	}
	ch := w.Charts[0]
	if ch.Threshold.ChartName != name || ch.Threshold.Stands() || len(ch.Points) != 0 || ch.Crossed != nil || ch.Standing() == nil ||
		ch.Standing().Day != raised[0].Day {
		t.Errorf("the chart of the signal: %+v", ch)
	}
	if ch := w.Charts[1]; ch.Threshold.ChartName != other || !ch.Threshold.Stands() || ch.Standing() != nil {
		t.Errorf("the chart that is set: %+v", ch)
	}
	// Acknowledged, it needs no chart any more.
	if err := w.Run(set, raised,
		[]surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 6, On: mustDay(t, "2027-03-12")}}); err != nil {
		t.Fatal(err)
	}
	if len(w.Charts) != 1 || w.Charts[0].Threshold.ChartName != other {
		t.Errorf("after the acknowledgement: %+v", w.Charts)
	}
}

// Where an acknowledgement is taken back, its signal stands again beside a later one. Who
// acknowledges the chart then, acknowledges both.
func TestOneAnswerToAllThatStands(t *testing.T) {
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	from := mustDay(t, "2027-03-01")
	w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", Since: surveil.First, AsOf: from + 20}}
	raised := []surveil.Raised{{ChartName: name, Seq: 5, Day: from + 3}, {ChartName: name, Seq: 9, Day: from + 8}}
	set := map[surveil.ChartName]surveil.Threshold{name: {ChartName: name, Reference: 0.26, R: 3, H: 1, From: from}}
	if err := w.Run(set, raised, []surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 12, On: from + 5}}); err != nil {
		t.Fatal(err)
	}
	ch := w.Charts[0]
	if ch.Standing() != nil || len(ch.Acknowledgements) != 1 {
		t.Errorf("still stands: %+v", ch.Standing())
	}
	// It is dated before the newer signal, so it restarts the chart on the day after that.
	for _, p := range ch.Points {
		if p.Restart != (p.Day == from+9) {
			t.Errorf("restart on %s: %v", p.Day, p.Restart)
		}
	}
}

// An acknowledgement of a signal whose threshold was taken back answered something.
func TestAnAnswerToASignalThatOutlastedItsThreshold(t *testing.T) {
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", AsOf: mustDay(t, "2027-03-20")}}
	answers := []surveil.Acknowledgement{{ChartName: name, Fact: "a", Seq: 6, On: mustDay(t, "2027-03-12")},
		{ChartName: name, Fact: "b", Seq: 7, On: mustDay(t, "2027-03-12")}}
	if err := w.Run(nil, []surveil.Raised{{ChartName: name, Seq: 5, Day: mustDay(t, "2027-03-11")}}, answers); err != nil {
		t.Fatal(err)
	}
	if len(w.Unmatched) != 1 || w.Unmatched[0].Fact != "b" {
		t.Errorf("answered nothing: %+v, want the second only", w.Unmatched)
	}
}

// anew is a chart of one patient with an event on each of the days, counted from the first
// threshold's; its thresholds are given oldest first, the last one stands.
func anew(t *testing.T, events []surveil.Day, raised []surveil.Raised, acks []surveil.Acknowledgement,
	thresholds ...surveil.Threshold) surveil.WatchedChart {
	t.Helper()
	name := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	from := mustDay(t, "2027-03-01")
	p := surveil.Person{Exposures: []surveil.Exposure{{Facility: "ward", Technique: surveil.ConstantSite, From: from, To: from + 100}}}
	for _, d := range events {
		p.Events = append(p.Events, surveil.Event{Kind: surveil.BloodCulture, Fact: fmt.Sprint("e", int(d)), Facility: "ward",
			Day: from + d, Counted: true, Technique: surveil.ConstantSite})
	}
	w := surveil.Watch{Unit: surveil.Unit{Facility: "ward", Since: surveil.First, AsOf: from + 20,
		People: []surveil.Patient{{Key: "p", Person: p}}}}
	for i := range thresholds {
		o := &thresholds[i]
		o.ChartName, o.Fact, o.Reference, o.R, o.H, o.From = name, fmt.Sprint("t", o.Seq), 0.26, 3, 1, from+o.From
	}
	for i := range raised {
		raised[i].ChartName, raised[i].Day = name, from+raised[i].Day
	}
	for i := range acks {
		acks[i].ChartName, acks[i].Fact, acks[i].On = name, fmt.Sprint("a", acks[i].Seq), from+acks[i].On
	}
	last := len(thresholds) - 1
	w.Replaced = thresholds[:last]
	if err := w.Run(map[surveil.ChartName]surveil.Threshold{name: thresholds[last]}, raised, acks); err != nil {
		t.Fatal(err)
	}
	return w.Charts[0]
}

// Of three thresholds the last takes over what the second had still to count, and nothing that
// it has counted.
func TestAThresholdIsSetAnewTwice(t *testing.T) {
	knows, knowsNothing := []string{"e3", "e5"}, []string{}
	for _, c := range []struct {
		sentence string
		event    surveil.Day
		acks     []surveil.Acknowledgement // of a signal of the first threshold's
		second   surveil.Threshold
		want     int
	}{
		{"known to both, it was the first one's to count", 5, nil, surveil.Threshold{From: 6, Seq: 5, Seen: knows}, 0},
		{"told between two thresholds of one day", 5, nil, surveil.Threshold{From: 6, Seq: 5, Seen: knowsNothing}, 1},
		{"told between two thresholds, the second one's day has passed", 5, nil, surveil.Threshold{From: 5, Seq: 5, Seen: knowsNothing}, 0},
		{"told after an answer, then two thresholds of one day", 5, []surveil.Acknowledgement{{Seq: 4, On: 6}},
			surveil.Threshold{From: 6, Seq: 5, Seen: knows}, 1},
		{"told after an answer, and counted by the second threshold on its own day", 5, []surveil.Acknowledgement{{Seq: 4, On: 6}},
			surveil.Threshold{From: 5, Seq: 5, Seen: knows}, 0},
		{"told after an answer, and counted on the second threshold's first day", 3, []surveil.Acknowledgement{{Seq: 4, On: 6}},
			surveil.Threshold{From: 5, Seq: 5, Seen: knows}, 0},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			ch := anew(t, []surveil.Day{c.event}, []surveil.Raised{{Seq: 3, Day: 2}}, c.acks,
				surveil.Threshold{Seq: 1, Seen: knowsNothing}, c.second, surveil.Threshold{From: 6, Seq: 7, Seen: knows})
			if got := ch.Points[0].Events; got != c.want {
				t.Errorf("%d events on the last chart's first day, want %d", got, c.want)
			}
		})
	}
}

// A signal was given by the chart that stood when the log held it, also where a threshold
// that came later is dated before another.
func TestWhichThresholdGaveASignal(t *testing.T) {
	ch := anew(t, nil, []surveil.Raised{{Seq: 10, Day: 3}, {Seq: 23, Day: 6}, {Seq: 30, Day: 8}}, nil,
		surveil.Threshold{Seq: 9}, surveil.Threshold{From: 6, Seq: 24}, surveil.Threshold{From: 6, Seq: 23})
	if n := len(ch.Former); n != 2 {
		t.Fatalf("%d former charts", n)
	}
	if s := ch.Former[0].Signals; len(s) != 1 || s[0].Seq != 10 {
		t.Errorf("of the first: %+v", s)
	}
	if s := ch.Former[1].Signals; len(s) != 0 {
		t.Errorf("of the second, which never stood: %+v", s)
	}
	for i, want := range []bool{false, true, true} {
		if _, _, known := ch.Reached(ch.Signals[i]); known != want {
			t.Errorf("signal %d is the standing chart's: %v", ch.Signals[i].Seq, known)
		}
	}
}

// What restarted the chart before a signal is a matter of the log: an acknowledgement that was
// corrected may be dated after a signal that came after it.
func TestWhereASignalIsLookedFor(t *testing.T) {
	for _, c := range []struct {
		sentence   string
		events     []surveil.Day
		acks       []surveil.Acknowledgement // of a signal on day 2, seq 3
		thresholds []surveil.Threshold
		signal     surveil.Raised
		want       surveil.Day
	}{
		{"after the restart that came before it", []surveil.Day{2, 7}, []surveil.Acknowledgement{{Seq: 4, On: 5, Seen: []string{"e2"}}},
			[]surveil.Threshold{{Seq: 1}}, surveil.Raised{Seq: 6, Day: 7}, 7},
		{"so also where that restart is dated after it since", []surveil.Day{2, 5},
			[]surveil.Acknowledgement{{Seq: 4, On: 5, Seen: []string{"e2"}}},
			[]surveil.Threshold{{Seq: 1}}, surveil.Raised{Seq: 6, Day: 4}, 6},
		{"from the new threshold's first day, on which an answer to the former one was given", []surveil.Day{2, 6},
			[]surveil.Acknowledgement{{Seq: 4, On: 6, Seen: []string{"e2"}}},
			[]surveil.Threshold{{Seq: 1}, {From: 6, Seq: 5, Seen: []string{"e2"}}}, surveil.Raised{Seq: 6, Day: 8}, 6},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			ch := anew(t, c.events, []surveil.Raised{{Seq: 3, Day: 2}, c.signal}, c.acks, c.thresholds...)
			d, ok, known := ch.Reached(ch.Signals[1])
			if !ok || !known || d != mustDay(t, "2027-03-01")+c.want {
				t.Errorf("reached on %s (%v, %v), want the day %d", d, ok, known, c.want)
			}
		})
	}
}
