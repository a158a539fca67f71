package intake_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/intake"
	"cannulary/internal/testkit"
)

// wrongClock is a machine's clock that a test sets. Its wall clock may be set apart from the time that passes.
type wrongClock struct {
	mu     sync.Mutex
	wall   time.Time
	passed time.Duration
}

func (c *wrongClock) Wall() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.wall
}

func (c *wrongClock) Passed() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.passed
}

func (c *wrongClock) move(wall, passed time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall, c.passed = c.wall.Add(wall), c.passed+passed
}

// intakeBy opens a further intake that lives by the clock.
func intakeBy(t *testing.T, n *testkit.Node, dir string, clock intake.Clock) *intake.Intake {
	t.Helper()
	in, err := intake.New(testkit.Context(t), intake.Config{Log: n.Log, Ring: n.Ring, Dir: dir, Now: n.Clock.Now, Clock: clock,
		Slog: testkit.Discard(), Outcome: func(string, string) {}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = in.Close() })
	if err := in.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	return in
}

// Nothing is stored while the machine's clock is not to be believed: log and days would keep its time for
// good. Each case begins with a clock that is right and a log that was written just now.
func TestNothingIsStoredByAClockThatIsInDoubt(t *testing.T) {
	const minute, day = time.Minute, 24 * time.Hour
	for _, c := range []struct {
		name         string
		atStart      time.Duration // the clock against the log's newest entry
		wall, passed time.Duration // since the start
		says         string        // empty: it is stored
	}{
		{"an hour passes", 0, time.Hour, time.Hour, ""},
		{"the clock is set by four minutes", 0, 4 * minute, 0, ""},
		{"the clock is set a year ahead", 0, 365 * day, 0, "it moved by 8760h0m0s against the time that passed"},
		{"the clock is set an hour back", 0, -time.Hour, 0, "it moved by -1h0m0s against the time that passed"},
		{"the clock stands still for an hour", 0, 0, time.Hour, "it moved by -1h0m0s against the time that passed"},
		{"a start thirteen days after the last entry", 13 * day, 0, 0, ""},
		{"a start fifteen days after the last entry", 15 * day, 0, 0, "at the start it was 15 days ahead of the newest entry of the log, of "},
		{"a start an hour before the last entry", -time.Hour, 0, 0, "behind the newest entry of the log, of "},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := testkit.Start(t, testkit.Options{})
			st, err := n.Log.State(testkit.Context(t))
			if err != nil {
				t.Fatal(err)
			}
			clock := &wrongClock{wall: st.LastTime.Add(c.atStart)}
			dir := t.TempDir()
			in := intakeBy(t, n, dir, clock)
			clock.move(c.wall, c.passed)
			before := testkit.LastSeq(t, n.Log)
			_, err = in.Record(testkit.Context(t), insertion(t, "clock-1", 15))
			if c.says == "" {
				if err != nil {
					t.Fatalf("it says %v", err)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "nothing is stored until the clock is right or confirmed") {
				t.Fatalf("it says %v, want %q", err, c.says)
			}
			if err := in.StartDays(testkit.Context(t)); err == nil {
				t.Error("a day was started")
			}
			if after := testkit.LastSeq(t, n.Log); after != before {
				t.Errorf("the log went from %d to %d", before, after)
			}
			// A confirmation of another day is none.
			if err := intake.ConfirmClock(dir, clock.Wall().Add(-2*day)); err != nil {
				t.Fatal(err)
			}
			if _, err := in.Record(testkit.Context(t), insertion(t, "clock-1", 15)); err == nil {
				t.Error("it was stored by another day's confirmation")
			}
			if err := intake.ConfirmClock(dir, clock.Wall()); err != nil {
				t.Fatal(err)
			}
			if _, err := in.Record(testkit.Context(t), insertion(t, "clock-1", 15)); err != nil {
				t.Errorf("after the confirmation it says %v", err)
			}
		})
	}
}

// A clock that was wrong at the start and is set right needs nobody, and one that only goes on stays in doubt.
func TestAClockThatIsSetRightAfterTheStartIsBelieved(t *testing.T) {
	for name, off := range map[string]time.Duration{"behind": -time.Hour, "ahead": 20 * 24 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			n := testkit.Start(t, testkit.Options{})
			st, err := n.Log.State(testkit.Context(t))
			if err != nil {
				t.Fatal(err)
			}
			clock := &wrongClock{wall: st.LastTime.Add(off)}
			in := intakeBy(t, n, t.TempDir(), clock)
			clock.move(2*time.Hour, 2*time.Hour)
			if _, err := in.Record(testkit.Context(t), insertion(t, "clock-3", 15)); err == nil {
				t.Fatal("it was stored because time passed")
			}
			clock.move(-off, 0)
			if _, err := in.Record(testkit.Context(t), insertion(t, "clock-3", 15)); err != nil {
				t.Errorf("it says %v", err)
			}
			clock.move(-time.Hour, 0)
			if _, err := in.Record(testkit.Context(t), insertion(t, "clock-4", 15)); err == nil {
				t.Error("it was stored after a jump back")
			}
		})
	}
}

// A clock that is set right again needs nobody.
func TestAClockThatIsSetRightAgainIsBelieved(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	clock := &wrongClock{wall: time.Now()}
	in := intakeBy(t, n, t.TempDir(), clock)
	clock.move(365*24*time.Hour, 0)
	if _, err := in.Record(testkit.Context(t), insertion(t, "clock-2", 15)); err == nil {
		t.Fatal("it was stored")
	}
	clock.move(-365*24*time.Hour, 0)
	if _, err := in.Record(testkit.Context(t), insertion(t, "clock-2", 15)); err != nil {
		t.Errorf("it says %v", err)
	}
}
