package acceptance_test

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// audited lists what the trail says of a search, the newest first: principal, DICOM's type, what was done, and the route.
func (i *instance) audited(query string) (out []string) {
	i.tb.Helper()
	var b struct {
		Entry []struct {
			Resource struct {
				Action string
				Type   struct{ Code string }
				Agent  []struct{ AltID string }
				Entity []struct{ Description string }
			}
		}
	}
	if err := json.Unmarshal([]byte(i.must("/fhir/AuditEvent?_count=200&"+query)), &b); err != nil {
		i.tb.Fatal(err)
	}
	for _, e := range b.Entry {
		r := e.Resource
		out = append(out, strings.Join([]string{r.Agent[0].AltID, r.Type.Code, r.Action, r.Entity[len(r.Entity)-1].Description}, " "))
	}
	return out
}

// operated waits until the trail says this of the operator, and nothing else. What a command left comes into the stream after the start.
func (i *instance) operated(query string, want ...string) {
	i.tb.Helper()
	eventually(i.tb, "the trail has what the operator did", func() bool { return len(i.audited(query+"altid=operator")) >= len(want) })
	if got := i.audited(query + "altid=operator"); !slices.Equal(got, want) {
		i.tb.Errorf("of the operator the trail says %q, want %q", got, want)
	}
}

// trailBlocks lists the files of the trail's stream, oldest first.
func trailBlocks(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "trail*", "stream", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(list) == 0 {
		t.Fatalf("blocks of the trail %v, %v", list, err)
	}
	return list
}

func verified(t *testing.T, dir string, more ...string) (code int, said string) {
	t.Helper()
	code, said, stderr := cliRun(t, append([]string{"verify", "--data", dir}, more...)...)
	if stderr != "" {
		t.Fatalf("verify says %s", stderr)
	}
	return code, said
}

// aRead is an instance that was stopped after the card of a patient was read, with the head of its trail then.
func aRead(t *testing.T) (dir, key, head string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	key = patientKey(t, i, "INV-M1")
	var s app.Status
	eventually(t, "the trail has the card", func() bool {
		if err := json.Unmarshal([]byte(i.must("/status")), &s); err != nil {
			t.Fatal(err)
		}
		return s.Trail != nil && s.Trail.Entries > 1
	})
	if code, _, stderr := cliRun(t, "backup", "--data", dir, "--to", filepath.Join(t.TempDir(), "log")); code != 0 {
		t.Fatalf("backup exits %d: %s", code, stderr)
	}
	i.stop()
	return dir, key, s.Trail.Head
}

// lastEntry flips a bit in the last entry of a trail. It looks like a write that was interrupted, but the index of the trail
// has the entry. Without it nothing could be appended.
func lastEntry(t *testing.T, dir string) {
	t.Helper()
	block := trailBlocks(t, dir)[0]
	flip(t, block, 8*(size64(t, block)-60))
	code, said := verified(t, dir)
	if code != 1 || !strings.Contains(said, "DAMAGED   the audit trail: the trail ends at entry ") || !strings.Contains(said, ", but its index has entry ") {
		t.Errorf("with a flipped bit in the last entry verify exits %d\n%s", code, said)
	}
	i := start(t, dir)
	i.must("/fhir/Patient?_summary=count")
	if s := i.must("/status"); !strings.Contains(s, "a trail that could not be opened is kept in trail-set-aside") {
		t.Errorf("with a flipped bit in the last entry status says %s", s)
	}
	i.stop()
	// Without the index too: nobody knows that the entry was acknowledged.
	dir = copyDir(t, dir, filepath.Join(t.TempDir(), "again"))
	for _, end := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(filepath.Join(dir, "trail", "index.db"+end)); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
	block = filepath.Join(dir, "trail", strings.SplitN(block, "/trail/", 2)[1])
	flip(t, block, 8*(size64(t, block)-60))
	i = start(t, dir)
	i.must("/fhir/Patient?_summary=count")
	i.stop()
}

