package infectioncontrol

import (
	"fmt"
	"strings"

	"cannulary/internal/surveil"
)

// method says in plain words how the figures are computed.
func method() []Sentence {
	return []Sentence{
		{Text: "Events and denominators follow the CDC NHSN Dialysis Event protocol with its forms 57.502 and 57.503, as far as we know " +
			"it; what is marked as ours is not of the protocol. The local surveillance guidance prevails."},
		{Text: fmt.Sprintf("Events are positive blood cultures of outpatients, or of inpatients within 1 day after admission; "+
			"intravenous antimicrobial starts; and pus, redness or increased swelling at an access site. For each kind there are at "+
			"least %d days from one event to the next.", surveil.Clock)},
		{Text: "A bloodstream infection is access-related where its suspected source is the access, uncertain, or not assessed."},
		{Text: fmt.Sprintf("A local access infection is signs at a site without an access-related bloodstream infection within %d days "+
			"either side.", surveil.Near), Ours: true},
		{Text: "Blood cultures with a result are counted beside the rates, positive or negative and wherever collected: without any, no " +
			"infection and no report look the same.", Ours: true},
		{Text: "Of each case the list says what form 57.502 asks for: susceptibilities; of an intravenous start, whether it was " +
			"vancomycin and whether blood was taken for culture; and whether the event led to a stay in hospital, the loss of the access " +
			"or death. The outcomes and the letters of the susceptibilities are from memory of the form. No rate rests on them."},
		{Text: "A patient's signs of one day are listed as one case, whoever reported them.", Ours: true},
		{Text: "The year is compared with the year before by the ratio of both rates per access-day, exact given the total of events; of " +
			"each year it takes the days that are on record.", Ours: true},
		{Text: "Antimicrobial starts are no infections by themselves and stand apart."},
		{Text: "Each patient and day belongs to the access with the highest risk, used or not. Constant-site is a part of the fistulas " +
			"and is never added to them."},
		{Text: "Patient-months are the patients dialysed on the first two working days of the month, as the unit counted them. Where a " +
			"month has no census there is no rate per 100 patient-months, and none for a year with such a month."},
		{Text: "Access-days are all days of all patients from the first treatment on record; the rate per 1,000 access-days does not " +
			"depend on the census. A working day is one on which the unit dialyses. The census is compared with the patients whom the " +
			"record has on its days: they disagree where they differ by more than 10 % and by more than 2 patients.", Ours: true},
		{Text: "Limits are 95 %. Exact limits miss the truth at most 5 times in 100; mid-P limits are narrower and do so about 5 times " +
			"in 100. Decisions are by the exact ones. A p value is twice the smaller one-sided probability."},
		{Text: "The standardised infection ratio is the events by those that the registered reference rates predict; below 1 predicted " +
			"event none is given."},
		{Text: "The sequential signal adds up, day by day, how much better an increased rate explains the events than the reference rate " +
			"does, and never falls below 0. At the threshold it signals until a named person acknowledges it, and goes on at half of the " +
			"threshold. What comes to be known late is counted.", Ours: true},
		{Text: "A new threshold starts the chart again at 0. The former chart stands beside it. What became known too late for the " +
			"former chart counts on the first day of the new one. Name nobody in the text of an acknowledgement: it is " +
			"shown as typed.", Ours: true},
		{Text: "Limits of the days between events are exact, by the gaps before each; while nothing changes, 2.5 % of the gaps lie " +
			"beyond either of them."},
		{Text: "What is not known never makes a rate look better: it counts and is named.", Ours: true},
	}
}

// few is the number of patients below which one event moves every rate much (ours).
const few = 10

// notices returns what the reader must know before any figure.
func notices(w *surveil.Watch, m surveil.Month, r *Report) []string {
	out := []string{}
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if r.Lagging {
		add("This report is not complete: the view is behind the log, and newer facts are missing. Make it again when it has caught up.")
	}
	if !w.Over(m) {
		add("%s is not over: its figures are those up to %s.", m, w.AsOf)
	}
	year := surveil.Year(m)
	switch {
	case w.Since == surveil.First:
		add("No treatment is on record here yet: everything that is known counts.")
	case w.Since > firstWorked(w, year.From):
		add("The record begins on %s, so the year is not whole.", w.Since)
	}
	if n := observed(w, year); n > 0 {
		if average := float64(w.AccessDays(surveil.AllAccess, year)) / float64(n); average < few {
			add("There were %s patients on average in the year: one event more or less changes every rate much. Look at the counts and "+
				"limits, and treat the list of cases as one that may show who the patients are.", one(average))
		}
	}
	events := 0
	for _, x := range r.Rates {
		if x.Window == WindowYear && x.Group == surveil.AllAccess && x.Class != surveil.AccessRelated {
			events += x.Events
		}
	}
	if events == 0 {
		add("No event of any class is on record for %s. That is so if nothing happened. It is also so if results do not arrive. Check "+
			"that the laboratory's results arrive.", year)
	}
	for _, p := range []surveil.Period{year, surveil.One(m)} {
		if c := cultures(w, p); c.Positive+c.Negative == 0 {
			add("No blood culture, positive or negative, is on record for %s: the register cannot tell whether "+
				"there was none or none was reported. \"0 bloodstream infections\" is no result then.", p)
			break // the notice for the year covers the month
		}
	}
	var missing []string
	for _, d := range r.Denominators {
		if d.Census == nil {
			missing = append(missing, d.Month)
		}
	}
	if len(missing) > 0 {
		add("No census is on record for %s.", strings.Join(missing, ", "))
	}
	for _, c := range r.Charts {
		if i := len(c.Former); i > 0 && c.Former[i-1].Until >= surveil.One(m).From.First().String() {
			add("The threshold of a chart was set again on %s: %s, %s. It began at 0.", c.From, techniqueName(c.Technique),
				strings.ToLower(className(c.Class)))
		}
		if c.Standing {
			add("A signal stands: %s, %s.", techniqueName(c.Technique), strings.ToLower(className(c.Class)))
		}
	}
	return append(out, unmatched(w, m)...)
}

// firstWorked returns the first working day of a month. A record that begins on it misses
// nothing of the month.
func firstWorked(w *surveil.Watch, m surveil.Month) surveil.Day {
	if days := w.Calendar.CensusDays(m); len(days) > 0 {
		return days[0]
	}
	return m.First()
}
