package needling

import (
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// findSessions judges each session of the track by the rules that the next one clears.
// Reading: retaken or not, every session of the track is a next one.
func (w *world) findSessions(track string) {
	sessions := w.sessions(track, nil)
	next := map[string]*record.Fact{}
	number := map[string]int{}
	for i, s := range sessions {
		number[s.key] = i + 1
		if i+1 < len(sessions) {
			next[s.key] = sessions[i+1].start()
		}
	}
	steps := w.history(track).steps
	for _, st := range steps {
		if st.takeover != nil {
			continue
		}
		raise := func(code string, severity rule.Severity, aspect string, ground *record.Fact, others ...*record.Fact) {
			w.raise(finding{
				rule: code, severity: severity, track: track, aspect: aspect, ground: ground, others: others,
				ends: next[st.key],
			})
		}
		w.judgeAngles(st, raise)
		w.judgeForming(st, raise)
		w.judgeTips(st, raise)
		w.judgeAttempts(st, raise)
		w.judgePreparations(st, number[st.key], raise)
		w.judgeGauge(st, raise)
		if st.reused {
			raise(rule.ReferenceReused, rule.Caution, "", st.start())
		}
	}
}

type raiser func(code string, severity rule.Severity, aspect string, ground *record.Fact, others ...*record.Fact)

func (w *world) judgeAngles(st step, raise raiser) {
	if !st.rules.NeedsSameAngle {
		return
	}
	for _, a := range st.used() {
		if w.near(a.Says.AngleDegrees, st.reference, st.rules.AngleTolerance) == no {
			raise(rule.AngleDrift, rule.Caution, "", a.Fact)
			break
		}
	}
}

// findRemovals judges the angle of each removal by itself.
func (w *world) findRemovals(track string) {
	sessions := w.sessions(track, nil)
	for _, r := range all[*cannularyv1.NeedleRemoved](w) {
		p := w.rules(r.Fact)
		if r.Says.GetTrack() != track || !p.NeedsSameAngle || w.near(r.Says.AngleDegrees, w.angleAt(track, r.Fact),
			p.AngleTolerance) != no {
			continue
		}
		var next *record.Fact
		for _, s := range sessions {
			if before(r.Fact, s.start()) && (next == nil || before(s.start(), next)) {
				next = s.start()
			}
		}
		w.raise(finding{rule: rule.AngleDrift, severity: rule.Caution, track: track, aspect: "removal", ground: r.Fact, ends: next})
	}
}

// angleAt is the track's reference angle when a fact happens.
func (w *world) angleAt(track string, at *record.Fact) *float64 {
	since, t := w.since(track, at)
	if t != nil {
		return t.Says.AngleDegrees
	}
	switch f := w.founder(since); {
	case f == nil:
		return w.plannedAngle(track, at)
	case sharp(*f):
		return f.Says.AngleDegrees
	}
	return nil
}

// judgeForming judges sharp attempts before the trial.
// Reading: the session that begins the trial is not before it. The first session of a track
// is not asked for spot and path, so these find nothing in it either.
func (w *world) judgeForming(st step, raise raiser) {
	if st.inTrial {
		return
	}
	found := map[string]bool{}
	once := func(code string, ground *record.Fact) {
		if !found[code] {
			found[code] = true
			raise(code, rule.Caution, "", ground)
		}
	}
	for _, a := range st.used() {
		if !sharp(a) {
			continue
		}
		if st.rules.NeedsListed && w.listed(a, st.creator) == no {
			once(rule.UnlistedCannulator, a.Fact)
		}
		if st.rules.NeedsSameSpot && !st.first && a.Says.GetSameSpot() == cannularyv1.Answer_ANSWER_NO {
			once(rule.OffSite, a.Fact)
		}
		if st.rules.NeedsSamePath && !st.first && a.Says.GetNewPath() == cannularyv1.Answer_ANSWER_YES {
			once(rule.OffPath, a.Fact)
		}
	}
}

// rescue is the first sharp needle of a session that began past the trial's beginning.
func (st step) rescue() *entry {
	if st.takeover != nil || !st.pastTrial || st.home.SharpOnly {
		return nil
	}
	for _, a := range st.used() {
		if sharp(a) {
			return &a
		}
	}
	return nil
}

// Reading: the reason of a rescue is that of the ground, the session's first sharp needle.
func (w *world) judgeTips(st step, raise raiser) {
	for _, a := range st.used() {
		early := !st.readyBefore || st.gapOpen || st.home.SharpOnly
		if blunt(a) && !st.inTrial && early && (!st.doubtful || w.mutant == EarlyBluntInDoubt) {
			raise(rule.EarlyBlunt, rule.Caution, "", a.Fact)
			break
		}
	}
	if a := st.rescue(); a != nil {
		severity := rule.Note
		if a.Says.GetRescueReason() == cannularyv1.RescueReason_RESCUE_REASON_UNSPECIFIED {
			severity = rule.Caution
		}
		raise(rule.Rescue, severity, "", a.Fact)
	}
}

// Reading: who first makes one attempt too many is the first who exceeds.
func (w *world) judgeAttempts(st step, raise raiser) {
	by := map[string][]*record.Fact{}
	first := ""
	for _, a := range st.attempts {
		who := staff(a.Says.GetCannulator())
		if who == "" {
			continue
		}
		by[who] = append(by[who], a.Fact)
		if first == "" && len(by[who]) > st.rules.AttemptsMax {
			first = who
		}
	}
	if first != "" {
		raise(rule.AttemptsExceeded, rule.Caution, "", by[first][0], by[first][1:]...)
	}
}

// Reading: contact-short is about preparations; it is judged also of a session in which no
// needle was used.
func (w *world) judgePreparations(st step, number int, raise raiser) {
	preparations := w.preparations(st.session)
	if (number > 1 || st.takenOver || w.mutant == TwoDisinfectionsFirst) && len(st.used()) > 0 {
		done, severity := 0, rule.Note
		var facts []*record.Fact
		for _, p := range preparations {
			facts = append(facts, p.Fact)
			done += len(p.Says.GetDisinfections())
			if p.Says.GetDisinfectionsComplete() == cannularyv1.Answer_ANSWER_YES {
				severity = rule.Caution
			}
		}
		if done < st.rules.DisinfectionsMin {
			raise(rule.SingleDisinfection, severity, "", st.used()[0].Fact, facts...)
		}
	}
	for _, p := range preparations {
		if short(p.Says, st.rules.ChlorhexidineSecs, st.rules.PovidoneSecs) {
			raise(rule.ContactShort, rule.Caution, "", p.Fact)
			break
		}
	}
}

func short(p *cannularyv1.SitePrepared, chlorhexidine, povidone int) bool {
	for _, d := range p.GetDisinfections() {
		if d.ContactSeconds == nil {
			continue
		}
		switch seconds := int(d.GetContactSeconds()); d.GetAgent() {
		case cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL:
			if seconds < chlorhexidine {
				return true
			}
		case cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE:
			if seconds < povidone {
				return true
			}
		}
	}
	return false
}

// Reading: an abandoned final entry is not judged; of several ends (or starts) that tell a
// speed the latest tells it.
func (w *world) judgeGauge(st step, raise raiser) {
	final := st.final()
	if final.Says.Gauge == nil || final.Says.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
		return
	}
	var teller *record.Fact
	var speed uint32
	for _, b := range all[*cannularyv1.SessionStarted](w) {
		if b.Says.GetPumpSpeedMillilitresPerMinute() > 0 && w.belongs(b.Fact, st.session) {
			teller, speed = b.Fact, b.Says.GetPumpSpeedMillilitresPerMinute()
		}
	}
	for _, e := range all[*cannularyv1.SessionEnded](w) {
		if e.Says.GetPumpSpeedMillilitresPerMinute() > 0 && w.belongs(e.Fact, st.session) {
			teller, speed = e.Fact, e.Says.GetPumpSpeedMillilitresPerMinute()
		}
	}
	if teller != nil && !suits(final.Says.GetGauge(), speed) {
		raise(rule.GaugeFlow, rule.Note, "", final.Fact, teller)
	}
}

