package acceptance_test

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/backup"
	"cannulary/internal/erasure"
	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
)

// made makes a backup with both parts, and gives their folders.
func made(t *testing.T, dir string, more ...string) (log, keys string, m backup.Made) {
	t.Helper()
	to := t.TempDir()
	log, keys = filepath.Join(to, "log-part"), filepath.Join(to, "keys-part")
	code, stdout, stderr := cliRun(t, append([]string{"backup", "--data", dir, "--to", log, "--keys-to", keys}, more...)...)
	if code != 0 || json.Unmarshal([]byte(stdout), &m) != nil {
		t.Fatalf("backup exits %d: %s %s", code, stdout, stderr)
	}
	return log, keys, m
}

func restored(t *testing.T, log, keys string, more ...string) (dir string, r backup.Restored, stderr string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "restored")
	code, stdout, stderr := cliRun(t, append([]string{"restore", "--from", log, "--keys-from", keys, "--data", dir}, more...)...)
	if code == 0 {
		if err := json.Unmarshal([]byte(stdout), &r); err != nil {
			t.Fatal(err)
		}
	}
	return dir, r, stderr
}

// A backup of a running instance, made while messages come in, holds everything that was acknowledged before
// it began. Restored it gives the same view. One of an earlier moment takes again what came later.
func TestARestoredBackupGivesTheSameView(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.fresh(t)
	i := start(t, dir)
	half := len(u.messages) / 2
	i.post(u.messages[:half])
	early, earlyKeys, _ := made(t, dir)
	posted := make(chan error, 1)
	go func() {
		_, _, err := post(patience(t), i.app.GRPCAddr(), u.messages[half:])
		posted <- err
	}()
	for busy := true; busy; {
		before := i.last()
		if _, _, m := made(t, dir); m.Log.Last < before || m.Keys.Secrets == 0 || m.Keys.Encrypted || len(m.Keys.Damaged) > 0 {
			t.Fatalf("at entry %d it made %+v", before, m)
		}
		select {
		case err := <-posted:
			if busy = false; err != nil {
				t.Fatal(err)
			}
		default:
		}
	}
	i.settle()
	log, keys, m := made(t, dir)
	i.stop()
	identitiesIn(t, u, log)
	want := dump(t, dir)
	into, r, stderr := restored(t, log, keys)
	if r.Last != m.Log.Last || r.Entries != m.Log.Last || len(r.Notes) != 5 || !strings.Contains(r.Notes[0], "after entry ") {
		t.Fatalf("restored %+v %s", r, stderr)
	}
	rebuild(t, into, len(want["event"]))
	same(t, want, dump(t, into))

	into, r, _ = restored(t, early, earlyKeys)
	i = start(t, into)
	if tally, _ := i.post(u.messages); tally.Duplicates < half || tally.Accepted+tally.Duplicates != len(u.messages) || r.Last >= m.Log.Last {
		t.Errorf("restored to entry %d of %d, and sent again: %+v", r.Last, m.Log.Last, tally)
	}
	i.stop()
	same(t, u.order, dumpOrder(t, into))
}

// identitiesIn looks for anything that identifies a patient in the log's part of a backup.
func identitiesIn(t *testing.T, u *unit, log string) {
	t.Helper()
	identifiers, personal := identities(u.messages)
	if where := found(contents(t, log), append(identifiers, personal...)); len(where) > 0 {
		t.Errorf("the log's part holds %v", where[:min(3, len(where))])
	}
}

