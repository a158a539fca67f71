package trail

import (
	"context"
	"maps"
	"net"
	"sync"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/trail/seen"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Codes of gRPC whose calls are summed: RESOURCE_EXHAUSTED before any message, and UNAUTHENTICATED.
const (
	exhausted       = 8
	unauthenticated = 16
)

// Call is a gRPC call that is under way. A nil one keeps nothing.
type Call struct {
	trail *Trail
	seen  *seen.Collector
	entry logv1.Access

	mu       sync.Mutex
	since    *timestamppb.Timestamp
	outcomes map[string]uint64
	took     bool
}

// Call begins a call; End must be called. It is nil for a method that leaves no entry.
func (t *Trail) Call(ctx context.Context, name string, from net.Addr) (context.Context, *Call) {
	if t == nil {
		return ctx, nil
	}
	rule := RuleOf(t.rules, name)
	if rule.Class == None {
		return ctx, nil
	}
	ctx, s := seen.Collect(ctx)
	c := &Call{trail: t, seen: s, since: timestamppb.New(t.cfg.Now())}
	c.entry.Route, c.entry.Action, c.entry.Grpc = name, rule.Action, true
	if rule.Class == Unnamed {
		c.entry.Route = "[unknown]"
	}
	if from != nil {
		c.entry.From = host(from.String())
	}
	t.callsMu.Lock()
	defer t.callsMu.Unlock()
	if t.calls == nil {
		t.calls = map[*Call]bool{}
	}
	t.calls[c] = true
	return ctx, c
}

// Took counts a message of the call by its outcome.
func (c *Call) Took(outcome string) {
	if c == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.outcomes == nil {
		c.outcomes = map[string]uint64{}
	}
	c.outcomes[outcome]++
	c.took = true
}

// End ends the call with a code of gRPC. What is left of it is written behind the answer.
func (c *Call) End(code uint32) {
	if c == nil {
		return
	}
	c.trail.callsMu.Lock()
	delete(c.trail.calls, c)
	c.trail.callsMu.Unlock()
	c.mu.Lock()
	took := c.took
	c.mu.Unlock()
	e := c.sum()
	e.Status = code
	switch {
	case !took && (code == unauthenticated || code == exhausted):
		c.trail.sum(e)
	case took && len(e.GetOutcomes()) == 0 && len(e.GetPatients()) == 0 && code == 0:
		// All of it stands in the sum before.
	default:
		c.trail.Later(e)
	}
}

// sum is the entry of what came since the last one.
func (c *Call) sum() *logv1.Access {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := &logv1.Access{Route: c.entry.GetRoute(), Action: c.entry.GetAction(), Grpc: true, From: c.entry.GetFrom(),
		Principal: c.seen.Principal(), Patients: c.seen.Again(), Outcomes: c.outcomes, At: c.since,
		Until: timestamppb.New(c.trail.cfg.Now())}
	for n := range maps.Values(c.outcomes) {
		e.Count += n
	}
	c.outcomes, c.since = nil, e.GetUntil()
	return e
}

// flushCalls writes the sums of the calls that are under way.
func (t *Trail) flushCalls() {
	t.callsMu.Lock()
	var list []*Call
	for c := range t.calls {
		list = append(list, c)
	}
	t.callsMu.Unlock()
	for _, c := range list {
		c.mu.Lock()
		pending := len(c.outcomes) > 0
		c.mu.Unlock()
		if pending {
			_ = t.Record(context.Background(), c.sum(), Kept)
		}
	}
}
