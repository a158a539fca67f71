package track

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// access is the state of one access.
type access struct {
	name     string
	patient  string // the patient key of the first fact that names it
	there    bool   // created, needled, dialysed through, or with a track on it; until then only named
	kind     cannularyv1.AccessKind
	side     cannularyv1.BodySide
	region   cannularyv1.AccessRegion
	kindAt   time.Time
	kindIn   time.Time // its place in the order
	kindDay  span      // its day, where no more is known
	kindFact string
	retired  bool
	// retiredOn is the local date of its retirement.
	retiredOn string
	// saidKind and saidSide are the latest kind and side that were stated. A later creation may
	// leave them out.
	saidKind cannularyv1.AccessKind
	saidSide cannularyv1.BodySide

	examined time.Time // the latest examination
	visit    examination

	above []reading // readings in a row above the unit's limit, one gauge
	block []reading // readings of the next look, one gauge
	look  trend.Trend
	seen  time.Time // time of the look, zero before the first
	flows []reading // of the last four months

}

// reading is one measured value, with the gauge of its needle.
type reading struct {
	value float64
	gauge uint32
	at    time.Time
	date  string
	fact  string
}

func (a *access) clone() *access {
	n := *a
	n.above, n.block, n.flows = slices.Clip(a.above), slices.Clip(a.block), slices.Clip(a.flows)
	return &n
}

// Aspects of findings, where one rule has several.
const (
	aspectCollapse = "collapse"
	aspectPulse    = "pulse"
	aspectLong     = "long"
	aspectRun      = "run"
	aspectLimit    = "limit"
	aspectTrend    = "trend"
	aspectKind     = "kind"
	aspectSide     = "side"
	aspectCaution  = "caution"
	aspectStop     = "stop"
	aspectAneurysm = "aneurysm"
)

const (
	present = cannularyv1.Finding_FINDING_PRESENT
	absent  = cannularyv1.Finding_FINDING_ABSENT
)

// noFistula reports that the access is known not to be a fistula.
func (a *access) noFistula() bool {
	return a.kind != cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED && a.kind != cannularyv1.AccessKind_ACCESS_KIND_FISTULA
}

// created folds what is stated of an access. The kind and the side of an access do not change,
// so a fact that states them otherwise mixes something up.
func (m *machine) created(e *env, b *cannularyv1.AccessCreated, f *record.Fact) {
	a := m.access(b.GetAccess())
	a.there = true
	restated := func(aspect, before, now string) {
		m.raise(Finding{Rule: rule.AccessRestated, aspect: aspect, Access: a.name, Since: e.from(f), Facts: []string{f.ID},
			Seen: fmt.Sprintf("access %s was first recorded as %s and later as %s: find out which is right, and have the wrong one "+
				"corrected", a.name, before, now)}, nil)
	}
	if k := b.GetKind(); k != 0 {
		if a.saidKind != 0 && a.saidKind != k {
			restated(aspectKind, Words(a.saidKind.String(), "ACCESS_KIND_"), Words(k.String(), "ACCESS_KIND_"))
		}
		a.saidKind = k
	}
	if s := b.GetSide(); s != 0 {
		if a.saidSide != 0 && a.saidSide != s {
			restated(aspectSide, Words(a.saidSide.String(), "BODY_SIDE_"), Words(s.String(), "BODY_SIDE_"))
		}
		a.saidSide = s
	}
	a.kind, a.side, a.region, a.kindAt, a.kindIn, a.kindFact = b.GetKind(), b.GetSide(), b.GetRegion(), e.from(f), f.At, f.ID
	a.kindDay = span{}
	if from, to, ok := e.day(f); ok {
		a.kindDay = span{from, to}
	}
	m.touch(a.name, e.from(f))
}

// examination is what the examinations of one session covered; without a session reference,
// those of one day.
type examination struct {
	place, date                           string
	looked, listened, bruit, felt, thrill bool
}

// add adds an examination.
func (x *examination) add(place, date string, b *cannularyv1.AccessExamined) {
	day := "day " + date
	if x.place != place && (x.date != date || x.place != day && place != day) {
		*x = examination{}
	}
	if x.place == "" || x.place == day {
		x.place = place
	}
	x.date = date
	told := func(f cannularyv1.Finding) bool { return f == present || f == absent }
	x.looked = x.looked || b.GetLook() != nil
	x.listened, x.bruit = x.listened || b.GetListen() != nil, x.bruit || told(b.GetListen().GetBruit())
	x.felt, x.thrill = x.felt || b.GetFeel() != nil, x.thrill || told(b.GetFeel().GetThrill())
}