// A backup of before an erasure brings nothing back where the list of erasures is given; the keys' part is
// of use to nobody without the passphrase.
func TestARestoreRepeatsErasures(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	other := patientKey(t, i, "INV-O")
	i.stop()
	secret := filepath.Join(t.TempDir(), "passphrase")
	if err := os.WriteFile(secret, []byte("an invented passphrase\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	log, keys, m := made(t, dir, "--passphrase-file", secret)
	all, _, err := keyring.Read(patience(t), filepath.Join(dir, "keys"), false)
	if err != nil || m.Keys.Secrets != len(all) || !m.Keys.Encrypted {
		t.Fatalf("%+v, %v", m, err)
	}
	for _, s := range all {
		if where := found(contents(t, filepath.Dir(log)), []string{string(s.Value)}); len(where) > 0 {
			t.Errorf("a secret stands in %v", where)
		}
	}
	if _, _, stderr := restored(t, log, keys); !strings.Contains(stderr, "are encrypted; give --passphrase-file or --identity-file") {
		t.Errorf("without the passphrase: %s", stderr)
	}
	erased := []string{"--identifier", testkit.Patient("INV-M1").GetSystem() + "|INV-M1", "--keep", other, "--yes"}
	if e, stderr := erase(t, dir, erased...); !e.Done {
		t.Fatal(stderr)
	}
	into, r, stderr := restored(t, log, keys, "--passphrase-file", secret, "--erasures", filepath.Join(dir, erasure.FileName))
	if len(r.Erased) != 6 || len(r.Notes) != 4 {
		t.Fatalf("restored %+v %s", r, stderr)
	}
	rebuild(t, into, len(dump(t, dir)["event"]))
	if where := found(readable(t, into), marks("INV-M1", "INV-M2", "INV-M3")); len(where) > 0 {
		t.Errorf("the restore brought back %v", where)
	}
	same(t, dump(t, dir), dump(t, into))
	if _, stderr := erase(t, into, erased...); !strings.Contains(stderr, "was erased already") {
		t.Errorf("erased once more: %s", stderr)
	}
	into, r, _ = restored(t, log, keys, "--passphrase-file", secret)
	if len(r.Erased) != 0 || len(r.Notes) != 5 || !strings.Contains(r.Notes[4], "erasures after the backup are not repeated") {
		t.Errorf("without the list: %+v", r)
	}
	if _, err := os.Stat(filepath.Join(into, erasure.FileName)); err == nil {
		t.Error("a list of erasures was made of none")
	}
}

// What is not whole, not a backup or not empty is refused, with the reason, and nothing is left.
func TestABackupThatIsNotWholeIsRefused(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	i.stop()
	log, keys, _ := made(t, dir)
	block := blocks(t, log)[0]
	refused := func(what, says string, args ...string) {
		t.Helper()
		into := filepath.Join(t.TempDir(), "into")
		code, stdout, stderr := cliRun(t, append(slices.Clone(args), "--data", into)...)
		if code != 1 || stdout != "" || !strings.Contains(stderr, says) {
			t.Errorf("%s: exit %d, %s%s; want %q", what, code, stdout, stderr, says)
		}
		if left := contents(t, filepath.Dir(into)); len(left) > 0 {
			t.Errorf("%s leaves %v", what, slices.Sorted(maps.Keys(left)))
		}
	}
	refused("no backup", "is not a finished backup", "restore", "--from", t.TempDir(), "--keys-from", keys)
	refused("the parts changed", `holds the part "keys" of a backup, not "log"`, "restore", "--from", keys, "--keys-from", log)
	refused("a list that is not there", "the list of erasures: ", "restore", "--from", log, "--keys-from", keys, "--erasures", filepath.Join(dir, "none"))
	flip(t, block, 4000)
	refused("a flipped bit", "is not as it was written: the backup is damaged; take another one", "restore", "--from", log, "--keys-from", keys)
	flip(t, block, 4000)
	_, otherKeys, _ := made(t, anotherInstance(t))
	refused("keys of another instance", "what was restored is not whole: ", "restore", "--from", log, "--keys-from", otherKeys)
	before := contents(t, dir)
	for what, c := range map[string]struct {
		says string
		args []string
	}{
		"log and keys together":  {"are not apart", []string{"--to", filepath.Join(t.TempDir(), "b"), "--keys-to", ""}},
		"a folder with files":    {"is not empty (it holds acknowledged); nothing in it was changed", []string{"--to", log}},
		"a folder inside":        {"lies in the folder that is copied", []string{"--to", filepath.Join(dir, "backup")}},
		"an empty passphrase":    {"the first line of /dev/null is empty", []string{"--keys-to", filepath.Join(t.TempDir(), "k"), "--passphrase-file", "/dev/null"}},
		"an instance of nothing": {"there is no instance in", []string{"--to", filepath.Join(t.TempDir(), "b"), "--data", t.TempDir()}},
	} {
		if what == "log and keys together" {
			c.args[3] = filepath.Join(c.args[1], "keys")
		}
		code, stdout, stderr := cliRun(t, append([]string{"backup", "--data", dir}, c.args...)...)
		if code != 1 || stdout != "" || !strings.Contains(stderr, c.says) {
			t.Errorf("%s: exit %d, %s%s; want %q", what, code, stdout, stderr, c.says)
		}
	}
	flip(t, blocks(t, dir)[0], 9000)
	to := filepath.Join(t.TempDir(), "damaged")
	if code, _, stderr := cliRun(t, "backup", "--data", dir, "--to", to); code != 1 || !strings.Contains(stderr, "is not whole: ") || len(contents(t, to)) > 0 {
		t.Errorf("a damaged log: exit %d, %s, leaves %v", code, stderr, slices.Sorted(maps.Keys(contents(t, to))))
	}
	flip(t, blocks(t, dir)[0], 9000)
	if !maps.EqualFunc(before, contents(t, dir), func(a, b []byte) bool { return string(a) == string(b) }) {
		t.Error("a backup changed the folder")
	}
}

// anotherInstance is a stopped instance of another log.
func anotherInstance(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "other")
	i := start(t, dir)
	i.post(registrations())
	i.stop()
	return dir
}

// The log in a backup is a source of entries for a repair.
func TestARepairTakesEntriesFromABackup(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	i.stop()
	n, want := len(dump(t, dir)["event"]), dumpOrder(t, dir)
	log, _, _ := made(t, dir)
	if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
		t.Fatal(err)
	}
	flip(t, blocks(t, dir)[0], 9000)
	into, r := repaired(t, dir, "--copy", log)
	if len(r.Lost) != 0 || len(r.Copied) != 1 {
		t.Errorf("repaired %+v", r)
	}
	rebuild(t, into, n+1) // and the event of the repair
	same(t, want, dumpOrder(t, into))
}