func suits(gauge, speed uint32) bool {
	switch gauge {
	case 17:
		return speed < 300
	case 16:
		return speed >= 250 && speed <= 350
	case 15:
		return speed >= 350 && speed <= 450
	case 14:
		return speed > 450
	}
	return true
}

// findForming finds what stands until the track is ready or starts again.
// Reading: what a session clears ends at that session's moment, its first attempt. A
// takeover starts counting again; one declared in trial or established is in trial.
func (w *world) findForming(track string) {
	steps := w.history(track).steps
	w.findNovice(track, steps)
	for i, st := range steps {
		if st.takeover != nil {
			continue
		}
		base := finding{track: track, ground: st.start(), severity: rule.Caution}
		if st.pegExtra {
			base.rule, base.ends = rule.PegMissing, over(steps[i:], func(s step) bool { return s.formed || s.restarted && !s.pegsKept })
			w.raise(base)
		}
		if st.gapExtra || st.restarted {
			itself := i
			base.rule, base.ends = rule.GapLong, over(steps[i:], func(s step) bool {
				return s.formed || s.restarted && s.session != steps[itself].session
			})
			w.raise(base)
		}
		if st.counted && !st.wasEasy {
			base.rule, base.severity = rule.HardEntry, rule.Note
			base.ends = over(steps[i+1:], func(s step) bool { return s.lastEasy || s.restarted })
			w.raise(base)
		}
	}
}

