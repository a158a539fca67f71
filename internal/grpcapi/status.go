package grpcapi

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"cannulary/internal/fault"
)

// codeOf maps a fault's kind to a gRPC code.
func codeOf(k fault.Kind) codes.Code {
	switch k {
	case fault.Invalid, fault.TooLarge:
		return codes.InvalidArgument
	case fault.Precondition:
		return codes.FailedPrecondition
	case fault.Conflict:
		return codes.AlreadyExists
	case fault.NotFound, fault.Gone:
		return codes.NotFound
	case fault.Full:
		return codes.ResourceExhausted
	case fault.Unavailable:
		return codes.Unavailable
	case fault.Unsupported:
		return codes.Unimplemented
	}
	return codes.Internal
}

// toStatus is the gRPC form of an error: a fault's text and field violations; anything
// else is internal, its text not sent. The recorder has logged it.
func toStatus(err error) error {
	f := fault.As(err)
	st := status.New(codeOf(f.Kind), f.Error())
	if len(f.Violations) > 0 {
		br := &errdetails.BadRequest{}
		for _, v := range f.Violations {
			br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field, Description: v.Description, Reason: reason(v.Rule)})
		}
		if d, err := st.WithDetails(br); err == nil {
			st = d
		}
	}
	if f.Kind == fault.Unavailable {
		if d, err := st.WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)}); err == nil {
			st = d
		}
	}
	return st.Err()
}

// reason is a rule's id in the form that google.rpc asks for: UPPER_SNAKE_CASE.
func reason(rule string) string {
	b := []byte(rule)
	for i, c := range b {
		switch {
		case c >= 'a' && c <= 'z':
			b[i] = c - 'a' + 'A'
		case c >= 'A' && c <= 'Z', c >= '0' && c <= '9':
		default:
			b[i] = '_'
		}
	}
	return string(b)
}
