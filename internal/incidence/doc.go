// Package incidence has the statistics of infection surveillance in a small unit with few
// events: exact limits of counts and rates, observed against predicted, two rates compared,
// control limits, and a sequential signal with the run lengths that say what it can notice.
// Every function is pure and deterministic. What it is given out of range it refuses with an
// error that names the quantity, its range and what it was; what it answers is never NaN
// unless its comment says so.
//
// Two conventions run through: exact, whose error is at most what it says, and mid-P, which
// counts half of the probability of what was seen and errs as often as it says on average.
// They disagree near the edge. Where this package decides, it decides by exact.
//
// Sources: Garwood, Biometrika 28:437 (1936) for limits of a count; Lancaster, JASA 56:223
// (1961) for mid-P; Clopper & Pearson, Biometrika 26:404 (1934) for the ratio given the total;
// Spiegelhalter, Statistics in Medicine 24:1185 (2005) for funnel limits; NIST/SEMATECH
// e-Handbook 6.3.3.1 for the u-chart; Benneyan, Health Care Management Science 4:305 (2001)
// for the g-chart; Nelson, Journal of Quality Technology 26:239 (1994) for times between
// events; Lucas, Technometrics 27:129 (1985) for the Poisson cumulative sum; Brook & Evans,
// Biometrika 59:539 (1972) for run lengths by a Markov chain. All from memory.
package incidence
