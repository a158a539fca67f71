package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/simulate"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// TestTheDemosMessagesArriveOverItsPeriod: the log of a demo is dated as the messages would have
// arrived, each day begins at its midnight, and a card as it was known on an earlier day shows
// what had come by then. The day on which the demo runs is begun last, by the server's time.
func TestTheDemosMessagesArriveOverItsPeriod(t *testing.T) {
	dir := t.TempDir()
	args := strings.Fields("--exit --patients 4 --months 1 --until 2025-03-31")
	code, out, stderr := run(context.Background(), append([]string{"demo", "--data", dir}, args...)...)
	if code != Done {
		t.Fatalf("exit code %d: %.2000s", code, stderr)
	}
	for _, want := range []string{
		"Invented dialysis units, 2 with 4 patients each, from 2025-03-01 to 2025-03-31",
		"dated as they would have arrived", " established,",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q: %s", want, out)
		}
	}
	checkArrivals(t, dir)
	identifier := firstPatient(t)
	card := func(at string) string {
		code, out, stderr := run(context.Background(), "card", "--data", dir, "--identifier", identifier, "--as-of", at, "--known-at", at)
		if code != Done {
			t.Fatalf("card: %d %.2000s", code, stderr)
		}
		return out
	}
	early, late := card("2025-03-10T12:00:00Z"), card("2025-03-25T12:00:00Z")
	const last = "last fact 2025-03-2"
	if !strings.Contains(early, "ESTABLISHED") || strings.Contains(early, last) || !strings.Contains(late, last) {
		t.Errorf("as it was known on 10 March:\n%.600s\non 25 March:\n%.600s", early, late)
	}
}

// checkArrivals reads the log of a stopped demo.
func checkArrivals(t *testing.T, dir string) {
	t.Helper()
	ctx := context.Background()
	a, err := app.New(ctx, app.Config{
		Dir: dir, Ingest: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		Now: time.Now, Slog: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	st, err := a.Log().State(ctx)
	if err != nil {
		t.Fatal(err)
	}
	from, to := time.Date(2025, 2, 25, 0, 0, 0, 0, time.UTC), time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC)
	days, messages, today := map[string]int{}, map[string]int{}, 0
	for seq := uint64(1); seq <= st.LastSeq; seq++ {
		e, err := a.Log().Get(ctx, seq)
		if err != nil {
			t.Fatal(err)
		}
		var ev logv1.Event
		if err := proto.Unmarshal(e.Data, &ev); err != nil {
			t.Fatal(err)
		}
		d := ev.GetFacts()[0].GetDayStarted()
		switch {
		case d != nil && e.Time.After(to):
			today++
		case e.Time.Before(from) || e.Time.After(to):
			t.Fatalf("event %d of %s is dated %s", seq, ev.GetOccurredAt().AsTime(), e.Time)
		case d != nil:
			if days[ev.GetFacility()+d.GetDate()]++; !e.Time.Equal(ev.GetOccurredAt().AsTime()) {
				t.Errorf("the day %s begins at %s", d.GetDate(), e.Time)
			}
		default:
			messages[e.Time.Format(time.DateOnly)]++
		}
	}
	for d := to.AddDate(0, 0, -31); d.Before(to); d = d.AddDate(0, 0, 1) {
		date := d.Format(time.DateOnly)
		for _, unit := range []string{"unit-portamara", "unit-ostrelund"} {
			if days[unit+date] != 1 {
				t.Errorf("%s began %d times in %s", date, days[unit+date], unit)
			}
		}
		if d.Weekday() != time.Sunday && messages[date] == 0 {
			t.Errorf("nothing arrived on %s", date)
		}
	}
	if today < 2 || today > 4 { // a midnight may pass
		t.Errorf("%d days began by the server's time, want today in both units", today)
	}
}

// firstPatient is a patient of the demo's feed with established tracks.
func firstPatient(t *testing.T) string {
	t.Helper()
	s := simulate.Demonstration()
	s.Patients, s.Months, s.Until = 4, 1, time.Date(2025, 3, 31, 0, 0, 0, 0, time.UTC)
	found, id := errors.New("found"), ""
	if _, err := simulate.Play(s, func(d simulate.Delivery) error {
		for _, f := range d.Message.GetCannulation().GetFacts() {
			if p := envelopeOf(d.Message).GetPatient(); f.GetTrackTakenOver() != nil {
				id = p.GetSystem() + "|" + p.GetValue()
				return found
			}
		}
		return nil
	}); !errors.Is(err, found) {
		t.Fatal(err)
	}
	return id
}

// TestTheDemoTellsItsStories: for each kind the latest, with commands that can be copied.
func TestTheDemoTellsItsStories(t *testing.T) {
	s := simulate.Demonstration()
	highlights, err := simulate.Play(s, func(simulate.Delivery) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	var w bytes.Buffer
	tellStories(&w, "http://127.0.0.1:7451", highlights)
	out := w.String()
	for _, title := range []string{
		"A patient who moved: moved on 2026-10-", "A hold that was lifted at once: no thrill was felt on 2026-",
		"A hold that was answered late: a nurse's hold of 2026-", "A result that came late: a blood culture of 2026-",
		"A sign that went away: ", "Tracks that nobody needled for weeks: ",
		"A guest in the other unit: treated as a guest in unit-ostrelund from 2026-",
	} {
		if strings.Count(out, title) != 1 {
			t.Errorf("%q is told %d times: %s", title, strings.Count(out, title), out)
		}
	}
	for _, line := range strings.Split(out, "\n") {
		command, ok := strings.CutPrefix(line, "  then       bin/cannulary ")
		if !ok {
			continue
		}
		command, _, _ = strings.Cut(command, "   (")
		var identifier, asOf, knownAt string
		const form = "card --http http://127.0.0.1:7451 --identifier %s --as-of %s --known-at %s"
		if n, err := fmt.Sscanf(strings.ReplaceAll(command, "'", ""), form, &identifier, &asOf, &knownAt); n != 3 || asOf != knownAt {
			t.Errorf("%q cannot be copied: %v", command, err)
		}
		if at, err := time.Parse(time.RFC3339, asOf); err != nil || at.After(s.Until.AddDate(0, 0, 1)) {
			t.Errorf("%q asks for a moment after the year", command)
		}
	}
}
