// Package track is the judgement that the record exists for: from the facts of one patient
// to what each constant-site track is, which needle comes next and why, what was found
// wrong, and what holds the next needle back. It is a pure function of facts and protocols
// (Fold); Chart folds the same thing fact by fact. It reads no clock and no zone files.
//
// Two people who implement this must agree on every history, so here it is exactly. "Ours"
// marks what no published source decides; the sources of the numbers stand in package rule
// and in the schema of the protocol.
//
// # What is looked at
//
// The facts of one patient, all merged identities together, after corrections and voids,
// whose clinical time is not after the moment asked for, in the order of record.Before.
// Facts of facilities (protocols, cannulators' ratings) are looked at beside them. A fact
// works from its own moment on: a plan, a deputy or a hold changes nothing earlier.
//
// # Sessions
//
// The attempts in one track under one session reference are one session of that track, at
// the moment of its first attempt, on that moment's local date at the facility of the first
// attempt, under the protocol of that facility and date. Without a reference each attempt
// is a session by itself. The last attempt is the final entry. An abandoned attempt (skin
// not pierced) is an attempt, but no needle was used.
//
// # Planned, forming, ready
//
//   - A track is there once it was planned, taken over or needled, and planned until its first
//     session, whatever came of that.
//   - The first successful entry that is not blunt founds the track: its cannulator is the
//     creator, its angle the reference angle. What it does not record stays unknown for
//     good, and so does everything where its tip is not recorded: neither the plan's angle
//     nor a later entry steps in, since with either a session could count that would not if
//     the entry had been recorded. Before that, the plan's angle is the reference. A track
//     taken over has the declared creator, and the declared angle where there is one, else
//     that of the first successful entry recorded here.
//   - A session counts if its final entry is sharp and successful, no earlier session of
//     that local date counts or is in doubt, and every attempt was made by the creator or a deputy
//     named by then, in the same spot, on no new path (spot and path are not asked of the
//     first session in a track), within the tolerance of the reference angle (boundary
//     included). The protocol of the day switches each of the last four off, wholly.
//   - Not recorded is not yes. A session that would count but for what is not recorded is in
//     doubt: it does not count, takes the date, and is read as the worse of both: if it was
//     not easy it stands as a hard entry among those that count; if more days lie before it
//     than the restart allows, counting starts again, from nothing; where only declared
//     sessions count so far, which have no date, the gap runs from it. Without this, leaving
//     out a detail could make a track ready.
//   - Gap: local calendar days between consecutive counted sessions. More than
//     gap_extra_days: one more session. More than gap_restart_days: the later session is
//     number 1, earlier extras and entries are dropped; but where a session in doubt lies in
//     that gap, extras for pegs stay, with their findings: had it counted, there might be no restart.
//   - Pegs, where the protocol of the day uses them: when a session starts whose final entry
//     is not blunt, before the trial, and an earlier such session is known: if no peg is
//     recorded as placed after that session's first attempt and before this one's, or none
//     as found after that session's first attempt and not after this one's final entry, one
//     more session. A peg is found by its removal, or by a preparation that names what
//     became of it (whole, in part, not removed). "None present", unknown and not recorded
//     find none. At most one extra per interval.
//   - A counted entry is easy: one attempt, one pass, no resistance.
//   - Target = max(6, protocol, plan); needed = target + extras. Ready = counted ≥ needed,
//     the last easy_entries_needed counted entries easy, no hold on track or access.
//
// # Trial and after
//
//   - The first session whose final entry is blunt and successful, while the track was ready
//     at its start by the protocol of the day, and unless that protocol is sharp-only, begins
//     the trial. From then on nothing counts towards the target.
//   - In the trial and after, each session whose final entry is blunt and successful
//     lengthens the streak, once per local date within one streak. Any used needle in it that
//     was not blunt, or not successful, first ends the streak. The streak's best reaching trial_sessions of
//     the day asked for establishes the track, for good.
//   - Sharp-only days. Before the trial a session on such a day is folded as a forming one; a
//     final entry that is sharp and successful lengthens the streak, once per local date, if
//     the track was ready at the session's start; anything else ends it. A session before the
//     trial on another day ends it too, its best included. In the trial a final entry that is
//     successful, sharp or blunt, lengthens the streak, anything else ends it. Established when
//     the streak reached trial_sessions and the track is ready or in trial, by the protocol of
//     the day asked for.
//   - Rests: the latest of rest and resume decides; a rest with a date ends on that local
//     day. Retirement, of the track or of its access, is final; a track on
//     an access that is retired already is retired with it. The stage shown is retired,
//     else resting, else what was folded.
//   - Taken over: the fold starts anew at that moment, at the declared stage. What was found
//     before it in the track is cleared, holds aside; haemostasis and rescues are still known.
//
// # Findings
//
// Each rule of package rule raises findings. A finding has an id that is a hash of rule,
// place and the fact it rests on, stands from that fact's moment on, and ends (is cleared)
// as follows; a finding whose ground is corrected or voided is not there at all.
//
//   - Plan rules (spacing, anastomosis, angle-unusual) are judged at each plan of the track;
//     the next plan of the track, or its takeover, clears them. Distances are of the needle
//     tips as measured. The site of a track taken over is judged for the anastomosis.
//   - Session rules (angle-drift, unlisted-cannulator, off-site, off-path, early-blunt,
//     rescue, attempts-exceeded, single-disinfection, contact-short, gauge-flow) are judged at
//     each session of the track, at most one finding per rule and session; the next session of the
//     track clears those of the last. Each removal is judged for angle-drift by itself, and
//     cleared by the next session that begins after it.
//     Abandoned attempts are left out of all but attempts-exceeded. off-site, off-path and
//     unlisted-cannulator are judged of sharp attempts in sessions before the trial, where
//     the protocol asks for them and the answer is known: a known other spot, a known new
//     path, a recorded cannulator who is neither the known creator nor a deputy.
//     angle-drift is judged of every recorded angle where the reference is known and the
//     protocol of the day asks for the same angle.
//     early-blunt: a blunt needle before the trial in a session at whose start the track was
//     not ready, or that is sharp-only. rescue: a sharp needle in a session that began past
//     the trial's beginning, unless the protocol is sharp-only. attempts-exceeded: more than
//     attempts_max attempts by one recorded cannulator.
//     single-disinfection: from the second session in the track on (of a track taken over,
//     from the first), if a needle was used: fewer than disinfections_min in the session's
//     preparations of the track; a caution where one of them says that its list is complete,
//     else a note. contact-short: any disinfection with a known shorter time. gauge-flow: the
//     gauge of the final entry, if used, against the pump speed above 0 told at the session's end, else at its
//     start; 13G and 18G stand in no table and are not judged. Facts without a session
//     reference belong to the attempts without one of the same track and local date, and make one session
//     in what follows as well.
//   - first-by-novice: the first used needle in a track that was not taken over, if its
//     cannulator is not recorded, not rated as a creator by the latest rating at that moment,
//     or rated more than rating_valid_months before that local date. Cleared when the track
//     is ready after a session (holds aside), or in trial.
//   - gap-long, peg-missing: with each extra and each restart. Cleared when the track is
//     ready after a session (holds aside), when counting starts again, or at the trial.
//   - hard-entry: a counted session that was not easy. Cleared when the last entries are easy
//     after a session, when counting starts again, or at the trial.
//   - rescue-repeat: at a session with a rescue, if rescue_repeat_count sessions with one,
//     it included, lie within rescue_window_days before its date, both ends included (28 days
//     apart is within: the safer reading). Cleared by the next such finding, by a review of
//     the track (else of its access) that is closed, and by the calendar: with the first local
//     date at the session's facility that begins with fewer in the window that ends with it.
//   - scab-incomplete: a preparation that leaves the scab in part or whole, unless such a
//     finding of that session stands already, while the next
//     needle is blunt (trial or ready by the protocol of the day, not sharp-only, no hold
//     looked at). Cleared by a later preparation of the same session that takes it off whole
//     or finds none, and by a preparation or session of the track in another session. While
//     it stands, on its local date, with no attempt in that session yet, no needle is offered.
//   - outflow-sign (two aspects: no collapse; bounding pulse with discontinuous thrill or
//     high-pitched bruit), inflow-sign: at an examination that finds it, unless it stands
//     already. Cleared by an examination that finds the aspect gone (collapse present; pulse
//     not bounding, or neither discontinuous nor high-pitched; augmentation present).
//   - haemostasis-rising (two aspects): one value per session and track, the longest recorded.
//     Long: a value above haemostasis_long_minutes; cleared by the next session's value. Run: values above the usual on consecutive_sessions recorded sessions running;
//     unless it stands already; the usual is that of the twelve recorded before the run, at
//     least six (trend.Usual); cleared by the next value within it.
//   - pressure-rising (two aspects), per access, of readings at a pump speed of exactly 200
//     mL/min with a known gauge, one per session, the highest. Limit: consecutive_sessions
//     readings running above the unit's limit with one gauge, unless it stands already;
//     cleared by a reading that is not above it. Trend: every twelve sessions of one gauge are one look, a change of
//     gauge begins a new one (trend.PressureTrend, one-sided 0.01); cleared by the next look.
//   - flow-low, flow-falling, per access: at a measurement, unless it stands already; cleared
//     by the next measurement that does not show it. Falling: below
//     flow_fall_below_millilitres_per_minute and more than flow_fall_percent below the
//     highest measured within the four calendar months before.
//   - infiltration: at a complication of that kind, about its access, or that of the track it
//     names (about the track where no access is known). Cleared once infiltration_rest_sessions
//     treatments of later sessions were started through another access, or missed.
//   - thrill-absent (thrill or bruit absent), skin-at-risk (at the access or at a site),
//     site-infection (pus, redness or swelling at a site; pus or redness over the access, and
//     signs at no named track, hold the access), bacteraemia (S. aureus in a blood culture
//     while a track of the patient is past planned and not retired; it holds the accesses of
//     those tracks, and those of which no access is known): each opens a hold and stands until it is lifted.
//   - not-a-fistula: whenever the kind of a track's access is known and is no fistula; the
//     track is held as long as that is so and it is not retired. It cannot be lifted. A kind
//     that is not recorded is said on the card and holds nothing.
//   - Retirement of a track clears its findings, retirement of an access those of the access,
//     holds and their findings aside.
//
// Grounds: of a session rule the first attempt that shows it (single-disinfection: the first
// used attempt, with the preparations; contact-short: the preparation; gauge-flow: the final
// entry, with the fact that told the speed; attempts-exceeded: the first attempt of the first
// cannulator who exceeds, with the other attempts of that one); of gap-long, peg-missing and
// hard-entry the session's first attempt; of rescue-repeat the newest rescue's ground, with
// those of the others; of a run the fact that completes it, with the others of the run; of a
// look its twelfth reading, with the others; of flow-falling the measurement, with the
// highest before (the latest of several); of not-a-fistula the plan or takeover, with the
// fact that told the kind, since the later of both; else the one fact. Place in the id:
// "track NAME" or "access NAME", for a finding with aspects followed by a space and
// the aspect: collapse, pulse; long, run; limit, trend; removal (angle-drift).
//
// # Holds
//
// One per ground: id = record.HoldID(rule, ground fact). Every version of the fact that would
// hold something does, also one that was corrected or voided: the hold covers what any of
// them held, and is open from the earliest of them on until the first lift that names it
// and is not earlier than the latest of them. It is marked "ground withdrawn" where the
// version that stands (if one does) would hold nothing. A hold on a track or its access keeps it from being ready and from every
// needle.
//
// # The next needle
//
// None: retired; a hold; a scab to be removed; resting. Sharp: planned, forming; sharp-only;
// ready, but more than gap_extra_days have passed since the last counted session: the fold
// judges a gap when a session ends it, but a blunt needle into a track that by the same
// rule would need another sharp session first is not offered (ours, the safer reading; the
// stage stays ready). Blunt: ready, trial, established.
package track
