package surveillance_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/oracle/surveillance"
	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
)

// ask folds a history both ways.
func ask(t *testing.T, seed uint64) (histories.History, []record.Fact, []record.Item) {
	t.Helper()
	h := histories.Make(seed)
	facts, err := h.Facts()
	if err != nil {
		t.Fatalf("history %d cannot be read: %v", seed, err)
	}
	return h, facts, h.Items(facts)
}

// answer is a person in the words of the reference.
func answer(p surveil.Person, like surveillance.Answer) surveillance.Answer {
	out := surveillance.Answer{}
	last := surveil.First
	if len(like.Days) > 0 {
		last, _ = surveil.ParseDay(like.Days[len(like.Days)-1].Date)
	}
	for _, e := range p.Exposures {
		to := e.To
		if to == -surveil.First { // never
			out.Open, out.Technique = e.Facility, string(e.Technique)
			to = last + 1
		}
		for d := e.From; d < to; d++ {
			out.Days = append(out.Days, surveillance.Day{Date: d.String(), Facility: e.Facility, Technique: string(e.Technique)})
		}
	}
	for _, c := range p.Cultures {
		out.Cultures = append(out.Cultures, surveillance.Culture{Fact: c.Fact, Facility: c.Facility, Date: c.Day.String(), Positive: c.Positive})
	}
	for _, e := range p.Events {
		r := surveillance.Event{
			Kind: string(e.Kind), Fact: e.Fact, Facility: e.Facility, Date: e.Day.String(), Counted: e.Counted, Named: e.Why != "",
			Technique: string(e.Technique), Access: e.Access, Tracks: append([]string{}, e.Tracks...), Outside: e.Outside,
			Related: e.Related, Source: int32(e.Source),
		}
		slices.Sort(r.Tracks)
		for _, o := range e.Organisms {
			r.Organisms = append(r.Organisms, int32(o))
		}
		slices.Sort(r.Organisms)
		for _, x := range e.Tested {
			r.Tested = append(r.Tested, fmt.Sprint(int32(x.Organism), " ", x.Agent, " ", int32(x.Result)))
		}
		slices.Sort(r.Tested)
		r.Vancomycin, r.CultureTaken = int32(e.Vancomycin), int32(e.CultureTaken)
		r.Outcome = [3]int32{int32(e.Outcome.HospitalStay), int32(e.Outcome.AccessLost), int32(e.Outcome.Death)}
		out.Events = append(out.Events, r)
	}
	return out
}

func TestTheTwoReadersAgree(t *testing.T) {

	differ := 0
	kinds := map[string]int{}
	for seed := range uint64(patients()) {
		h, _, items := ask(t, seed)
		want := surveillance.Fold(surveillance.Input{Items: items, Zone: h.Zone})
		person, _ := surveil.Fold(surveil.Input{Items: items, Zone: h.Zone})
		got := answer(person, want)
		if reflect.DeepEqual(got, want) {
			continue
		}
		differ++
		what := difference(got, want)
		kinds[what]++
		if kinds[what] <= 2 {
			t.Errorf("history %d: %s\n %s", seed, what, sidebyside(got, want))
		}
	}
	if differ > 0 {
		t.Errorf("%d of %d differ: %v", differ, patients(), kinds)
	}
}

// difference tells in which respect two answers differ first.
func difference(got, want surveillance.Answer) string {
	switch {
	case !reflect.DeepEqual(got.Days, want.Days):
		for i := range min(len(got.Days), len(want.Days)) {
			if a, b := got.Days[i], want.Days[i]; a != b {
				if a.Technique != b.Technique {
					return "the technique of a day"
				}
				return "the facility of a day"
			}
		}
		return "the number of days"
	case got.Open != want.Open || got.Technique != want.Technique:
		return "where the patient is in the end"
	case !reflect.DeepEqual(got.Cultures, want.Cultures):
		return "the cultures with a result"
	case len(got.Events) != len(want.Events):
		return "the number of events"
	}
	for i := range got.Events {
		a, b := reflect.ValueOf(got.Events[i]), reflect.ValueOf(want.Events[i])
		for f := range a.NumField() {
			if !reflect.DeepEqual(a.Field(f).Interface(), b.Field(f).Interface()) {
				return fmt.Sprintf("an event's %s", a.Type().Field(f).Name)
			}
		}
	}
	return "nothing"
}

// sidebyside is what differs, in lines.
func sidebyside(got, want surveillance.Answer) string {
	var b strings.Builder
	for i := range max(len(got.Days), len(want.Days)) {
		var x, y surveillance.Day
		if i < len(got.Days) {
			x = got.Days[i]
		}
		if i < len(want.Days) {
			y = want.Days[i]
		}
		if x != y {
			fmt.Fprintf(&b, "day %d: got %v, want %v\n", i, x, y)
			break
		}
	}
	fmt.Fprintf(&b, "in the end: got %s %s, want %s %s\n", got.Open, got.Technique, want.Open, want.Technique)
	if !reflect.DeepEqual(got.Cultures, want.Cultures) {
		fmt.Fprintf(&b, "cultures:\n got %v\nwant %v\n", got.Cultures, want.Cultures)
	}
	for i := range max(len(got.Events), len(want.Events)) {
		var x, y surveillance.Event
		if i < len(got.Events) {
			x = got.Events[i]
		}
		if i < len(want.Events) {
			y = want.Events[i]
		}
		if !reflect.DeepEqual(x, y) {
			fmt.Fprintf(&b, "event %d:\n got %+v\nwant %+v\n", i, x, y)
		}
	}
	return b.String()
}
