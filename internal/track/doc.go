// Package track judges the facts of one patient: what each constant-site track is, which needle
// comes next and why, what was found wrong, and what holds the next needle back. Fold is a pure
// function of facts and protocols. Follower gives the same judgement fact by fact. Neither reads
// a clock or a zone file.
//
// Two people who implement this text must agree on every history. "Ours" marks what no published
// source decides. Package rule and the schema of the protocol name the sources of the numbers.
//
// # What is looked at
//
// The facts of one patient, all merged identities together, after corrections and voids,
// in the order of record.Before. A fact is looked at from its moment on. That is its clinical
// time; of a fact known to the day only (TIME_PRECISION_DAY) it is the start of that local
// day at its facility, while its place in the order is its clinical time, the local noon. A
// lift known to the day works from the end of its day on, after everything of that day.
// Facts of facilities (protocols, cannulators' ratings) are looked at beside them. A fact
// works from its own moment on: a plan, a deputy, an admission or a hold changes nothing
// earlier, except a hold known to the day (see Holds).
//
// # Where the patient is, and which protocol judges
//
// The stay in force at a moment is that of package stay, by the facts looked at so far: the
// stay that holds that local date at its facility, else the last that ended, else the
// facility of the newest plan or roster fact, else that of the newest fact. A patient is
// away (without a stay) if stays are known and none holds the date.
//
// The home protocol of a session is that in force, on the session's moment and its local date
// there, at the facility of the stay in force when the session comes in (the start of a
// treatment or a needle works on the stay first). It decides target, easy entries, gap days and
// sharp-only, and with them whether the track was ready. The place protocol is that of the facility of the
// session's first attempt, on the session's date. It decides all else: who, spot, path,
// angle, pegs, preparation, attempts, ratings, rescues. A plan, a removal, a reading is judged by
// the protocol of its own facility and date; a preparation's scab by the home protocol.
// What is asked for (target, trial length, easy entries, days unused) is judged by the
// protocol of the stay in force at the moment asked for, on its local date there.
//
// # Sessions
//
// A session gathers the attempts in one track:
//
//   - Those under one session reference. If the first and the last of them lie more than 12
//     hours apart, they are one session for each local date (of the attempt, at its
//     facility), and the later ones raise reference-reused.
//   - Attempts without a reference, of one facility and local date, are together. One of the
//     day after joins them if it lies at most 4 hours after one of them. They join a session
//     with a reference of that facility: the earliest of the same local date; else the earliest
//     that has an attempt under the reference at most 4 hours from one of theirs. If there is
//     none, they are a session by themselves. For this, a session with a reference has the
//     place in the order, and the local date (at its facility), of its first attempt under it.
//
// A session is folded at the moment of its first attempt, on that moment's local date at the
// facility of the first attempt. The last attempt is the final entry. An abandoned attempt
// (skin not pierced) is an attempt, but no needle was used.
//
// Facts of other kinds belong to a session by its reference; without one they belong to the
// attempts without one of the same track and local date. A reference that is split in any track
// is split for them: they belong to the session with an attempt under it on their local date.
//
// # Planned, forming, ready
//
//   - A track is there once it was planned, taken over or needled. Its stage is planned until
//     its first session, whatever came of that session.
//   - The first successful entry that is not blunt founds the track: its cannulator is the
//     creator; its angle, direction, bevel and depth are the reference, which the next
//     cannulator repeats. What it does not record stays unknown for good, and so does
//     everything where its tip is not recorded. Direction, bevel and depth that it does not
//     record are shown as the plan's, and named so. A later plan or entry never changes the
//     reference; where a plan says otherwise, both are shown. Before the first entry the
//     plan's values are shown, and its angle is the reference. A track taken over has what
//     the takeover states, else nothing is known: no entry founds it.
//   - Gauge: the newest of the plan's, the takeover's, and that of a successful final entry
//     since the takeover of a session that counts, or that lies in the trial and under no hold.
//   - A session counts if its final entry is sharp and successful, no earlier session of
//     that local date counts or is in doubt, it is not under a hold, and every attempt was
//     made by the creator or a deputy named by then, in the same spot, on no new path (spot
//     and path are not asked of the first session in a track), within the tolerance of the
//     reference angle (boundary included). The place protocol switches each of the last four
//     off, wholly.
//   - Not recorded is not yes. A session that would count but for what is not recorded is in
//     doubt. It does not count. It takes the date: no other session of that date counts. For
//     the rest it is read as the worse of both. If it was not easy, it stands as a hard entry
//     among those that count. If more days lie before it than the restart allows, counting
//     starts again, from nothing. Where only declared sessions count so far, which have no
//     date, the gap runs from it. Without this, leaving out a detail could make a track ready.
//   - Gap: local calendar days between consecutive counted sessions. More than
//     gap_extra_days: one more session. More than gap_restart_days: the later session is
//     number 1, and earlier extras and entries are dropped. If a session in doubt lies in that
//     gap, extras for pegs stay, with their findings: had it counted, there might be no restart.
//   - Pegs, where the place protocol uses them: when a session starts whose final entry
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
//   - The first session whose final entry is blunt and successful begins the trial, if at its
//     start the track was ready by the home protocol, that is not sharp-only, and at most
//     gap_extra_days have passed since the last counted session. From then on nothing counts
//     towards the target.
//   - In the trial and after, each session whose final entry is blunt and successful
//     lengthens the streak, once per local date within one streak, unless it is under a hold or in
//     doubt because of one. Any used needle in it that was not blunt, or not successful, first
//     ends the streak. The streak's best reaching trial_sessions of the day asked for
//     establishes the track, for good.
//   - Sharp-only days, by the home protocol. Before the trial a session on such a day is folded
//     as a forming one. A final entry that is not both sharp and successful ends the streak. One
//     that is both lengthens it, once per local date, if the track was ready at the session's
//     start and the session is neither under a hold nor in doubt because of one; else the streak
//     stays. A session before the trial on a day that is not sharp-only ends the streak and
//     forgets its best. In the trial a final entry that is successful, sharp or blunt, lengthens
//     the streak by the same conditions on date and hold, and any other ends it. Established
//     when the streak's best reached trial_sessions and the track is ready or in trial, by the
//     protocol of the day asked for.
//   - Rests: the latest of rest and resume decides; a rest with a date ends on that local
//     day. Retirement, of the track or of its access, is final. A track on an access that is
//     retired already is retired with it, also if that access is created again. The stage shown
//     is retired, else resting, else what was folded.
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
//     rescue, attempts-exceeded, single-disinfection, contact-short, gauge-flow,
//     reference-reused) are judged at
//     each session of the track, at most one finding per rule and session; the next session of the
//     track clears those of the last. Each removal is judged for angle-drift by itself, and
//     cleared by the next session that begins after it.
//     Abandoned attempts are left out of all but attempts-exceeded. off-site, off-path and
//     unlisted-cannulator are judged of sharp attempts in sessions before the trial, where
//     the protocol asks for them and the answer is known: a known other spot, a known new
//     path, a recorded cannulator who is neither the known creator nor a deputy.
//     angle-drift is judged of every recorded angle where the reference is known and the
//     protocol asks for the same angle.
//     early-blunt: a used blunt needle before the trial in a session that is sharp-only, or at
//     whose start the track was not ready, or more than gap_extra_days had passed since the
//     last counted session; but not in a session in doubt because of a hold.
//     rescue: a sharp needle in a session that began past the trial's beginning, unless the
//     protocol is sharp-only. attempts-exceeded: more than attempts_max attempts by one recorded
//     cannulator.
//     single-disinfection: from the second session in the track on (of a track taken over,
//     from the first), if a needle was used: fewer than disinfections_min in the session's
//     preparations of the track; a caution where one of them says that its list is complete,
//     else a note. contact-short: any disinfection with a known shorter time. gauge-flow: the
//     gauge of the final entry, if used, against the pump speed above 0 stated at the session's end, else at its
//     start; 13G and 18G stand in no table and are not judged. Facts without a session
//     reference belong to the attempts without one of the same track and local date, and make
//     one session in what follows as well. reference-reused: at each session but the first of
//     a reference that is split.
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
//     it stands, on its local date, with no attempt in that session yet, no needle is offered;
//     nor on the day after, while a session that has a reference has no end on record after
//     the preparation.
//   - needled-under-hold: at a session under a hold (see Holds), unless such a finding of the
//     track stands; of an attempt in no track, of the access that it names, likewise. Cleared
//     when no hold, and no stop of unused-long, is on the track (the access) any more.
//   - unused-long (two aspects), of a track in the trial or after. It is silent while the track
//     rests or is retired, while the patient is away, and on days on which the protocol of the
//     stay in force is sharp-only: then neither aspect stands, and none begins. A date is
//     that at the stay in force. Both aspects are judged for every date: by what was known
//     before the first fact of the date, again before and after each fact, and at the moment
//     asked for. What begins, begins with the first instant of the date.
//     Caution: more than unused_caution_days after the date of the last used needle in the
//     track (its attempt, at the stay in force when its session comes in), else of the
//     takeover. It stands, silence aside, until a used needle or a takeover.
//     Stop: more than unused_stop_days after that date, and after the closing of the review
//     that ended the stop before, if no needle was used since. It stands, silence aside, until
//     a review of the track (or of its access) is closed, whatever is needled, or a takeover.
//     With a stop no needle is offered.
//   - examination-finding, per access (aspects: swelling, haematoma, aneurysm, warmth,
//     tenderness, bounding pulse, discontinuous thrill, high-pitched bruit): at an
//     examination that finds the sign over the access, unless it stands already. The last
//     three not where the examination shows an outflow sign of the pulse. Cleared by an
//     examination that records the sign absent. The closing of a review of the access makes
//     a standing aneurysm a note.
//   - access-restated, per access (aspects: kind, side): at a creation of an access that states
//     another known kind or side than the latest one before that stated one. It goes when one of both is
//     corrected or voided; retirement of the access clears it.
//   - outflow-sign (two aspects: no collapse; bounding pulse with discontinuous thrill or
//     high-pitched bruit), inflow-sign: at an examination that finds it, unless it stands
//     already. Cleared by an examination that finds the aspect gone (collapse present; pulse
//     not bounding, or neither discontinuous nor high-pitched; augmentation present).
//   - haemostasis-rising (two aspects): one value per session and track, the longest recorded.
//     Long: a value above haemostasis_long_minutes; cleared by the next session's value. Run:
//     values above the usual on consecutive_sessions recorded sessions in a row; unless it stands
//     already; the usual is that of the twelve recorded before the run, at least six (trend.Usual); cleared by the next value within it.
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
// entry, with the fact that states the speed; attempts-exceeded: the first attempt of the first
// cannulator who exceeds, with the other attempts of that one; reference-reused: the first
// attempt); of needled-under-hold the first used attempt under the hold; of unused-long the last used
// attempt, else the takeover; of gap-long, peg-missing and
// hard-entry the session's first attempt; of rescue-repeat the newest rescue's ground, with
// those of the others; of a run the fact that completes it, with the others of the run; of a
// look its twelfth reading, with the others; of flow-falling the measurement, with the
// highest before (the latest of several); of not-a-fistula the plan or takeover, with the
// fact that states the kind, since the later of both; else the one fact. Place in the id:
// "track NAME" or "access NAME", for a finding with aspects followed by a space and
// the aspect: collapse, pulse; long, run; limit, trend; removal (angle-drift). In the id of
// unused-long another fact stands for the ground: the takeover, or the used attempt that ended
// the caution before, or else the track's first used attempt. So a run of use that goes on while
// its history arrives has one finding, and not one after each session.
//
// # Holds
//
// One per ground: id = record.HoldID(rule, ground fact). Every version of the fact that would
// hold something does, also one that was corrected or voided: the hold covers what any of
// them held, and is open from the earliest of them on until the first lift that names it
// and is not earlier than the latest of them. It is marked "ground withdrawn" where the
// version that stands (if one does) would hold nothing. A lift may name several holds, and
// lifts only those. A correction of the ground that brings in a place which no content of the
// fact asserted before it names is lifted by no lift before its asserted_at: whoever lifted the
// hold did not know that place (ours). The places of a bacteraemia follow from the tracks and are
// left out of this.
//
// A hold is on the tracks that it names, and on the tracks of the accesses that it names. A
// hold on an access is also on every track whose access is not known, unless the held access
// is known to be no fistula, or is retired. A hold on a track keeps it from being ready and
// from every needle.
//
// A session is under a hold if, at the moment of one of its used attempts, a hold on its track
// is open, by the facts so far, or a stop of unused-long stands. (So a later
// attempt can put the whole session under a hold.) It counts for no target, no trial and no
// streak; all else is judged as ever. A hold says in how many treatments a needle was used under
// it, and on which local date last: a treatment is a reference (with the date, where it is split
// in any track), else a facility and local date.
//
// A ground known to the day opens its hold at the start of its local day, as far as its place
// in the order lets it be seen: what comes after it finds the hold open. A session with a
// used attempt in that day is in doubt because of it, and not under it, if the hold is on its
// track when the ground comes in, or when the attempt comes in. It counts for no target, no
// trial and no streak, and takes the date as any session in doubt. needled-under-hold and
// early-blunt are not raised of it. A session that is also under another hold is under that one.
// Only a lift at or after the end of the day lifts the hold.
//
// Holds of one rule on the same places, whose grounds have the same local date at their
// facility, are shown and counted as one while they are open (Shown). Each keeps its own id.
//
// # The next needle
//
// None: retired; a hold; resting; a stop of unused-long; a scab to be removed. Sharp: planned, forming; sharp-only;
// ready, but more than gap_extra_days have passed since the last counted session: the fold
// judges a gap when a session ends it, but a blunt needle into a track that by the same
// rule would need another sharp session first is not offered (ours, the safer reading; the
// stage stays ready). Blunt: ready, trial, established.
//
// # Contradictions
//
// The reason for the next needle begins with what of the record cannot be true together (ours). It
// changes no needle, because nobody knows which of the two is wrong:
//
//   - the last used needle of the track names another access than that on which the track lies;
//   - a takeover declares the trial or more of a track whose first session this record has, and
//     which had no trial by it; until a session follows the takeover;
//   - where no hold is on the track: an open hold names a track that is not there, or an access
//     that nobody created, needled or dialysed through, and on which no track lies.
package track