// leftOut returns the parts that no examination of the latest session recorded; none if there
// was no examination.
func (a *access) leftOut() []string {
	if a.examined.IsZero() {
		return nil
	}
	return a.visit.leftOut()
}

// leftOut returns the parts that no examination recorded, and the signs of flow that none looked
// for.
func (x *examination) leftOut() []string {
	var out []string
	if !x.looked {
		out = append(out, "look")
	}
	switch {
	case !x.listened:
		out = append(out, "listen")
	case !x.bruit:
		out = append(out, "bruit")
	}
	switch {
	case !x.felt:
		out = append(out, "feel")
	case !x.thrill:
		out = append(out, "thrill")
	}
	return out
}

// examined folds an examination. Its holds are opened by grounds.
func (m *machine) examined(e *env, b *cannularyv1.AccessExamined, st step) {
	f := st.fact
	a := m.access(b.GetAccess())
	a.examined = e.from(f)
	a.visit.add(st.place, e.date(f), b)
	m.touch(a.name, e.from(f))
	for _, s := range b.GetSites() {
		if c := m.find(s.GetTrack()); c != nil {
			switch s.GetPeg() {
			case present:
				c.peg = PegIn
			case absent:
				c.peg = PegOut
			}
		}
	}
	p := e.on(f)
	sign := func(code, aspect, seen string, found, gone bool) {
		switch {
		case found && m.stands(code, aspect, "", a.name) == nil:
			m.raise(Finding{Rule: code, aspect: aspect, Access: a.name, Since: e.from(f), Facts: []string{f.ID}, Seen: seen}, &p)
		case gone && !found:
			m.end(e.from(f), "a later examination", code, aspect, "", a.name)
		}
	}
	collapse := b.GetLook().GetCollapseOnElevation()
	sign(rule.OutflowSign, aspectCollapse, "the fistula did not collapse when the arm was raised", collapse == absent, collapse == present)
	pulse, thrill, bruit := b.GetFeel().GetBoundingPulse(), b.GetFeel().GetDiscontinuousThrill(), b.GetListen().GetHighPitchedBruit()
	sign(rule.OutflowSign, aspectPulse, "a bounding pulse with a discontinuous thrill or a high-pitched bruit",
		pulse == present && (thrill == present || bruit == present), pulse == absent || thrill == absent && bruit == absent)
	grows := b.GetFeel().GetPulseAugmentation()
	sign(rule.InflowSign, "", "the pulse did not grow when the vein was pressed shut above the fistula", grows == absent, grows == present)
	outflow := pulse == present && (thrill == present || bruit == present)
	look, feel := b.GetLook(), b.GetFeel()
	for _, x := range []struct {
		aspect, seen string
		f            cannularyv1.Finding
		pulse        bool
	}{
		{"swelling", "swelling over the access", look.GetSwelling(), false},
		{"haematoma", "a bruise or haematoma over the access", look.GetHaematoma(), false},
		{aspectAneurysm, "an aneurysm or a growing bulge", look.GetAneurysm(), false},
		{"warmth", "warmth over the access", feel.GetWarmth(), false},
		{"tenderness", "tenderness over the access", feel.GetTenderness(), false},
		{"bounding-pulse", "a bounding pulse", pulse, true},
		{"discontinuous-thrill", "a discontinuous thrill", thrill, true},
		{"high-pitched-bruit", "a high-pitched bruit", bruit, true},
	} {
		sign(rule.ExaminationFinding, x.aspect, x.seen+", found on "+e.date(f), x.f == present && !(x.pulse && outflow), x.f == absent)
	}
}

// series is the running state of the haemostasis of one track.
type series struct {
	before []float64 // the latest twelve before the run, minutes
	run    []reading // values running above the usual
}

func (s series) clone() series { return series{slices.Clip(s.before), slices.Clip(s.run)} }

// usualSeries is the number of sessions that the usual haemostasis is taken over; see
// trend.Usual.
const usualSeries = 12

