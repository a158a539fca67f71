package fault_test

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"cannulary/internal/fault"
)

func TestAFaultIsOneLineThatSaysWhatWhereAndWhatToDo(t *testing.T) {
	v := fault.Violation{Field: "facts[0].gauge", Description: "must be 13 to 18", Rule: "uint32.gte_lte"}
	whole := fault.Violation{Description: "cannot be read", Rule: "schema.damaged"}
	with := func(f *fault.Error, vs ...fault.Violation) *fault.Error { f.Violations = vs; return f }
	for want, f := range map[string]*fault.Error{
		"the log is full":                                                       fault.New(fault.Full, "the log is full", ""),
		"the log is full. Tell the operator":                                    fault.New(fault.Full, "the log is full", "tell the operator"),
		"refused: facts[0].gauge: must be 13 to 18. Correct it":                 with(fault.New(fault.Invalid, "refused", "correct it"), v),
		"refused: facts[0].gauge: must be 13 to 18; cannot be read. Correct it": with(fault.New(fault.Invalid, "refused", "correct it"), v, whole),
	} {
		if got := f.Error(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestACauseStaysInside(t *testing.T) {
	f := fault.Wrap(fault.Unavailable, io.ErrUnexpectedEOF, "the log did not answer", "try again")
	if got := f.Error(); got != "the log did not answer. Try again" {
		t.Errorf("a caller reads %q", got)
	}
	if got := f.Detail(); got != "the log did not answer. Try again (cause: unexpected EOF)" {
		t.Errorf("an operator reads %q", got)
	}
	if !errors.Is(f, io.ErrUnexpectedEOF) {
		t.Error("the cause is lost")
	}
	if got := fault.New(fault.Full, "full", "wait").Detail(); got != "full. Wait" {
		t.Errorf("without a cause an operator reads %q", got)
	}
}

func TestAsFindsAFaultOrHidesTheError(t *testing.T) {
	f := fault.New(fault.Conflict, "used", "use another")
	if got := fault.As(fmt.Errorf("record: %w", f)); got != f {
		t.Errorf("a wrapped fault becomes %v", got)
	}
	got := fault.As(errors.New("password=secret at /var/lib/x"))
	const want = "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"
	if got.Kind != fault.Internal || got.Error() != want {
		t.Errorf("another error becomes %v: %q", got.Kind, got)
	}
}
