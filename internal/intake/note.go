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

// Note is what became of one message, in words that name no patient: all but Outcome and
// Code come from closed lists, the register of facilities, or the schema's pattern.
type Note struct {
	Facility string // a registered one, else "unknown"
	Source   string // one that fits the schema's pattern, else "unknown"
	Service  string
	Fact     string // kind of the first fact, "none" without one
	Outcome  string // as of Config.Outcome
	Code     string // the fault's kind; empty for what was taken
}

// outcome is what Config.Outcome is told.
func outcome(a Answer, err error) string {
	if err == nil {
		if a.Duplicate {
			return "duplicate"
		}
		return "accepted"
	}
	switch fault.As(err).Kind {
	case fault.Conflict:
		return "conflict"
	case fault.Full:
		return "full"
	case fault.Unavailable:
		return "unavailable"
	case fault.Internal:
		return "failed"
	}
	return "refused"
}

// told counts, notes and logs what became of a message.
func (in *Intake) told(ctx context.Context, m Message, a Answer, err error) {
	n := Note{Facility: "unknown", Source: "unknown", Service: string(m.Service), Fact: "none", Outcome: outcome(a, err)}
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
	if err != nil {
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
	// refusalsTold lines a minute are written of one source, service and code; the rest is
	// counted.
	refusalsTold = 20
	// refusalsKinds bounds what is remembered, whatever senders call themselves.
	refusalsKinds = 256
)

// refusals writes what was not taken into the program's log.
type refusals struct {
	slog *slog.Logger

	mu   sync.Mutex
	from time.Time // of the minute under way
	told map[string]int
}

// log writes one line. It never holds a value of the message, since a refused one may be
// a name in the wrong place: of what is wrong it tells field and rule.
func (r *refusals) log(ctx context.Context, now time.Time, m Message, n Note, err error) {
	if !r.take(now, n) {
		return
	}
	attrs := []any{"id", clip(m.Envelope.GetSourceMessageId()), "source", n.Source, "service", n.Service, "facility", n.Facility, "fact", n.Fact, "code", n.Code, "reason", why(err)}
	var c *conflict
	if errors.As(err, &c) {
		attrs = append(attrs, "firstEvent", c.event, "firstSequence", c.seq)
	}
	level := slog.LevelWarn
	if n.Outcome == "failed" || n.Outcome == "unavailable" || n.Outcome == "full" {
		level = slog.LevelError
	}
	r.slog.Log(ctx, level, "a message was not taken", attrs...)
}

// take tells whether a line may be written, and closes a minute that is over.
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

// flush tells of what was counted only, once its minute is over.
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
			r.slog.Warn("further messages were not taken", "sourceServiceCode", key, "messages", n-refusalsTold, "since", r.from.UTC().Format(time.RFC3339))
		}
	}
	r.from, r.told = now, map[string]int{}
}

// why is the reason without any value of the message.
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

// clip bounds a message id, which in a refused message may be anything.
func clip(id string) string {
	if r := []rune(id); len(r) > 128 {
		return string(r[:128]) + "…"
	}
	return id
}

// conflict is what a conflicting message met. It is the cause of the fault.
type conflict struct {
	event string
	seq   uint64
}

func (c *conflict) Error() string {
	return fmt.Sprintf("event %s is entry %d of the log", c.event, c.seq)
}
