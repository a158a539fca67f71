package acceptance_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// A clock was a year ahead for some entries, and began a day of next year. Once that is declared, the record says
// what it would have said: the same resources with the same times, and no day that has not come.
func TestAClockThatWasWrongIsDeclared(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "data")
	i := start(t, dir)
	i.post(mergeable())
	i.stop()
	// The log's server dates by the machine's clock, and the commands go by the tests' own.
	rewritten(t, dir, func(list []eventlog.Entry) []eventlog.Entry {
		for n := range list {
			list[n].Time = testkit.At("2025-04-01T08:00:00Z").AsTime().Add(time.Duration(n) * time.Second)
		}
		return list
	})
	anew := func(dir string) {
		t.Helper()
		for _, part := range []string{"view", "ingest"} {
			if err := os.RemoveAll(filepath.Join(dir, part)); err != nil {
				t.Fatal(err)
			}
		}
		i := start(t, dir)
		i.settle()
		i.stop()
	}
	anew(dir)
	want := dump(t, dir)
	const year = 365 * 24 * time.Hour
	const first = 8
	var last uint64
	wrong := copyDir(t, dir, filepath.Join(t.TempDir(), "wrong"))
	rewritten(t, wrong, func(list []eventlog.Entry) []eventlog.Entry {
		last = first + 4
		day := list[first-1].Time.Add(year)
		message := "day/" + north + "/" + day.Format(time.DateOnly)
		data, err := proto.Marshal(&logv1.Event{Id: record.EventID(eventlog.ServiceSource, message), Source: eventlog.ServiceSource,
			SourceMessageId: message, ContentHash: []byte(message), Facility: north, OccurredAt: timestamppb.New(day),
			Precision: v1.TimePrecision_TIME_PRECISION_SECOND,
			Facts:     []*logv1.Fact{{Fact: &logv1.Fact_DayStarted{DayStarted: &logv1.DayStarted{Date: day.Format(time.DateOnly)}}}}})
		if err != nil {
			t.Fatal(err)
		}
		for n := first - 1; n < int(last)-1; n++ {
			list[n].Time = list[n].Time.Add(year)
		}
		begun := eventlog.Entry{Time: list[last-2].Time, Data: data}
		return append(list[:last-1:last-1], append([]eventlog.Entry{begun}, list[last-1:]...)...)
	})
	anew(wrong)
	if got := dump(t, wrong); got["facility"][north] == want["facility"][north] {
		t.Fatalf("the wrong clock changed nothing: %s", got["facility"][north])
	}
	_, stdout, _ := cliRun(t, "verify", "--data", wrong)
	m := regexp.MustCompile("`cannulary (clock wrong --data \\S+ --first 8 --last 12 --ahead 87[0-9hms]+) --reason TEXT`").FindStringSubmatch(stdout)
	if m == nil {
		t.Fatalf("verify says %s", stdout)
	}
	command := func(ahead, reason string, last uint64) []string {
		return []string{"clock", "wrong", "--data", wrong, "--first", fmt.Sprint(first), "--last", fmt.Sprint(last), "--ahead", ahead, "--reason", reason}
	}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{command("8760h", "", last), 2, "--reason is missing; `cannulary verify --data DIR` names entries that may be meant"},
		{command("8760h", "invented", 999999), 1, "that can be declared; give --first and --last within"},
		{command("1h", "invented", last), 1, "which has not come"},
		{[]string{"clock"}, 2, "say what to do: `cannulary clock confirm --data DIR`"},
	} {
		if code, _, stderr := cliRun(t, c.args...); code != c.code || !strings.Contains(stderr, c.says) {
			t.Errorf("%v exits %d and says %q", c.args, code, stderr)
		}
	}
	code, stdout, stderr := cliRun(t, command("8760h", "invented: the battery was empty", last)...)
	var d app.Declared
	if err := json.Unmarshal([]byte(stdout), &d); code != 0 || err != nil || d.Is[0].Add(year) != d.Was[0] {
		t.Fatalf("it exits %d and says %s %s", code, stdout, stderr)
	}
	got := dump(t, wrong)
	// Sequences behind the wrong day are one higher. What is said of patients and units is the same.
	for _, name := range []string{"track", "hold", "worklist", "exposure", "judged", "maturity"} {
		same(t, tables{name: want[name]}, tables{name: got[name]})
	}
	for id, body := range want["resource"] {
		if at := updated(body); updated(got["resource"][id]) != at && !strings.HasPrefix(id, "Provenance/") {
			t.Errorf("%s was updated at %s, want %s", id, updated(got["resource"][id]), at)
		}
	}
	if code, _, stderr := cliRun(t, command("8760h", "again", last)...); code != 1 || !strings.Contains(stderr, "declared already") {
		t.Errorf("a second time: %d, %s", code, stderr)
	}
	if _, stdout, _ = cliRun(t, "verify", "--data", wrong); strings.Contains(stdout, "ahead of later ones") {
		t.Errorf("verify still says %s", stdout)
	}
	// The service goes on, and a view that was built before the declaration is not served.
	i = start(t, wrong)
	i.settle()
	if tally, _ := i.post(mergeable()); tally.Duplicates != len(mergeable()) {
		t.Errorf("all again gave %+v", tally)
	}
	i.stop()
	// When that day comes, it begins.
	i = start(t, wrong, func(c *app.Config) {
		c.Now = func() time.Time { return testkit.At("2026-04-01T12:00:00Z").AsTime() }
	})
	eventually(t, "the day has begun", func() bool {
		return strings.Contains(query(t, wrong, `SELECT id, day FROM facility`)[north], "2026-04-01")
	})
	i.stop()
}

func updated(body string) string {
	_, rest, _ := strings.Cut(body, `"lastUpdated":"`)
	at, _, _ := strings.Cut(rest, `"`)
	return at
}
