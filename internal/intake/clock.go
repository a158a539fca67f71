package intake

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"cannulary/internal/fault"
)

// The log keeps for good when it took an entry, and which days began. A clock that is wrong for seconds
// would leave entries of another year. So nothing is appended while the machine's clock is not to be
// believed, until a person confirms it. The limits are this project's own.
const (
	// clockJump is how far the clock may move against the time that passed since the start. Leap seconds and
	// slow corrections stay far below.
	clockJump = 5 * time.Minute
	// clockAhead is how far the clock may be ahead of the log's newest entry at a start: longer than a unit
	// without sessions over holidays.
	clockAhead = 14 * 24 * time.Hour
	// clockConfirmed is how far the clock may be from what a person confirmed.
	clockConfirmed = 24 * time.Hour
)

// clockFile is the file beside the log in which a person's confirmation is kept.
const clockFile = "clock.json"

// confirmation is what the file holds.
type confirmation struct {
	Confirmed time.Time `json:"confirmed"` // the machine's time that a person found right
}

// ConfirmClock notes that a person found the machine's clock right at that moment. dir is that of
// Config.Dir.
func ConfirmClock(dir string, at time.Time) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("confirm the clock: %w", err)
	}
	b, err := json.Marshal(confirmation{at.UTC()})
	if err != nil {
		return err
	}
	path := filepath.Join(dir, clockFile)
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return fmt.Errorf("confirm the clock: %w", err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("confirm the clock: %w", err)
	}
	return nil
}

// Clock is the machine's.
type Clock interface {
	Wall() time.Time       // what it shows
	Passed() time.Duration // what passed, by a clock that nobody sets; only differences mean anything
}

// machine is the clock of this machine.
type machine struct{ start time.Time }

func (machine) Wall() time.Time { return time.Now().Round(0) }

// guard decides whether the clock is to be believed.
type guard struct {
	clock Clock
	path  string

	mu     sync.Mutex
	base   time.Time // the wall clock at start, or when a person confirmed it
	passed time.Duration
	newest time.Time // of the log at the start; zero once the clock was believed
}

// newGuard compares the clock with the newest entry of the log; zero is an empty log.
func newGuard(clock Clock, dir string, newest time.Time) *guard {
	g := &guard{clock: clock, path: filepath.Join(dir, clockFile), base: clock.Wall(), passed: clock.Passed(), newest: newest}
	if atStart(g.base, newest) == "" {
		g.newest = time.Time{}
	}
	return g
}

// atStart says what is wrong with a clock that showed this at the start; empty for nothing.
func atStart(wall, newest time.Time) string {
	switch d := wall.Sub(newest); {
	case newest.IsZero():
	case d < -clockJump:
		return fmt.Sprintf("at the start it was %s behind the newest entry of the log, of %s (or the clock was ahead then, see `cannulary "+
			"clock wrong`)", (-d).Round(time.Second), newest.UTC().Format(time.RFC3339))
	case d > clockAhead:
		return fmt.Sprintf("at the start it was %d days ahead of the newest entry of the log, of %s", int(d.Hours()/24),
			newest.UTC().Format(time.RFC3339))
	}
	return ""
}

// check is a fault while the clock is in doubt.
func (g *guard) check() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	wall, passed := g.clock.Wall(), g.clock.Passed()
	moved := wall.Sub(g.base) - (passed - g.passed)
	doubt := ""
	if !g.newest.IsZero() {
		// A clock that was set right since shows what it should have shown at the start.
		if doubt = atStart(g.base.Add(moved), g.newest); doubt == "" {
			g.base, g.passed, g.newest = wall, passed, time.Time{}
		}
	} else if moved.Abs() > clockJump {
		doubt = fmt.Sprintf("it moved by %s against the time that passed", moved.Round(time.Second))
	}
	if doubt == "" {
		return nil
	}
	if at, err := g.confirmed(); err == nil && wall.Sub(at).Abs() < clockConfirmed {
		g.base, g.passed, g.newest = wall, passed, time.Time{}
		return nil
	}
	return fault.New(fault.Unavailable, fmt.Sprintf(
		"the machine's clock shows %s, which may be wrong: %s; nothing is stored until the clock is right or confirmed",
		wall.UTC().Format(time.RFC3339), doubt),
		"ask the operator to set the clock, or to confirm it with `cannulary clock confirm --data DIR`; then send the "+
			"message again")
}

func (g *guard) confirmed() (time.Time, error) {
	b, err := os.ReadFile(g.path)
	if err != nil {
		return time.Time{}, err
	}
	var c confirmation
	err = json.Unmarshal(b, &c)
	return c.Confirmed, err
}
