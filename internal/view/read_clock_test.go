package view_test

import (
	"fmt"
	"sort"
	"testing"
	"time"

	"pgregory.net/rapid"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// TestDatePrefixesByTheClock has every span of the generator on clocks all around the world,
// showing the same: a search by what clocks show finds them together, one by moments only
// those of UTC. A span whose clock is put back within it has another offset at its end.
func TestDatePrefixesByTheClock(t *testing.T) {
	w := open(t)
	hours := func(h float64) *time.Location { return time.FixedZone("", int(h*3600)) }
	clocks := [][2]*time.Location{{time.UTC, time.UTC}, {hours(9), hours(9)}, {hours(-4), hours(-4)}, {hours(14), hours(14)}, {hours(-12), hours(-12)}, {hours(5.75), hours(5.75)}, {hours(1), hours(0)}}
	shown := func(ms int, zone *time.Location) time.Time {
		_, offset := at(ms).In(zone).Zone()
		return at(ms).Add(-time.Duration(offset) * time.Second).In(zone)
	}
	var have []span
	var list []fhir.Resource
	for low := 0; low <= 30; low += 2 {
		for width := 1; width <= 8; width += 2 {
			have = append(have, span{low, low + width})
			for k, c := range clocks {
				list = append(list, resource("Observation", fmt.Sprintf("r%d-%d", len(have)-1, k), "", "",
					fhir.Index{Dates: []fhir.Period{{Param: "date", Low: shown(low, c[0]), High: shown(low+width, c[1])}}}))
			}
		}
	}
	// Without an end on any clock.
	list = append(list, resource("Observation", "always", "", "", fhir.Index{Dates: []fhir.Period{{Param: "date", Low: fhir.BeginningOfTime(), High: fhir.EndOfTime()}}}))
	w.put(at(0), list...)
	rapid.Check(t, func(t *rapid.T) {
		w.t = t
		p, param, local := rapid.SampledFrom(view.Prefixes()).Draw(t, "prefix"), spans().Draw(t, "parameter"), rapid.Bool().Draw(t, "local")
		var want []string
		for i, s := range have {
			for k := range clocks {
				seen := s
				if !local {
					seen = moments(s, clocks[k])
				}
				if matches(p, seen, param) {
					want = append(want, fmt.Sprintf("r%d-%d", i, k))
				}
			}
		}
		if p == view.NotEqual || p == view.Greater || p == view.Less || p == view.GreaterEqual || p == view.LessEqual {
			want = append(want, "always")
		}
		got := ids(w.search(view.Query{Type: "Observation", Count: 1000, Filters: []view.Filter{{view.DateIs{Param: "date", Prefix: p, Low: at(param.low), High: at(param.high), Local: local}}}}).Rows)
		sort.Strings(want)
		sort.Strings(got)
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("%s %v, local %v: got %v, want %v", p, param, local, got, want)
		}
	})
}

// moments is the span on a clock as the wording sees it by moments: hours away is anywhere
// beyond what it looks at, before it for a clock ahead of UTC.
func moments(s span, clock [2]*time.Location) span {
	move := func(ms int, zone *time.Location) int {
		_, offset := at(ms).In(zone).Zone()
		switch {
		case offset > 0:
			return ms - 40
		case offset < 0:
			return ms + 40
		}
		return ms
	}
	return span{move(s.low, clock[0]), move(s.high, clock[1])}
}
