package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// folds measures what a fact costs the fold of one patient with two tracks, after one year
// and after ten: the newest fact, one a week late, and all facts anew, as for one that comes months
// late.
func (b *bench) folds(context.Context) error {
	one, err := regular(1)
	if err != nil {
		return err
	}
	ten, err := regular(10)
	if err != nil {
		return err
	}
	b.say("fold %d facts of one year and %d of ten", len(one), len(ten))
	type measured struct{ newest, week, all float64 }
	measure := func(items []record.Item) (m measured, err error) {
		// The last fact is a needle's removal: it is put in again as one more needle would be.
		newest := items[len(items)-1]
		before := input(items[:len(items)-1])
		var c *track.Follower
		prepare := func() { c = track.NewFollower(before); c.Trim() }
		add := func(it record.Item) {
			if !c.Add([]record.Item{it}, it.At.Add(-4*time.Hour)) {
				err = fmt.Errorf("the facts from %s on are not at hand: all would be folded anew", it.At)
			}
			c.Trim()
			c.Judge(newest.At.Add(time.Hour))
		}
		m.all = microseconds(9, func() {}, func() { track.NewFollower(before).Judge(newest.At.Add(time.Hour)) })
		m.newest = microseconds(40, prepare, func() { add(newest) })
		week := len(items) - 9*3
		late := items[week]
		before = input(append(append([]record.Item(nil), items[:week]...), items[week+1:]...))
		m.week = microseconds(40, prepare, func() { add(late) })
		return m, err
	}
	y, err := measure(one)
	if err != nil {
		return err
	}
	d, err := measure(ten)
	if err != nil {
		return err
	}
	const whole = "all facts of that year folded anew"
	b.add(figure{Name: "fold of the newest fact, 1 year", Value: y.newest, Unit: "µs", Reference: y.all, against: whole,
		goal: ratioAtMost(0.2)})
	const sameYear = "the same after 1 year"
	b.add(figure{Name: "fold of the newest fact, 10 years", Value: d.newest, Unit: "µs", Reference: y.newest, against: sameYear,
		goal: ratioAtMost(2)})
	b.add(figure{Name: "fold of a fact a week late, 1 year", Value: y.week, Unit: "µs", Reference: y.all, against: whole,
		goal: ratioAtMost(0.2)})
	b.add(figure{Name: "fold of a fact a week late, 10 years", Value: d.week, Unit: "µs", Reference: y.week, against: sameYear,
		goal: ratioAtMost(2)})
	b.add(figure{Name: "fold of all facts, 10 years", Value: d.all, Unit: "µs", Reference: y.all, against: whole, goal: ratioAtMost(20)})
	return nil
}

// microseconds is the median time of n runs of f, each after a run of prepare that is not
// timed.
func microseconds(n int, prepare, f func()) float64 {
	var list []float64
	for range n {
		prepare()
		start := time.Now()
		f()
		list = append(list, float64(time.Since(start).Nanoseconds())/1000)
	}
	return quantile(list, 0.5)
}

func input(items []record.Item) track.Input {
	return track.Input{Items: items, Book: protocol.NewBook(nil), Zone: func(string) *time.Location { return time.UTC }}
}

// regular is the record of a patient who comes three times a week: two tracks, formed in
// six sessions and blunt since, with everything recorded.
func regular(years int) ([]record.Item, error) {
	start := time.Date(2015, 1, 5, 7, 0, 0, 0, time.UTC)
	nurse := &v1.StaffIdentifier{System: "https://cannulary.example/staff", Value: "n1"}
	roles := map[string]v1.NeedleRole{"A": v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, "V": v1.NeedleRole_NEEDLE_ROLE_VENOUS}
	var facts []record.Fact
	n := 0
	add := func(at time.Time, session string, f *logv1.Fact) error {
		n++
		ev := &logv1.Event{Id: record.EventID("bench", fmt.Sprint(n)), Source: "bench", SourceMessageId: fmt.Sprint(n),
			Facility: "u", PatientKey: "p",
			OccurredAt: timestamppb.New(at), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{f}}
		if session != "" {
			ev.Session = &v1.SessionReference{System: "urn:bench", Value: session}
		}
		fs, err := record.Facts(ev, uint64(n), at)
		facts = append(facts, fs...)
		return err
	}
	cannulation := func(f *v1.CannulationFact) *logv1.Fact {
		return &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}}
	}
	plan := &v1.TrackPlanned{Access: "F"}
	for _, t := range []string{"A", "V"} {
		plan.Tracks = append(plan.Tracks, &v1.TrackPlan{Track: t, Role: roles[t], AngleDegrees: proto.Float64(25)})
	}
	if err := add(start.Add(-time.Hour), "",
		cannulation(&v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: plan}})); err != nil {
		return nil, err
	}
	for s := range years * 156 {
		at := start.AddDate(0, 0, s/3*7+s%3*2)
		key := fmt.Sprint(s)
		tip := v1.NeedleTip_NEEDLE_TIP_BLUNT
		if s < 6 {
			tip = v1.NeedleTip_NEEDLE_TIP_SHARP
		}
		list := []*logv1.Fact{
			cannulation(&v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "F",
				PumpSpeedMillilitresPerMinute: proto.Uint32(300)}}}),
			{Fact: &logv1.Fact_Assessment{
				Assessment: &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: &v1.AccessExamined{Access: "F",
					Feel: &v1.Feel{Thrill: v1.Finding_FINDING_PRESENT}, Listen: &v1.Listen{Bruit: v1.Finding_FINDING_PRESENT}}}}}},
		}
		for _, t := range []string{"A", "V"} {
			list = append(list,
				cannulation(&v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: &v1.SitePrepared{Track: t,
					Scab:          v1.Removal_REMOVAL_WHOLE,
					Disinfections: []*v1.Disinfection{{}, {}}}}}),
				cannulation(&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{Track: t,
					Access: "F", Role: roles[t], AttemptOrdinal: 1, Tip: tip,
					Gauge: proto.Uint32(16), AngleDegrees: proto.Float64(25 + float64(s%4)), Passes: proto.Uint32(1),
					Resistance: v1.Resistance_RESISTANCE_NONE,
					SameSpot:   v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Cannulator: nurse,
					Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}}}))
		}
		list = append(list,
			&logv1.Fact{Fact: &logv1.Fact_Assessment{
				Assessment: &v1.AssessmentFact{Fact: &v1.AssessmentFact_VenousPressureRead{VenousPressureRead: &v1.VenousPressureRead{
					Access: "F", PressureMmhg: proto.Float64(110 + float64(s*7%13)), PumpSpeedMillilitresPerMinute: proto.Uint32(200),
					Gauge: proto.Uint32(16)}}}}})
		for _, t := range []string{"A", "V"} {
			list = append(list,
				cannulation(&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: &v1.NeedleRemoved{Track: t,
					AngleDegrees: proto.Float64(25), HaemostasisMinutes: proto.Float64(8 + float64(s*5%4))}}}))
		}
		for i, f := range list {
			if err := add(at.Add(time.Duration(i)*20*time.Minute), key, f); err != nil {
				return nil, err
			}
		}
	}
	return record.Effective(facts), nil
}
