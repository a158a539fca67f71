package intake_test

import (
	"context"
	"database/sql"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/intake"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// What the notices rest on comes from the log: another process knows it, one that starts anew knows
// it, and an index of an older form is made anew.
func TestNoticesRestOnTheLogAlone(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	death := testkit.SampleOf("roster patient_left")
	death.GetRoster().GetFacts()[0].GetPatientLeft().Reason = v1.LeavingReason_LEAVING_REASON_DEATH
	admitted := testkit.SampleOf("roster patient_admitted")
	testkit.Envelope(admitted).Patient = testkit.Patient("INV-0002")
	first := testkit.SampleOf("cannulation session_started")
	sharp := testkit.SampleOf("cannulation needle_inserted") // of V1 on F1, and known by that
	testkit.Envelope(sharp).Session, testkit.Envelope(sharp).SourceMessageId = nil, "the other needle"
	sharp.GetCannulation().GetFacts()[0].GetNeedleInserted().Track = "V1"
	for _, m := range []*v1.FeedRequest{death, admitted, first, testkit.SampleOf("roster access_created"), sharp} {
		if _, err := n.Client.Send(testkit.Context(t), m); err != nil {
			t.Fatal(err)
		}
	}
	needle := testkit.ValidateOnly(testkit.SampleOf("cannulation needle_inserted"))
	testkit.Envelope(needle).OccurredAt = testkit.At("2025-02-05T07:30:00Z")
	m, _ := intake.FromFeed(needle)
	asked := func(in *intake.Intake) string {
		t.Helper()
		if err := in.Ready(testkit.Context(t)); err != nil {
			t.Fatal(err)
		}
		a, err := in.Record(testkit.Context(t), m)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(a.Notices, "\n")
	}
	want := asked(n.Intake)
	if strings.Count(want, "\n") != 3 || !strings.Contains(want, "who has V1") { // several days, a death, nobody admitted, and the track
		t.Fatalf("notices %q", want)
	}
	dir := t.TempDir()
	again := func(how string) {
		t.Helper()
		in := n.OpenIntake(t, dir)
		if got := asked(in); got != want {
			t.Errorf("%s: %q, want %q", how, got, want)
		}
		if err := in.Close(); err != nil {
			t.Fatal(err)
		}
	}
	again("another process")
	again("started again")
	db, err := sql.Open("sqlite", filepath.Join(dir, "index.db"))
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{`DROP TABLE mention`, `DROP TABLE session`, `DROP TABLE facility`,
		`CREATE TABLE facility (id TEXT PRIMARY KEY, zone TEXT NOT NULL) WITHOUT ROWID`, `PRAGMA user_version = 0`} {
		if _, err := db.ExecContext(context.Background(), q); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	again("an index of the form before")
}
