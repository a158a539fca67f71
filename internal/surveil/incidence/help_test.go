package incidence_test

import (
	"math"
	"testing"
)

// failer is a test of this package's kind or rapid's.
type failer interface {
	Helper()
	Errorf(format string, args ...any)
}

func near(t failer, what string, got, want, tolerance float64) {
	t.Helper()
	if got == want { // also infinities
		return
	}
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.10g, want %.10g within %g", what, got, want, tolerance)
	}
}

// digits compares to so many parts of the wanted value.
func digits(t failer, what string, got, want, relative float64) {
	t.Helper()
	near(t, what, got, want, relative*math.Abs(want))
}

// must is the value of a call that may not fail.
func must[V any](v V, err error) func(*testing.T) V {
	return func(t *testing.T) V {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}
