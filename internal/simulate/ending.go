package simulate

import v1 "cannulary/proto/cannulary/v1"

// shortestForEndings is the shortest period, in days, in which a course is timed by its end.
const shortestForEndings = 50

// ending is the stage in which the patient's tracks stand when the period ends, where their
// course is timed for that: ready, forming, planned, trial in turn.
func (p *patient) ending() (v1.TrackStage, bool) {
	n := p.ordinal()
	if k := n % 12; p.generation > 0 || p.u.days < shortestForEndings || k != 5 && k != 10 {
		return 0, false
	}
	turn := n/12*2 + p.u.no*2
	if n%12 == 10 {
		turn++
	}
	return []v1.TrackStage{
		v1.TrackStage_TRACK_STAGE_READY, v1.TrackStage_TRACK_STAGE_FORMING,
		v1.TrackStage_TRACK_STAGE_PLANNED, v1.TrackStage_TRACK_STAGE_TRIAL,
	}[turn%4], true
}

// formsAt is how many treatments before the period's end the tracks are begun.
func (p *patient) formsAt(stage v1.TrackStage) int {
	sharp := max(6, p.u.formingTarget(p.u.days-1))
	switch stage {
	case v1.TrackStage_TRACK_STAGE_FORMING:
		return 4
	case v1.TrackStage_TRACK_STAGE_READY:
		return sharp
	case v1.TrackStage_TRACK_STAGE_TRIAL:
		return sharp + 2
	}
	return 0
}

// treatments are the days from one on, before the end, on which the patient is due and the
// unit dialyses.
func (p *patient) treatments(from int) []int {
	var days []int
	for d := max(0, from); d < p.u.days; d++ {
		if p.due(d) && p.u.working(d) {
			days = append(days, d)
		}
	}
	return days
}

// planEnding puts the making of the tracks on the agenda of the day that brings them to the
// stage at the end.
func (p *patient) planEnding(day int, stage v1.TrackStage) {
	days := p.treatments(day + 1)
	if len(days) == 0 {
		return
	}
	p.steady = true
	if stage == v1.TrackStage_TRACK_STAGE_PLANNED {
		p.planAfter = days[len(days)-1]
		return
	}
	p.plan(days[max(0, len(days)-p.formsAt(stage))], p.planPair)
}
