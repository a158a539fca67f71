package grpcapi

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
)

// toStatus is the gRPC form of an error: a fault's text and field violations; anything
// else is internal, its text not sent. It logs nothing.
func toStatus(err error) error {
	f := fault.As(err)
	st := status.New(answer.GRPC(f.Kind), f.Error())
	if len(f.Violations) > 0 {
		br := &errdetails.BadRequest{}
		for _, v := range f.Violations {
			br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field,
				Description: v.Description, Reason: reason(v.Rule)})
		}
		if d, err := st.WithDetails(br); err == nil {
			st = d
		}
	}
	if f.Kind == fault.Unavailable || f.Kind == fault.Limited {
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