func (m *machine) haemostasis(e *env, c *course, minutes float64, f *record.Fact, p *protocol.Parameters, date string) {
	m.end(e.from(f), "the haemostasis of "+date, rule.HaemostasisRising, aspectLong, c.name, "")
	if minutes > p.HaemostasisLong {
		m.raise(Finding{Rule: rule.HaemostasisRising, aspect: aspectLong, Track: c.name, Access: c.access, Since: e.from(f),
			Facts: []string{f.ID},
			Seen:  fmt.Sprintf("bleeding stopped only after %g min on %s", minutes, date),
			Asked: fmt.Sprintf("within %g min", p.HaemostasisLong)}, p)
	}
	s := &c.stopping
	usual, known := trend.Usual(s.before)
	if !known || minutes <= usual.Limit {
		m.end(e.from(f), "the haemostasis of "+date, rule.HaemostasisRising, aspectRun, c.name, "")
		for _, r := range s.run {
			s.before = last(s.before, usualSeries, r.value)
		}
		s.before, s.run = last(s.before, usualSeries, minutes), nil
		return
	}
	s.run = append(slices.Clip(s.run), reading{value: minutes, at: f.At, date: date, fact: f.ID})
	if len(s.run) < p.Consecutive || m.stands(rule.HaemostasisRising, aspectRun, c.name, "") != nil {
		return
	}
	m.raise(Finding{Rule: rule.HaemostasisRising, aspect: aspectRun, Track: c.name, Access: c.access, Since: e.from(f), Facts: facts(s.run),
		Seen: fmt.Sprintf("bleeding took longer than usual in %d sessions in a row: %s min; it usually stops after %g min", len(s.run),
			values(s.run), usual.Median),
		Asked: fmt.Sprintf("not above %.3g min in %d sessions in a row", usual.Limit, p.Consecutive)}, p)
}

// facts returns the facts of the readings, newest first, because the newest completes the run.
func facts(list []reading) []string {
	var out []string
	for i := len(list) - 1; i >= 0; i-- {
		out = append(out, list[i].fact)
	}
	return out
}

func values(list []reading) string {
	var out []string
	for _, r := range list {
		out = append(out, fmt.Sprintf("%g", r.value))
	}
	return strings.Join(out, ", ")
}

const (
	// pressureSpeed is the pump speed at which venous pressures are compared, mL/min (from
	// memory: K/DOQI 2000).
	pressureSpeed = 200
	// pressureLook is the number of sessions in one look at the trend (ours).
	pressureLook = 12
	// longestRun is the largest number of sessions in a row that a protocol can ask for.
	longestRun = 10
	// pressureAlpha is the one-sided level of the trend test (ours).
	pressureAlpha = 0.01
)

// pressure folds a session's venous pressure at 200 mL/min.
func (m *machine) pressure(e *env, b *cannularyv1.VenousPressureRead, f *record.Fact) {
	a, p := m.access(b.GetAccess()), e.on(f)
	r := reading{b.GetPressureMmhg(), b.GetGauge(), f.At, e.date(f), f.ID}
	if p.PressureLimit == nil || r.value <= *p.PressureLimit {
		a.above = nil
		m.end(e.from(f), "the reading of "+r.date, rule.PressureRising, aspectLimit, "", a.name)
	} else {
		if len(a.above) > 0 && a.above[0].gauge != r.gauge {
			a.above = nil
		}
		a.above = append(slices.Clip(a.above), r)
		if len(a.above) > longestRun {
			a.above = slices.Clip(a.above[1:])
		}
		if len(a.above) >= p.Consecutive && m.stands(rule.PressureRising, aspectLimit, "", a.name) == nil {
			m.raise(Finding{Rule: rule.PressureRising, aspect: aspectLimit, Access: a.name, Since: e.from(f), Facts: facts(a.above),
				Seen: fmt.Sprintf("venous pressure above the limit in %d sessions in a row: %s mmHg (%d mL/min, %dG)", len(a.above),
					values(a.above), pressureSpeed, r.gauge),
				Asked: fmt.Sprintf("not above %g mmHg in %d sessions in a row", *p.PressureLimit, p.Consecutive)}, &p)
		}
	}
	if len(a.block) > 0 && a.block[0].gauge != r.gauge {
		a.block = nil
	}
	a.block = append(slices.Clip(a.block), r)
	if len(a.block) < pressureLook {
		return
	}
	y := make([]float64, 0, pressureLook)
	for _, x := range a.block {
		y = append(y, x.value)
	}
	look, ok := trend.PressureTrend(y, p.PressureSlope, pressureAlpha)
	block := a.block
	a.block = nil
	if !ok {
		return
	}
	a.look, a.seen = look, f.At
	m.end(e.from(f), "the look of "+r.date, rule.PressureRising, aspectTrend, "", a.name)
	if look.Rising {
		m.raise(Finding{Rule: rule.PressureRising, aspect: aspectTrend, Access: a.name, Since: e.from(f), Facts: facts(block),
			Seen:  fmt.Sprintf("venous pressure rose by %.3g mmHg over twelve sessions (p = %.2g)", look.SlopePerTwelve, look.P),
			Asked: fmt.Sprintf("no rise of %g mmHg or more in twelve sessions, one-sided at %g", p.PressureSlope, pressureAlpha)}, &p)
	}
}