// The trail goes with the record: into backups, restored and repaired folders. What an operator's commands do stands in it.
func TestTheTrailGoesWithTheRecord(t *testing.T) {
	t.Parallel()
	dir, key, head := aRead(t)
	code, said := verified(t, dir, "--head", head)
	if code != 0 || !strings.Contains(said, "\ntrail     ") || !strings.Contains(said, "note      the audit trail: the head ") ||
		!strings.Contains(said, " agrees: no entry up to ") || !strings.Contains(said, "everything that was looked at is whole") {
		t.Errorf("verify exits %d\n%s", code, said)
	}
	card, backup := "everybody 110110 R GET /card with identifier", "operator 110106 R POST /operator/backup"
	log, keys, _ := made(t, dir)
	for by, into := range map[string]string{
		"restore": func() string { d, _, _ := restored(t, log, keys); return d }(),
		"repair":  func() string { d, _ := repaired(t, dir); return d }(),
	} {
		i := start(t, into)
		if of := i.audited("patient=" + key); !slices.Contains(of, card) {
			t.Errorf("%s: of the patient the trail says %q", by, of)
		}
		i.operated("", "operator 110107 C COMMAND "+by, backup)
		i.stop()
		if code, said := verified(t, into, "--head", head); code != 0 {
			t.Errorf("%s: verify exits %d\n%s", by, code, said)
		}
	}
	p := testkit.Patient("INV-M1")
	if e, stderr := erase(t, dir, "--identifier", p.GetSystem()+"|"+p.GetValue(), "--keep", "", "--yes"); e.Done || stderr == "" {
		t.Errorf("without a decision about a linked key it erased %+v", e)
	}
	look, _ := erase(t, dir, "--identifier", p.GetSystem()+"|"+p.GetValue())
	if e, stderr := erase(t, dir, "--identifier", p.GetSystem()+"|"+p.GetValue(), "--keep", look.Linked[0].Key, "--yes"); !e.Done {
		t.Fatal(stderr)
	}
	i := start(t, dir)
	i.operated("patient="+key+"&", "operator 110110 D COMMAND erase")
	i.stop()
}

// A damaged trail is named and never handed to a server that would cut it off: it is set aside whole. The record goes on.
func TestADamagedTrailIsNamedAndKept(t *testing.T) {
	t.Parallel()
	dir, key, head := aRead(t)
	lastEntry(t, copyDir(t, dir, filepath.Join(t.TempDir(), "last")))
	block := trailBlocks(t, dir)[0]
	flip(t, block, 8*(size64(t, block)/2))
	before := contents(t, dir)
	code, said := verified(t, dir)
	if code != 1 || !strings.Contains(said, "DAMAGED   the audit trail: ") || !strings.Contains(said, "the record is whole, the audit trail is not") {
		t.Errorf("verify exits %d\n%s", code, said)
	}
	_, _, m := made(t, dir)
	if m.Log == nil || len(m.Log.TrailDamages) == 0 {
		t.Errorf("the backup says %+v", m.Log)
	}
	if !maps.EqualFunc(before, contents(t, dir), func(a, b []byte) bool { return string(a) == string(b) }) {
		t.Error("a look changed the folder")
	}
	damaged, err := os.ReadFile(block)
	if err != nil {
		t.Fatal(err)
	}
	into, _ := repaired(t, dir)
	i := start(t, into)
	aside, err := os.ReadFile(strings.Replace(trailBlocks(t, into)[0], "/trail/", "/trail-set-aside/", 1))
	if err != nil || string(aside) != string(damaged) {
		t.Errorf("what was set aside is not what was there: %v", err)
	}
	i.operated("", "operator 110107 C COMMAND repair")
	if s := i.must("/status"); !strings.Contains(s, "a trail that could not be opened is kept in trail-set-aside") {
		t.Errorf("status says %s", s)
	}
	if again := patientKey(t, i, "INV-M1"); again != key {
		t.Errorf("the card is of %s", again)
	}
	i.stop()
	// A head of the old trail does not agree with the new one.
	if code, said := verified(t, into, "--head", head); code != 1 || !strings.Contains(said, "CHANGED   the audit trail: the head ") {
		t.Errorf("with an old head verify exits %d\n%s", code, said)
	}
}