// What a killed restore leaves is no instance: its log ends too early, and erasures are not repeated yet.
func TestAKilledRestoreLeavesNoInstance(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.fresh(t)
	i := start(t, dir)
	i.post(u.messages)
	i.settle()
	log, keys, _ := made(t, dir)
	i.stop()
	want := dump(t, dir)
	left := filepath.Join(t.TempDir(), "restored")
	killed := false
	for range 200 {
		if err := os.RemoveAll(left); err != nil {
			t.Fatal(err)
		}
		p, _ := command(t, "restore", "--from", log, "--keys-from", keys, "--data", left)
		// Killed at once when the log's files come; a machine may be too slow for that now and then.
		for begun := false; !begun; {
			if _, err := os.Stat(filepath.Join(left, "log")); err == nil {
				begun = true
			}
			select {
			case <-p.exited:
				begun = true
			default:
			}
		}
		if p.kill() {
			killed = true
			break
		}
	}
	if !killed {
		t.Fatal("no restore was killed while it was at work")
	}
	for _, args := range [][]string{{"serve", "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--data", left}, {"verify", "--data", left},
		{"status", "--data", left}, {"restore", "--from", log, "--keys-from", keys, "--data", left}} {
		p, _ := command(t, args...)
		<-p.exited
		if text := p.log.String(); p.cmd.ProcessState.ExitCode() != 1 || strings.Count(text, "\n") != 1 || !strings.Contains(text,
			"holds what an interrupted restore left, and not all entries: delete this folder, then run `cannulary restore` again; the backup is as it was") {
			t.Errorf("%s on what a killed restore left exits %d: %s", args[0], p.cmd.ProcessState.ExitCode(), text)
		}
	}
	into, _, stderr := restored(t, log, keys)
	if stderr != "" {
		t.Fatalf("restored once more: %s", stderr)
	}
	rebuild(t, into, len(want["event"]))
	same(t, want, dump(t, into))
}
