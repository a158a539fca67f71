package incidence

import "errors"

// ErrFewPredicted says why there is no ratio to the predicted number.
var ErrFewPredicted = errors.New("no ratio is given: fewer than one event was predicted, and against so few a single event looks like a " +
	"multiple; look at the count and its limits instead")

// SIR is the standardised infection ratio: observed events divided by predicted ones.
type SIR struct {
	Predicted float64 // at least 1
	Value     float64 // Observed / Predicted, as are the limits
	Level     float64 // as in Count
	Exact     Limits  // Garwood 1936, the predicted number taken as known
	MidP      Limits
	Test      Test // against a ratio of 1
}

// ObservedToPredicted returns the ratio at a level of confidence. Below one predicted event it
// returns ErrFewPredicted (the rule of the public-health method, from memory).
func ObservedToPredicted(observed int, predicted, level float64) (SIR, error) {
	if err := checkRange("the predicted number of events", predicted, 0, mostMean); err != nil {
		return SIR{}, err
	}
	c, err := CountLimits(observed, level)
	if err != nil {
		return SIR{}, err
	}
	if predicted < 1 {
		return SIR{}, ErrFewPredicted
	}
	return SIR{
		Predicted: predicted, Level: level,
		Value: float64(observed) / predicted, Exact: c.Exact.times(1 / predicted), MidP: c.MidP.times(1 / predicted),
		Test: test(atLeast(observed, predicted), atMost(observed, predicted), exactly(observed, predicted)),
	}, nil
}
