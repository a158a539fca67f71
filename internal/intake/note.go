package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"strings"
	"sync"
	"time"

	"cannulary/internal/fault"
)

// Note says what became of one message, without naming a patient. All fields but Outcome and
// Code come from closed lists, the register of facilities, or the schema's pattern.
type Note struct {
	Facility string // a registered one, else "unknown"
	Source   string // one that fits the schema's pattern, else "unknown"
	Service  string
	Fact     string // kind of the first fact, "none" without one
	Outcome  string // as of Config.Outcome
	Code     string // the fault's kind; empty for an accepted message, and where the sender hung up
}

// cancelled is the outcome of a message whose sender hung up, or whose deadline passed, before the answer: it may be in the log
// or not. It is no fault of the service, unless the sender had waited for long.
const cancelled = "cancelled"

// long is more than an answer takes while all is well (ours). Whoever hangs up later does so because of the service.
const long = time.Second

// outcome returns the argument for Config.Outcome. waited is how long the answer took.
func outcome(ctx context.Context, a Answer, err error, waited time.Duration) string {
	if err == nil {
		if a.Duplicate {
			return "duplicate"
		}
		return "accepted"
	}
	switch kind := fault.As(err).Kind; {
	case kind == fault.Conflict:
		return "conflict"
	case kind == fault.Full:
		return "full"
	case ctx.Err() != nil && waited < long && (kind == fault.Unavailable || kind == fault.Internal):
		return cancelled
	case kind == fault.Unavailable || kind == fault.Internal && ctx.Err() != nil:
		return "unavailable"
	case kind == fault.Internal:
		return "failed"
	}
	return "refused"
}

// finish counts and logs what became of a message that came at a moment, and calls Note.
func (in *Intake) finish(ctx context.Context, m Message, a Answer, err error, came time.Time) {
	n := Note{Facility: "unknown", Source: "unknown", Service: string(m.Service), Fact: "none",
		Outcome: outcome(ctx, a, err, in.cfg.Now().Sub(came))}
	if n.Service == "" {
		n.Service = "none"
	}
	if s := m.Envelope.GetSource(); sourcePattern.MatchString(s) {
		n.Source = s
	}
	if in.index.registered(m.Envelope.GetFacility()) {
		n.Facility = m.Envelope.GetFacility()
	}
	if len(m.facts) > 0 {
		if name := factName(m.facts[0]); name != "" {
			n.Fact = name
		}
	}
	if err != nil && n.Outcome != cancelled {
		n.Code = fault.As(err).Kind.String()
	}
	in.cfg.Outcome(n.Service, n.Outcome)
	if in.cfg.Note != nil {
		in.cfg.Note(n)
	}
	if err != nil {
		in.refusals.log(ctx, in.cfg.Now(), m, n, err)
	}
}

// sourcePattern is the schema's pattern of a source.
var sourcePattern = regexp.MustCompile("^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$")

const (
	// refusalsTold is how many lines a minute are written for one source, service and code.
	// Further ones are only counted.
	refusalsTold = 20
	// refusalsKinds limits how many such combinations are kept, whatever names senders use.
	refusalsKinds = 256
)

// refusals writes into the program's log which messages were not accepted.
type refusals struct {
	slog *slog.Logger

	mu   sync.Mutex
	from time.Time // start of the present minute
	told map[string]int
}

// log writes one line. It never writes a value of the message, because a refused one may be a
// name in the wrong place. It gives the field and the rule.
func (r *refusals) log(ctx context.Context, now time.Time, m Message, n Note, err error) {
	if !r.take(now, n) {
		return
	}
	attrs := []any{"id", clip(m.Envelope.GetSourceMessageId()), "source", n.Source, "service", n.Service, "facility", n.Facility, "fact",
		n.Fact}
	if n.Outcome == cancelled {
		r.slog.InfoContext(ctx, "a sender hung up before the answer: its message may be in the log or not", attrs...)
		return
	}
	attrs = append(attrs, "code", n.Code, "reason", why(err))
	if c, ok := errors.AsType[*conflict](err); ok {
		attrs = append(attrs, "firstEvent", c.event, "firstSequence", c.seq)
	}
	level := slog.LevelWarn
	if n.Outcome == "failed" || n.Outcome == "unavailable" || n.Outcome == "full" {
		level = slog.LevelError
	}
	r.slog.Log(ctx, level, "a message was not taken", attrs...)
}

// take reports whether a line may be written, and closes a minute that is over.
func (r *refusals) take(now time.Time, n Note) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.close(now)
	key := strings.Join([]string{n.Source, n.Service, n.Code}, " ")
	if _, ok := r.told[key]; !ok && len(r.told) >= refusalsKinds {
		key = "others"
	}
	r.told[key]++
	return r.told[key] <= refusalsTold
}

// flush writes how many messages were only counted, once their minute is over.
func (r *refusals) flush(now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.close(now)
}

func (r *refusals) close(now time.Time) {
	if r.told != nil && now.Sub(r.from) < time.Minute && !now.Before(r.from) {
		return
	}
	for key, n := range r.told {
		if n > refusalsTold {
			r.slog.Warn("further messages were not taken", "sourceServiceCode", key, "messages", n-refusalsTold, "since",
				r.from.UTC().Format(time.RFC3339))
		}
	}
	r.from, r.told = now, map[string]int{}
}

// why returns the reason without any value of the message.
func why(err error) string {
	f := fault.As(err)
	s := f.What
	if f.Kind == fault.Conflict {
		s = "the id was used before with other content"
	}
	parts := make([]string, 0, len(f.Violations))
	for _, v := range f.Violations {
		parts = append(parts, strings.TrimPrefix(v.Field+": "+v.Rule, ": "))
	}
	if len(parts) > 0 {
		s += ": " + strings.Join(parts, "; ")
	}
	if f.Err != nil && f.Kind != fault.Conflict {
		s += fmt.Sprintf(" (cause: %v)", f.Err)
	}
	return s
}

// clip shortens a message id, which can be anything in a refused message.
func clip(id string) string {
	if r := []rune(id); len(r) > 128 {
		return string(r[:128]) + "…"
	}
	return id
}

// conflict is the event that a conflicting message met. It is the cause of the fault.
type conflict struct {
	event string
	seq   uint64
}

func (c *conflict) Error() string {
	return fmt.Sprintf("event %s is entry %d of the log", c.event, c.seq)
}
