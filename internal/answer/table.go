package answer

import (
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"

	"cannulary/internal/fault"
)

// said is how a kind of fault is said to the outside.
type said struct {
	grpc  codes.Code
	http  int
	issue string // of FHIR's issue-type
}

// outside is the one table of statuses. Its statuses of HTTP are RFC 9110's, but for 507 of RFC 4918 and 425 of RFC
// 8470; no two kinds share one.
func outside(k fault.Kind) said {
	switch k {
	case fault.Invalid:
		return said{codes.InvalidArgument, http.StatusBadRequest, "invalid"}
	case fault.Precondition:
		return said{codes.FailedPrecondition, http.StatusUnprocessableEntity, "business-rule"}
	case fault.Conflict:
		return said{codes.AlreadyExists, http.StatusConflict, "conflict"}
	case fault.NotFound:
		return said{codes.NotFound, http.StatusNotFound, "not-found"}
	case fault.Gone:
		return said{codes.NotFound, http.StatusGone, "deleted"}
	case fault.Full:
		return said{codes.ResourceExhausted, http.StatusInsufficientStorage, "no-store"}
	case fault.Unavailable:
		return said{codes.Unavailable, http.StatusServiceUnavailable, "transient"}
	case fault.Unsupported:
		return said{codes.Unimplemented, http.StatusNotImplemented, "not-supported"}
	case fault.TooLarge:
		return said{codes.InvalidArgument, http.StatusRequestEntityTooLarge, "too-long"}
	case fault.Early:
		return said{codes.OutOfRange, http.StatusTooEarly, "value"}
	case fault.Unauthenticated:
		return said{codes.Unauthenticated, http.StatusUnauthorized, "login"}
	case fault.Denied:
		return said{codes.PermissionDenied, http.StatusForbidden, "forbidden"}
	case fault.Limited:
		return said{codes.ResourceExhausted, http.StatusTooManyRequests, "throttled"}
	}
	return said{codes.Internal, http.StatusInternalServerError, "exception"}
}

// GRPC is the status of gRPC for a kind of fault.
func GRPC(k fault.Kind) codes.Code { return outside(k).grpc }

// name is the code of a status in a JSON body: the kind of fault that has this status, or what RFC 9110 calls the status.
func name(status int) string {
	for k := range fault.Kinds {
		if outside(k).http == status {
			return k.String()
		}
	}
	return strings.ReplaceAll(strings.ToLower(http.StatusText(status)), " ", "-")
}
