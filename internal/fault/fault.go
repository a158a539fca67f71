// Package fault holds the one error type that crosses the program's borders. It says
// what is wrong, where, and what to do; the gRPC and the HTTP adapter each map it to
// their own form. An error that is not a fault is internal: its text is logged and never
// sent to a caller.
package fault

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
)

// Kind says what a caller may do about a fault.
type Kind int

// The kinds.
const (
	// Internal is a failure of the program; the caller can only try again or call for help.
	Internal Kind = iota
	// Invalid is a message that cannot be true or cannot be read: sending it again will not help.
	Invalid
	// Precondition is a message that names something that does not exist here yet.
	Precondition
	// Conflict is a message whose id was used before with other content.
	Conflict
	// NotFound is a thing that was never here.
	NotFound
	// Gone is a thing that was here.
	Gone
	// Full says that the log or a quota has no room.
	Full
	// Unavailable is passing: try again.
	Unavailable
	// Unsupported asks for something that this program does not do.
	Unsupported
	// TooLarge is a message above the limit.
	TooLarge
	// Early is a message of a time that has not come by this machine's clock: once the clocks agree, the same
	// message may be sent again.
	Early
	// Unauthenticated is a caller who did not show who they are.
	Unauthenticated
	// Denied is a caller who may not do this.
	Denied
	// Limited is a caller who asks for more than their share: try again a little later.
	Limited
	// Kinds is how many there are.
	Kinds
)

// kinds are the names of the kinds, for logs and figures.
var kinds = [Kinds]string{
	Internal: "internal", Invalid: "invalid", Precondition: "precondition", Conflict: "conflict", NotFound: "not-found",
	Gone: "gone", Full: "full", Unavailable: "unavailable", Unsupported: "unsupported", TooLarge: "too-large", Early: "early",
	Unauthenticated: "unauthenticated", Denied: "denied", Limited: "limited",
}

// String is the kind's name.
func (k Kind) String() string {
	if k < 0 || k >= Kinds {
		return "internal"
	}
	return kinds[k]
}

// Violation is one thing wrong with one field.
type Violation struct {
	// Field is the path from the request, for instance "facts[0].needle_inserted.gauge".
	Field string
	// Description says what is wrong and what is allowed.
	Description string
	// Rule is the constraint's id, for programs.
	Rule string
}

// Error is a fault.
type Error struct {
	Kind       Kind
	What       string // what is wrong and where, one sentence
	Do         string // what to do about it
	Violations []Violation
	Err        error // the cause, for the log only
}

// New makes a fault: what is wrong and where, and what to do about it.
func New(kind Kind, what, do string) *Error { return &Error{Kind: kind, What: what, Do: do} }

// Wrap makes a fault of an error whose text stays inside.
func Wrap(kind Kind, err error, what, do string) *Error {
	return &Error{Kind: kind, What: what, Do: do, Err: err}
}

// Facility is the fault of a question about a facility that is not among the known ones, or about none.
func Facility(asked string, known []string) *Error {
	do := "choose one of: " + cmp.Or(strings.Join(known, ", "), "none is registered yet")
	if asked == "" {
		return New(Invalid, "the facility is not named", do)
	}
	return New(NotFound, fmt.Sprintf("facility %.64q is not registered here", asked), do)
}

// Error is one line: what, where, what to do.
func (e *Error) Error() string {
	s := e.What
	if len(e.Violations) > 0 {
		parts := make([]string, 0, len(e.Violations))
		for _, v := range e.Violations {
			parts = append(parts, strings.TrimPrefix(v.Field+": "+v.Description, ": "))
		}
		s += ": " + strings.Join(parts, "; ")
	}
	if e.Do != "" {
		s += ". " + strings.ToUpper(e.Do[:1]) + e.Do[1:]
	}
	return s
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Detail is the line for the operator's log, cause included.
func (e *Error) Detail() string {
	if e.Err == nil {
		return e.Error()
	}
	return fmt.Sprintf("%s (cause: %v)", e.Error(), e.Err)
}

// As finds the fault in err; anything else becomes an internal one with its text hidden.
func As(err error) *Error {
	if f, ok := errors.AsType[*Error](err); ok {
		return f
	}
	return Wrap(Internal, err, "the service failed to answer", "try again; if it stays, tell the operator, whose log has the cause")
}
