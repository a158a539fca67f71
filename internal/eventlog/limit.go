package eventlog

import (
	"context"
	"fmt"
	"strings"
)

// Resize says what Config.MaxBytes does to an existing log.
type Resize int

const (
	// Keep leaves the log's limit as it is.
	Keep Resize = iota
	// Raise sets the limit if it is lower. Of many processes on one log the largest limit holds,
	// in whatever order they start. A process with an old flag lowers nothing.
	Raise
	// Set sets the limit: for the one process that has the log to itself.
	Set
)

// Limit is what opening did to the log's limit, in bytes.
type Limit struct {
	Asked int64 // 0 if nothing was asked
	Was   int64 // before; 0 for a log without a limit
	Is    int64
}

// Limit returns what opening did to the log's limit.
func (l *Log) Limit() Limit { return l.limit }

// resize sets the stream's limit as asked. It changes nothing else.
func (l *Log) resize(ctx context.Context) error {
	info := l.stream.CachedInfo()
	is := max(0, info.Config.MaxBytes) // the server writes -1 for none
	l.limit = Limit{Was: is, Is: is}
	if l.cfg.Resize == Keep {
		return nil
	}
	want := l.cfg.MaxBytes
	l.limit.Asked = want
	// The stored size only grows. If it has outgrown the answer above, the update fails and says
	// so.
	if stored := info.State.Bytes; want < 0 || uint64(want) < stored {
		return fmt.Errorf("the log (stream %s) holds %d bytes, and its limit is to be %d: nothing is ever dropped from it, so no message "+
			"could be accepted; give %s more than %d, or leave it out to keep the limit of %d",
			l.name, stored, want, l.cfg.limitFlag(), stored, is)
	}
	if want == is || l.cfg.Resize == Raise && (want < is || is == 0) {
		return nil
	}
	cfg := info.Config
	cfg.MaxBytes = want
	s, err := l.js.UpdateStream(ctx, cfg)
	if err != nil {
		return fmt.Errorf("set the limit of the log (stream %s) from %d to %d bytes: %w; the server's own limit of storage may be in the "+
			"way, or only the administrator may do it, with `cannulary prepare`", l.name, is, want, err)
	}
	if got := s.CachedInfo().Config.MaxBytes; got != want {
		return fmt.Errorf("the limit of the log (stream %s) was to be %d bytes and is %d; another process may have set it at the same "+
			"time, start again", l.name, want, got)
	}
	l.stream, l.limit.Is = s, want
	return nil
}

// String returns one line for the operator: from what to what, and why not as asked.
func (m Limit) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d bytes", m.Is)
	switch {
	case m.Was != m.Is:
		fmt.Fprintf(&b, ", was %d", m.Was)
	case m.Asked != 0 && m.Asked != m.Is:
		fmt.Fprintf(&b, " as before; the %d asked for are less, and on an external server it is only raised", m.Asked)
	}
	return b.String()
}

// limitFlag is the flag that sets the limit.
func (c Config) limitFlag() string {
	if c.Trail {
		return "--trail-max-bytes"
	}
	return "--log-max-bytes"
}
