package acceptance_test

import (
	"database/sql"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	_ "modernc.org/sqlite"

	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
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
	if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != 1 || strings.Count(stdout, "1 of ") != 2 || !strings.Contains(stdout, "secrets are damaged (patient."+key+"); restore it from its backup") {
		t.Errorf("verify exits %d and says %s", code, stdout)
	}
	// A rebuild sets no event aside.
	rebuild(t, dir, len(want["event"]))
	i = start(t, dir)
	i.settle()
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
