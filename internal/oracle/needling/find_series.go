package needling

import (
	"sort"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// value is one session's value in a series.
type value struct {
	fact  *record.Fact // that told it
	value float64
	gauge uint32
}

// perSession keeps of each treatment the highest value, the first of several, in the order
// of those.
// Reading: facts without a reference are of one treatment if they are of one local date.
func (w *world) perSession(track string, told []value) []value {
	var out []value
	at := map[string]int{}
	for _, v := range told {
		key := w.treatment(track, v.fact)
		i, ok := at[key]
		if !ok {
			at[key] = len(out)
			out = append(out, v)
		} else if v.value > out[i].value {
			out[i] = v
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return before(out[i].fact, out[j].fact) })
	return out
}

// factsOf are the grounds of a part of a series, its last left out.
func factsOf(part []value) []*record.Fact {
	var out []*record.Fact
	for _, v := range part[:len(part)-1] {
		out = append(out, v.fact)
	}
	return out
}

// firstAfter is the fact of the first value that ends something.
func firstAfter(values []value, ends func(value) bool) *record.Fact {
	for _, v := range values {
		if ends(v) {
			return v.fact
		}
	}
	return nil
}

// findHaemostasis judges how long tracks bleed.
// Reading: a session counts in the series of a track if a removal from it tells a time,
// needled or not. Each long time is a finding of its own.
func (w *world) findHaemostasis() {
	told := map[string][]value{}
	for _, r := range all[*cannularyv1.NeedleRemoved](w) {
		if r.Says.HaemostasisMinutes != nil && r.Says.GetTrack() != "" {
			told[r.Says.GetTrack()] = append(told[r.Says.GetTrack()], value{fact: r.Fact, value: r.Says.GetHaemostasisMinutes()})
		}
	}
	for track, all := range told {
		values := w.perSession(track, all)
		for i, v := range values {
			if v.value > w.rules(v.fact).HaemostasisLong {
				w.raise(finding{
					rule: rule.HaemostasisRising, severity: rule.Caution, track: track, aspect: "long", ground: v.fact,
					ends: firstAfter(values[i+1:], func(value) bool { return true }),
				})
			}
		}
		w.findRuns(track, values)
	}
}

// findRuns finds times above the usual running. A run's usual is that of before it began.
// Reading: one finding per run, by the first value with which it is as long as the protocol
// of that value's day asks.
func (w *world) findRuns(track string, values []value) {
	for begin := 0; begin < len(values); begin++ {
		var previous []float64
		for _, v := range values[max(0, begin-12):begin] {
			previous = append(previous, v.value)
		}
		if w.mutant == UsualIncludesRun {
			previous = append(previous, values[begin].value)
		}
		usual, ok := trend.Usual(previous)
		end := begin // first value that is not in the run
		for ok && end < len(values) && values[end].value > usual.Limit {
			end++
		}
		for n := 1; n <= end-begin; n++ {
			completing := values[begin+n-1]
			if n < w.rules(completing.fact).Consecutive {
				continue
			}
			if w.stands(rule.HaemostasisRising, "run", track, "", completing.fact) {
				continue
			}
			w.raise(finding{
				rule: rule.HaemostasisRising, severity: rule.Caution, track: track, aspect: "run",
				ground: completing.fact, others: factsOf(values[begin : begin+n]),
				ends: firstAfter(values[end:], func(value) bool { return true }),
			})
		}
		if end > begin {
			begin = end // the value that ended the run is within the usual: it begins none
		}
	}
}

// findPressures judges venous pressures.
func (w *world) findPressures() {
	told := map[string][]value{}
	for _, r := range all[*cannularyv1.VenousPressureRead](w) {
		if r.Says.PumpSpeedMillilitresPerMinute != nil && r.Says.GetPumpSpeedMillilitresPerMinute() == 200 && r.Says.Gauge != nil {
			told[r.Says.GetAccess()] = append(told[r.Says.GetAccess()], value{r.Fact, r.Says.GetPressureMmhg(), r.Says.GetGauge()})
		}
	}
	for access, all := range told {
		values := w.perSession("", all)
		w.findPressureLimits(access, values)
		w.findPressureTrends(access, values)
	}
}

// above reports whether a reading is above the unit's limit.
// Reading: where the unit set no limit, nothing is above it.
func (w *world) above(v value) bool {
	limit := w.rules(v.fact).PressureLimit
	return limit != nil && v.value > *limit
}

// findPressureLimits finds readings above the limit running.
// Reading: another gauge begins another run, but only a reading that is not above the limit
// clears what stands. One finding per run.
func (w *world) findPressureLimits(access string, values []value) {
	for begin := 0; begin < len(values); begin++ {
		end := begin
		for end < len(values) && w.above(values[end]) && values[end].gauge == values[begin].gauge {
			end++
		}
		for n := 1; n <= end-begin; n++ {
			completing := values[begin+n-1]
			if n < w.rules(completing.fact).Consecutive {
				continue
			}
			if w.stands(rule.PressureRising, "limit", "", access, completing.fact) {
				continue
			}
			w.raise(finding{
				rule: rule.PressureRising, severity: rule.Caution, access: access, aspect: "limit",
				ground: completing.fact, others: factsOf(values[begin : begin+n]),
				ends: firstAfter(values[end:], func(v value) bool { return !w.above(v) }),
			})
		}
		begin = max(begin, end-1)
	}
}

// stands reports whether a finding of the rule and aspect stands there already.
func (w *world) stands(code, aspect, track, access string, at *record.Fact) bool {
	for _, f := range w.findings {
		same := f.rule == code && f.aspect == aspect && f.track == track && (track != "" || f.access == access)
		if same && before(f.ground, at) && (f.ends == nil || !before(f.ends, at)) {
			return true
		}
	}
	return false
}

// findPressureTrends looks at every twelve sessions of one gauge.
// Reading: each look with a trend is a finding of its own.
func (w *world) findPressureTrends(access string, values []value) {
	type look struct {
		part   []value
		rising bool
	}
	var looks []look
	var part []value
	for _, v := range values {
		if len(part) > 0 && part[0].gauge != v.gauge {
			part = nil
		}
		part = append(part, v)
		if len(part) < 12 {
			continue
		}
		var y []float64
		for _, p := range part {
			y = append(y, p.value)
		}
		t, ok := trend.PressureTrend(y, w.rules(v.fact).PressureSlope, 0.01)
		looks = append(looks, look{part, ok && t.Rising})
		part = nil
	}
	for i, l := range looks {
		if !l.rising {
			continue
		}
		f := finding{
			rule: rule.PressureRising, severity: rule.Caution, access: access, aspect: "trend",
			ground: l.part[11].fact, others: factsOf(l.part),
		}
		if i+1 < len(looks) {
			f.ends = looks[i+1].part[11].fact
		}
		w.raise(f)
	}
}