// over is the fact of the first of the steps that ends it, that is in trial, or that is a
// takeover.
func over(steps []step, ends func(step) bool) *record.Fact {
	for _, s := range steps {
		if s.takeover != nil || s.inTrial || ends(s) {
			return s.fact()
		}
	}
	return nil
}

// findNovice judges the first needle used in the track.
// Reading: a track is not taken over if it was not by then.
func (w *world) findNovice(track string, steps []step) {
	var first *entry
	var own *session
	for _, s := range w.sessions(track, nil) {
		for _, a := range s.used() {
			if first == nil || before(a.Fact, first.Fact) {
				first, own = &a, s
			}
		}
	}
	if first == nil || own.takenOver || w.ratedCreator(*first, own) {
		return
	}
	f := finding{rule: rule.FirstByNovice, severity: rule.Caution, track: track, ground: first.Fact}
	for _, s := range steps {
		if before(s.fact(), own.start()) {
			continue
		}
		inTrial := s.takeover != nil && s.takeover.Says.GetStage() != cannularyv1.TrackStage_TRACK_STAGE_FORMING
		if inTrial || s.inTrial || s.formed {
			f.ends = s.fact()
			break
		}
	}
	w.raise(f)
}

// ratedCreator reports whether whoever made the attempt was rated to create tracks.
func (w *world) ratedCreator(a entry, s *session) bool {
	var latest *record.Item
	for i := range w.in.Ratings {
		r := &w.in.Ratings[i]
		says, ok := r.Body.(*cannularyv1.CannulatorRated)
		who := staff(says.GetCannulator())
		if !ok || r.Void || !before(&r.Fact, a.Fact) || who == "" || who != staff(a.Says.GetCannulator()) {
			continue
		}
		if latest == nil || before(&latest.Fact, &r.Fact) {
			latest = r
		}
	}
	if latest == nil || latest.Body.(*cannularyv1.CannulatorRated).GetLevel() < cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR {
		return false
	}
	return s.date <= addMonths(w.date(&latest.Fact), s.rules.RatingMonths)
}
