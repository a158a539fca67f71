// Package grpcapi is the gRPC face of intake: the four services, the feed, reflection and
// health. It maps faults to gRPC statuses and holds no rule of its own.
package grpcapi
