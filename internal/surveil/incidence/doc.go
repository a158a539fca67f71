// Package incidence has the statistics of infection surveillance in a small unit with few
// events: exact limits of counts and rates, observed against predicted, two rates compared,
// control limits, and a sequential signal with the run lengths that say what it can notice.
// Every function is pure and deterministic. It refuses an argument out of range with an error that
// names the quantity, its range and its value. It never returns NaN unless its comment says so.
//
// Two conventions are used. Exact limits err at most as often as they say. Mid-P counts half of the
// probability of what was seen, and errs as often as it says on average. They disagree near the
// edge. Where this package decides, it decides by exact limits.
//
// There is no u-chart and no g-chart. Three standard deviations of a nearly empty count are no rare
// event: with 0.16 events expected, two events lie beyond them, which chance brings eight times as
// often as the 0.00135 that such a chart is meant for. A g-chart has no lower limit above 0, so it
// never shows events that come too close together.
//
// Sources: Garwood, Biometrika 28:437 (1936) for limits of a count; Lancaster, JASA 56:223
// (1961) for mid-P; Clopper & Pearson, Biometrika 26:404 (1934) for the ratio given the total;
// Spiegelhalter, Statistics in Medicine 24:1185 (2005) for funnel limits; Lucas, Technometrics
// 27:129 (1985) for the Poisson cumulative sum; Brook & Evans, Biometrika 59:539 (1972) for run
// lengths by a Markov chain. All from memory.
package incidence
