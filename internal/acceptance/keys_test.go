package acceptance_test

import (
	"database/sql"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	_ "modernc.org/sqlite"

	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// A patient's damaged key takes the name away and nothing else: the card answers and says why, the pack goes
// on, clinical facts are taken, an identity is refused until the key is restored or erased.
func TestADamagedKeyCostsTheNameAndNothingElse(t *testing.T) {
	t.Parallel()
	feed := mergeable()
	dir := filepath.Join(t.TempDir(), "keys")
	i := start(t, dir)
	i.post(feed)
	key := patientKey(t, i, "INV-M1")
	i.stop()
	want := dump(t, dir)
	for _, name := range keyring.FileNames {
		db, err := sql.Open("sqlite", filepath.Join(dir, "keys", name))
		if err != nil {
			t.Fatal(err)
		}
		if r, err := db.Exec(`UPDATE secret SET value = zeroblob(32) WHERE name = ?`, "patient."+key); err != nil {
			t.Fatal(err)
		} else if n, _ := r.RowsAffected(); n != 1 {
			t.Fatalf("%s has %d such keys", name, n)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != 1 || strings.Count(stdout, "1 of ") != 2 || !strings.Contains(stdout, "secrets are damaged (patient."+key+"); `cannulary repair` takes what is damaged from the other file, or from a backup") {
		t.Errorf("verify exits %d and says %s", code, stdout)
	}
	// A rebuild sets no event aside.
	rebuild(t, dir, len(want["event"]))
	i = start(t, dir)
	i.settle()
	eventually(t, "the damaged key is counted", func() bool {
		return strings.Contains(i.must("/metrics"), "cannulary_damaged_keys{readable=\"no\"} 1\n")
	})
	if !strings.Contains(i.log.String(), "keys are damaged") {
		t.Error("the process's log does not say it")
	}
	if code, text := i.get("/card?patient=" + key); code != http.StatusOK || !strings.Contains(text, "this patient's key is damaged") || !strings.Contains(text, `"quarantined":0`) {
		t.Errorf("the card answers %d %s", code, text)
	}
	if code, text := i.get("/cards"); code != http.StatusOK || !strings.Contains(text, key) {
		t.Errorf("all cards: %d %s", code, text)
	}
	client := testkit.Dial(t, i.app.GRPCAddr())
	if _, err := client.Send(patience(t), testkit.Request(about("clinical-after", north, "INV-M1", "15T08:00", ""), inserted("A1", 25))); err != nil {
		t.Errorf("a clinical fact: %v", err)
	}
	_, err := client.Send(patience(t), testkit.Request(about("identity-after", north, "INV-M1", "15T09:00", ""), stated("Other")))
	if err == nil || !strings.Contains(err.Error(), "the patient's key is damaged: no identity and no text in somebody's own words can be stored") {
		t.Errorf("an identity: %v", err)
	}
}

// Damaged keys are taken from the second file, or from a backup, into the folder that a repair makes. A key that
// was erased since the backup does not come back with it, and one that nobody has stays damaged: it is never
// replaced.
func TestARepairTakesDamagedKeysFromACopy(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "keys")
	i := start(t, dir)
	i.post(persons())
	key := patientKey(t, i, "INV-M1")
	other := patientKey(t, i, "INV-O")
	i.stop()
	_, backup, _ := made(t, dir)
	spoilKey := func(patient string, files ...string) {
		t.Helper()
		for _, name := range files {
			db, err := sql.Open("sqlite", filepath.Join(dir, "keys", name))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := db.Exec(`UPDATE secret SET value = zeroblob(32) WHERE name = ?`, "patient."+patient); err != nil {
				t.Fatal(err)
			}
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	whole := func(dir string, want int) {
		t.Helper()
		if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != want {
			t.Errorf("verify of %s exits %d and says %s", dir, code, stdout)
		}
	}
	spoilKey(key, "keys.db")
	if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != 1 || !strings.Contains(stdout, "`cannulary repair` repairs it without loss") {
		t.Errorf("verify exits %d and says %s", code, stdout)
	}
	into, r := repaired(t, dir)
	if len(r.Keys.Damaged)+len(r.Keys.Restored) > 0 || r.Keys.Secrets != 5 {
		t.Errorf("damaged in one file: %+v", r.Keys)
	}
	whole(into, 0)
	spoilKey(key, "keys-copy.db")
	into, r = repaired(t, dir)
	if len(r.Keys.Damaged) != 1 || r.Keys.Damaged[0] != "patient."+key {
		t.Errorf("damaged in both, and no backup: %+v", r.Keys)
	}
	whole(into, 1)
	// One file cannot be read at all; another patient is erased since the backup.
	if e, stderr := erase(t, dir, "--identifier", testkit.Patient("INV-O").GetSystem()+"|INV-O", "--keep", key, "--yes"); !e.Done {
		t.Fatal(stderr)
	}
	if err := os.WriteFile(filepath.Join(dir, "keys", "keys.db"), []byte("no key store"), 0o600); err != nil {
		t.Fatal(err)
	}
	// The other one is enough for the unit. Nothing is erased, as the first may still hold the key.
	i = start(t, dir)
	i.settle()
	if card := i.must("/card?patient=" + other); !strings.Contains(card, `"name":"(erased)"`) {
		t.Errorf("with one file of keys the card says %.300s", card)
	}
	i.post([]*v1.FeedRequest{testkit.Request(about("identity-new", north, "INV-NEW", "15T09:00", ""), stated("New"))})
	if card := i.must("/card?patient=" + patientKey(t, i, "INV-NEW")); !strings.Contains(card, "New") {
		t.Errorf("a new patient's card has no name: %.300s", card)
	}
	eventually(t, "the damage is counted", func() bool {
		return strings.Contains(i.must("/metrics"), `cannulary_damaged_keys{readable="no"} 1`)
	})
	i.stop()
	if e, stderr := erase(t, dir, "--identifier", testkit.Patient("INV-NEW").GetSystem()+"|INV-NEW", "--yes"); e.Done ||
		!strings.Contains(stderr, "one of the two files of the key store cannot be opened, and may still hold the key") {
		t.Errorf("an erasure with one file of keys: %+v, %s", e, stderr)
	}
	into, r = repaired(t, dir, "--keys-from", backup)
	if len(r.Keys.Damaged) > 0 || len(r.Keys.Restored) != 1 {
		t.Errorf("with a backup: %+v", r.Keys)
	}
	whole(into, 0)
	i = start(t, into)
	i.settle()
	if card := i.must("/card?patient=" + key); !strings.Contains(card, "Family-of-INV-M1") {
		t.Errorf("the card has no name: %.300s", card)
	}
	if card := i.must("/card?patient=" + other); !strings.Contains(card, `"name":"(erased)"`) {
		t.Errorf("what was erased came back: %.300s", card)
	}
}