// flow folds a measurement of the access flow, mL/min.
func (m *machine) flow(e *env, b *cannularyv1.AccessFlowMeasured, f *record.Fact) {
	if b.FlowMillilitresPerMinute == nil {
		return
	}
	a, p := m.access(b.GetAccess()), e.on(f)
	r := reading{value: b.GetFlowMillilitresPerMinute(), at: f.At, date: e.date(f), fact: f.ID}
	from := monthsBefore(r.date, flowMonths)
	kept := a.flows[:0:0]
	var highest *reading
	for i := range a.flows {
		x := a.flows[i]
		if x.date < from {
			continue
		}
		kept = append(kept, x)
		if highest == nil || x.value >= highest.value {
			highest = &kept[len(kept)-1]
		}
	}
	judge := func(code string, x Finding) {
		switch {
		case x.Seen == "":
			m.end(e.from(f), "the flow of "+r.date, code, "", "", a.name)
		case m.stands(code, "", "", a.name) == nil:
			x.Rule, x.Access, x.Since = code, a.name, e.from(f)
			m.raise(x, &p)
		}
	}
	var low, falling Finding
	if r.value < float64(p.FlowLow) {
		low = Finding{Facts: []string{f.ID}, Seen: fmt.Sprintf("access flow is low: %g mL/min on %s", r.value, r.date),
			Asked: fmt.Sprintf("at least %d mL/min", p.FlowLow)}
	}
	if highest != nil && r.value < float64(p.FlowFallBelow) && highest.value > 0 &&
		(highest.value-r.value)/highest.value*100 > p.FlowFallPercent {
		falling = Finding{Facts: []string{f.ID, highest.fact}, Seen: fmt.Sprintf("access flow fell from %g mL/min on %s to %g",
			highest.value, highest.date, r.value),
			Asked: fmt.Sprintf("below %d mL/min no fall by more than %g %% within four months", p.FlowFallBelow, p.FlowFallPercent)}
	}
	judge(rule.FlowLow, low)
	judge(rule.FlowFalling, falling)
	a.flows = append(kept, r)
}

// flowMonths is the time, in months, over which a fall of the flow is judged (from memory: KDOQI
// 2006, guideline 4.4).
const flowMonths = 4

func monthsBefore(date string, n int) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return t.AddDate(0, -n, 0).Format(time.DateOnly)
}

// complication folds a complication. A rule judges only infiltrations.
func (m *machine) complication(e *env, b *cannularyv1.ComplicationSeen, st step) {
	f := st.fact
	if b.GetKind() != cannularyv1.ComplicationKind_COMPLICATION_KIND_INFILTRATION {
		return
	}
	x := Finding{Rule: rule.Infiltration, Access: b.GetAccess(), Since: e.from(f), Facts: []string{f.ID},
		Seen: "an infiltration on " + e.date(f), key: st.place}
	if t := b.GetTrack(); t != "" {
		x.Seen += " at track " + t
		if c := m.find(t); c != nil && x.Access == "" {
			x.Access = c.access
		}
		if x.Access == "" {
			x.Track = t
		}
	}
	p := e.on(f)
	rest := treatments(p.InfiltrationRest)
	x.Seen += fmt.Sprintf(": rest the access for %s, then needle above the injury", rest)
	x.Asked = fmt.Sprintf("the access rests for at least %s, the next needle goes above the injury", rest)
	x.Clears = rest + " without a needle in the access"
	x.needs = p.InfiltrationRest
	m.raise(x, &p)
}

func treatments(n int) string {
	if n == 1 {
		return "1 treatment"
	}
	return fmt.Sprintf("%d treatments", n)
}

// rested counts a treatment through another access, or a missed one, as rest for the infiltrated
// ones.
func (m *machine) rested(e *env, used string, st step) {
	f, key := st.fact, st.place
	done := false
	for i := range m.standing {
		x := &m.standing[i]
		if x.Rule == rule.Infiltration && x.key != key && (used == "" || used != x.Access) {
			x.needs--
			done = done || x.needs <= 0
		}
	}
	if done {
		m.clear(e.from(f), "the access has rested", func(x *Finding) bool { return x.Rule == rule.Infiltration && x.needs <= 0 })
	}
}
