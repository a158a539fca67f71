// Package track is the fold that the record exists for: from the facts of one patient to
// what each constant-site track is today, how many sharp sessions it has behind it, and
// which needle comes next. It is a pure function of facts and protocols.
//
// It judges the plain course: counting, gaps, pegs, easy entries, readiness, trial,
// establishment, rest, retirement, and holds that a person placed. It does not read the
// examination: whoever shows its answer must say so.
package track
