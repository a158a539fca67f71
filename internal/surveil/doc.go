// Package surveil counts infections for the unit: which events there were, whose access and
// technique they belong to, how many patient-months and access-days stand beside them, and
// whether a unit's rate has risen. It is a pure function of facts and reads no clock.
//
// The method is that of the CDC NHSN Dialysis Event protocol with its forms 57.502 (event)
// and 57.503 (denominators), as far as we know it; what is ours is marked so. The local
// surveillance guidance prevails.
//
// # One patient
//
// Fold looks at the facts of one patient, all merged identities together, after corrections
// and voids. Dates are local ones at the facility of the fact.
//
//   - Stays: those of package stay. The days of a stay are days of exposure at its facility; the
//     day of leaving is none. Days in hospital are not taken out (ours).
//   - Access in place: from its creation, or its first use if that is earlier, until the day
//     of its retirement, that day included. Of several the one with the highest risk counts,
//     even if it is not used: non-tunneled catheter, tunneled catheter, other access, graft,
//     fistula (form 57.503).
//     Its kind is that of the latest message of its creation, for all days. Retired twice is
//     retired from the first day; under the same name it does not come back. Of several of one
//     risk the first by name.
//   - Constant-site: the patient's highest-risk access is a fistula, and a track in it was
//     needled or taken over (then since the date declared) and is not retired, that day
//     included. An access of unknown kind with a track is taken for a fistula: only a
//     fistula may have one. A track lies where its latest plan or takeover says, else where its
//     latest needle does; an abandoned attempt is no needle in it.
//   - Events: a positive blood culture collected as an outpatient, in an emergency
//     department, or in hospital within one calendar day after admission, dated by its
//     collection; an intravenous antimicrobial start; pus, redness or increased swelling at
//     an access site. Collected in hospital without an admission on record, and where the
//     setting was not recorded, it counts and is named (ours: what is not known never makes
//     a rate look better).
//     A culture counts after any admission of that day or the day before; a discharge ends
//     every stay in hospital before it.
//   - 21 days, a clock of its own for each kind, across months and facilities: a culture is
//     an event if at least 21 days lie since the previous positive blood culture, whether
//     that one was an event or not; signs likewise since the previous signs (their being no
//     event included: ours); an antimicrobial start if at least 21 days lie since the end of
//     every course begun before. A course without an end on record counts as ended on its
//     last known dose and is named (ours).
//   - Signs at the site come from surveillance messages and from examinations: there pus,
//     redness or swelling at a track's site, and pus or redness over the access. Swelling of
//     the limb is none (ours, as in the needling rules).
//   - Classes: bloodstream infection = a culture event. Access-related = its suspected source
//     is the access, uncertain, or not assessed. The latest assessment of the culture stands,
//     else the latest of other positive blood cultures of the same date.
//     Of several cultures of one date those whose setting lets them count come first. Local access infection =
//     signs without an access-related bloodstream infection within 20 days either side (the
//     20 days are ours).
//   - Beside an event stand answers that form 57.502 asks for and that no count rests on: of a start,
//     whether it was vancomycin and whether blood was taken for culture; of a culture, how the
//     organisms of that date's positive blood cultures answered to antimicrobials; of any,
//     whether it led to a stay in hospital, the loss of the access or death. The latest
//     assessment that names the event's fact stands, as a whole (ours).
//   - An event belongs to the facility of the stay on its date, else of its message; to the
//     access and technique on its date; to the tracks in use on its date, or the one that the
//     signs were seen at.
//
// # A facility
//
//   - Nothing counts before the date of the earliest treatment on record there (ours): a
//     roster states stays from long before the record began, in which no event could be
//     recorded. Until a treatment is on record everything counts.
//   - Access-days: each day of each stay, by the access and technique of that day. A
//     patient-month of exposure is 30.44 days.
//   - Census: the month's count of patients dialysed on the first two working days, as the
//     unit sent it (the latest message for the month stands). A working day is one on which
//     the unit dialyses (ours): with a Friday and a Monday as the first two weekdays every
//     Tuesday-Thursday-Saturday patient would be missed.
//   - Census and record disagree where the census and the patients with a stay on a day of
//     it, each once, by the technique of the latest of its days, differ by more than 10 % of the
//     greater and by more than two patients (ours). A patient in hospital on those days is
//     one of the record's and none of the census's. Compared is a month that is over and wholly
//     on record.
//   - Blood cultures are all with a result, negative or positive, of any setting, by the day of
//     their collection and the facility of the stay on it, else of the message (ours). They
//     are in no rate: they separate "none" from "not reported".
//   - A rate is shown for a period only where numerator and denominator are of the same
//     period: a month without a census, and a year with such a month, has no rate per 100
//     patient-months, and says why. A month is over once its last day has ended there. Nor has
//     a month a rate on a working day of which nothing was on record yet: its census is of the
//     whole month, its events are not (ours).
//
// # The sequential signal
//
// The chart of a facility, pattern and class begins on the local date of the message that
// sets its threshold, at 0. Each day adds y ln R − μ (R − 1), with y the events of that day,
// R the increase that it is tuned to, and μ the reference rate times that day's exposure; it
// never falls below 0. At h or more it signals. Facts that come late, corrections and merges
// recompute the sum; but what the chart has once signalled stays until a named person
// acknowledges it, also if its threshold is voided. It then restarts on the next day at
// h/2. An acknowledgement answers all signals of its chart that stand when it arrives; dated
// before the newest of them, it counts as given on that one's day. An event that became known
// after the acknowledgement but is dated before the restart counts on the restart's day: no
// infection is lost to the chart (ours). An acknowledgement without a signal changes nothing; the
// report names it as one that answered nothing.
//
// A threshold that is set anew begins the chart at 0, whatever the former one's sum was; what
// is acknowledged before, in the order of the log, restarts nothing. An event dated before that
// day, and not before the chart's first threshold, counts on the new chart's first day if the
// former one had still to count it: it became known after the acknowledgement of a signal
// whose restart would have come on that day or later, or after the new threshold was set
// (ours). One that was set on the same day before had no day of its own: what it had still to
// count, the new one has.
//
// A signal stays as it was raised. Beside it stands whether, and on which day, the sum reaches
// the threshold by what is known now, between the restart that came before it in the order of
// the log and its acknowledgement.
package surveil
