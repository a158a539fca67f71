package acceptance_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/app"
	"cannulary/internal/erasure"
	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	"cannulary/internal/view"
	v1 "cannulary/proto/cannulary/v1"
)

// persons is a feed of four identities: INV-M1 to INV-M3 are one person by merges in a chain, INV-O is
// another, who states an identifier of INV-M1 by mistake.
func persons() []*v1.FeedRequest {
	k := &knot{out: registrations()}
	for n, p := range []string{"INV-M1", "INV-M2", "INV-M3", "INV-O"} {
		k.add(about("needle-"+p, north, p, fmt.Sprintf("0%dT08:00", 3+n), "T-"+p), inserted("A1", 25))
		id := stated("Family-of-" + p)
		id.GetIdentityStated().GivenNames, id.GetIdentityStated().BirthDate = "Given-of-"+p, fmt.Sprintf("19%d1-03-02", n+4)
		k.roster("stated-"+p, p, "01T08:00", id)
		k.add(about("hold-"+p, north, p, "10T08:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{
			Track: "A1", PlacedBy: testkit.Staff("S-101"), Reason: "Words-about-" + p}}})
	}
	k.roster("merge-1", "INV-M2", "20T08:00", merged("INV-M3"))
	k.roster("merge-2", "INV-M1", "21T08:00", merged("INV-M2"))
	shared := &v1.PatientIdentifier{System: "https://hospital.example/third", Value: "SHARED-1"}
	for _, m := range k.out {
		if id := m.GetRoster().GetFacts(); len(id) > 0 && id[0].GetIdentityStated().GetFamilyName() == "Family-of-INV-M1" {
			id[0].GetIdentityStated().Identifiers = append(id[0].GetIdentityStated().Identifiers, shared)
		}
	}
	mistaken := stated("Family-of-INV-O")
	mistaken.GetIdentityStated().Identifiers = append(mistaken.GetIdentityStated().Identifiers, shared)
	k.roster("mistaken", "INV-O", "02T08:00", mistaken)
	return k.out
}

// marks are what identifies a person of persons.
func marks(numbers ...string) (out []string) {
	for _, p := range numbers {
		out = append(out, `"`+p+`"`, "Family-of-"+p, "Given-of-"+p, "Words-about-"+p, "19"+fmt.Sprint(slices.Index([]string{"INV-M1", "INV-M2", "INV-M3", "INV-O"}, p)+4)+"1-03-02")
	}
	return out
}

// readable is all that can be read in a stopped instance's folder: every byte of every file, and every
// table of the view with its compressed pages opened.
func readable(tb testing.TB, dir string) map[string][]byte {
	tb.Helper()
	out := contents(tb, dir)
	for name, rows := range dump(tb, dir) {
		var b bytes.Buffer
		for k, v := range rows {
			fmt.Fprintln(&b, k, v)
		}
		out["table "+name] = b.Bytes()
	}
	return out
}

func erase(t *testing.T, dir string, args ...string) (e app.Erased, stderr string) {
	t.Helper()
	code, stdout, stderr := cliRun(t, append([]string{"erase", "--data", dir}, args...)...)
	if code != 0 {
		if stdout != "" {
			t.Errorf("erase failed and prints %s", stdout)
		}
		return e, stderr
	}
	if err := json.Unmarshal([]byte(stdout), &e); err != nil {
		t.Fatalf("erase prints %q: %v", stdout, err)
	}
	return e, stderr
}

func secretsOf(t *testing.T, dir string, keys ...string) (out []string) {
	t.Helper()
	all, damaged, err := keyring.Read(patience(t), filepath.Join(dir, "keys"), false)
	if err != nil || len(damaged) > 0 {
		t.Fatal(err, damaged)
	}
	for _, s := range all {
		if slices.Contains(keys, strings.TrimPrefix(s.Name, "patient.")) {
			out = append(out, string(s.Value[:16]), string(s.Value[16:]))
		}
	}
	return out
}

// An erasure reaches every identity of the person, every file of the folder and every byte of it, and
// nobody else. The record of the needles stays.
func TestAnErasureReachesEveryIdentityAndEveryByte(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	var key = map[string]string{}
	for _, p := range []string{"INV-M1", "INV-O"} {
		key[p] = patientKey(t, i, p)
	}
	i.exported(i.kickOff("/fhir/$export"))
	id := func(number string) string { return testkit.Patient(number).GetSystem() + "|" + number }
	if _, stderr := erase(t, dir, "--identifier", id("INV-M3"), "--yes"); !strings.Contains(stderr, "the folder is in use: "+dir+" is locked by a running cannulary, process ") || !strings.Contains(stderr, "; stop it first") {
		t.Errorf("while the instance runs: %s", stderr)
	}
	i.stop()
	if err := os.Mkdir(filepath.Join(dir, "view", "extract-0123456789abcdef"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, old := range []string{"view-1.db", "view-99.db", "view-99.db-wal", "left-over", "extract-0123456789abcdef/" + view.FileName()} {
		if err := os.WriteFile(filepath.Join(dir, "view", old), []byte("Family-of-INV-M1"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	before := contents(t, dir)
	for _, mark := range marks("INV-M1", "INV-M2", "INV-M3")[3:4] {
		if len(found(readable(t, dir), []string{mark})) == 0 {
			t.Fatalf("%s stands nowhere before the erasure: the search proves nothing", mark)
		}
	}
	if _, stderr := erase(t, dir, "--identifier", id("INV-NOBODY")); !strings.Contains(stderr, "nobody is known by this identifier") {
		t.Errorf("nobody: %s", stderr)
	}
	// A look, by the identity that was merged twice over.
	look, stderr := erase(t, dir, "--identifier", id("INV-M3"))
	if len(look.Patients) != 6 || len(look.Linked) != 1 || look.Linked[0].Key != key["INV-O"] || look.Done || look.Readable != 0 {
		t.Errorf("it would erase %+v, %s", look, stderr)
	}
	if !maps.EqualFunc(before, contents(t, dir), bytes.Equal) {
		t.Error("a look changed the folder")
	}
	// A link by an identifier alone needs a decision.
	if _, stderr := erase(t, dir, "--identifier", id("INV-M3"), "--yes"); !strings.Contains(stderr, "1 patient keys are linked with this person by a stated identifier alone") {
		t.Errorf("without a decision: %s", stderr)
	}
	if _, stderr := erase(t, dir, "--identifier", "https://hospital.example/third|SHARED-1", "--keep", key["INV-M1"], "--keep", key["INV-O"], "--yes"); !strings.Contains(stderr, "there is nothing to erase, and nothing was changed") {
		t.Errorf("everybody kept: %s", stderr)
	}
	if !maps.EqualFunc(before, contents(t, dir), bytes.Equal) {
		t.Error("a refusal changed the folder")
	}
	var keys []string
	for _, p := range look.Patients {
		keys = append(keys, p.Key)
	}
	secrets := secretsOf(t, dir, keys...)
	if len(secrets) != 6 || len(found(before, secrets)) < 6 {
		t.Fatalf("%d halves of keys, %d finds", len(secrets), len(found(before, secrets)))
	}
	want := dump(t, dir)
	done, stderr := erase(t, dir, "--identifier", id("INV-M3"), "--keep", key["INV-O"], "--yes")
	if !done.Done || done.Events != uint64(len(want["event"])) || len(done.Remains) != 4 {
		t.Fatalf("erased %+v, %s", done, stderr)
	}
	after := readable(t, dir)
	if where := found(after, append(marks("INV-M1", "INV-M2", "INV-M3"), secrets...)); len(where) > 0 {
		t.Errorf("after the erasure: %v", where)
	}
	if where := found(after, []string{"Words-about-INV-O"}); len(where) == 0 {
		t.Error("another patient's words are gone too")
	}
	got := dump(t, dir)
	for _, name := range []string{"event", "finding", "track", "judged"} {
		sameRows(t, name, want[name], got[name])
	}
	erasedTwice(t, dir, id("INV-M1"), key["INV-O"])
	afterwards(t, dir, key, id)
}

// erasedTwice is refused, unless the first time was interrupted.
func erasedTwice(t *testing.T, dir, identifier, other string) {
	t.Helper()
	args := []string{"--identifier", identifier, "--keep", other, "--yes"}
	if _, stderr := erase(t, dir, args...); !strings.Contains(stderr, "the identity of this person was erased already; nothing was changed") {
		t.Errorf("a second time: %s", stderr)
	}
	path := filepath.Join(dir, erasure.FileName)
	list, err := erasure.Read(path)
	if err != nil || len(list) != 2 || list[0].What != erasure.Begun || list[1].What != erasure.Done || len(list[0].Keys) != 6 {
		t.Errorf("on record is %+v, %v", list, err)
	}
	if err := erasure.Append(path, list[0]); err != nil {
		t.Fatal(err)
	}
	i := start(t, dir)
	if !strings.Contains(i.log.String(), "an erasure was interrupted") {
		t.Error("a start does not say that an erasure was interrupted")
	}
	i.stop()
	if e, stderr := erase(t, dir, args...); !e.Done {
		t.Errorf("after an interruption: %+v %s", e, stderr)
	}
}

// afterwards the card goes on and says it, and no identity is taken until somebody reopens it.
func afterwards(t *testing.T, dir string, key map[string]string, id func(string) string) {
	t.Helper()
	i := start(t, dir)
	card := i.must("/card?patient=" + key["INV-M1"])
	if !strings.Contains(card, `"name":"(erased)"`) || !strings.Contains(card, "Name and numbers of this patient were erased.") || !strings.Contains(card, `"name":"A1"`) {
		t.Errorf("the card is %s", card)
	}
	if page := i.must("/?facility=" + north); strings.Contains(page, "Family-of-INV-M") {
		t.Error("the page Today shows the name")
	}
	client := testkit.Dial(t, i.app.GRPCAddr())
	send := func(message string) error {
		_, err := client.Send(patience(t), testkit.Request(about(message, north, "INV-M2", "25T08:00", ""), stated("Again")))
		return err
	}
	if err := send("again"); err == nil || !strings.Contains(err.Error(), "the patient's identity was erased: it cannot be stated again") {
		t.Errorf("an identity: %v", err)
	}
	if _, err := client.Send(patience(t), testkit.Request(about("needle-again", north, "INV-M2", "25T08:00", ""), inserted("A1", 25))); err != nil {
		t.Errorf("a needle: %v", err)
	}
	i.stop()
	if _, stderr := erase(t, dir, "--identifier", id("INV-O"), "--reopen"); !strings.Contains(stderr, "no patient key of this person was erased; nothing was changed") {
		t.Errorf("reopen another: %s", stderr)
	}
	if e, stderr := erase(t, dir, "--identifier", id("INV-M1"), "--reopen"); e.Done || len(e.Does) != 1 {
		t.Errorf("it would reopen %+v, %s", e, stderr)
	}
	if e, stderr := erase(t, dir, "--identifier", id("INV-M1"), "--reopen", "--yes"); !e.Done {
		t.Errorf("reopened %+v, %s", e, stderr)
	}
	i = start(t, dir)
	client = testkit.Dial(t, i.app.GRPCAddr())
	if err := send("again-2"); err != nil {
		t.Errorf("after it was reopened: %v", err)
	}
	i.settle()
	if code, text := i.get("/card?patient=" + key["INV-M1"]); code != http.StatusOK || !strings.Contains(text, "Again") {
		t.Errorf("the card answers %d %s", code, text)
	}
}

// On an external server the keys are destroyed in its bucket and the view of the folder that is given is built
// again. A server without the log is refused, and nothing is made on it.
func TestAnErasureOnAnExternalServer(t *testing.T) {
	t.Parallel()
	x := externalNATS(t)
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir, x.use)
	i.post(persons())
	key := patientKey(t, i, "INV-O")
	i.stop()
	empty := externalNATS(t)
	who := []string{"--identifier", testkit.Patient("INV-O").GetSystem() + "|INV-O"}
	if _, stderr := erase(t, dir, append(who, "--nats", empty.url, "--master-key-file", empty.master)...); !strings.Contains(stderr, "the log of shard main and its keys on "+empty.url) {
		t.Errorf("a server without the log: %s", stderr)
	}
	for name := range empty.js.StreamNames(patience(t)).Name() {
		t.Errorf("stream %s was made on the server without the log", name)
	}
	who = append(who, "--nats", x.url, "--master-key-file", x.master)
	look, stderr := erase(t, dir, who...)
	if look.Done || len(look.Patients) != 2 || len(look.Linked) != 1 || len(look.Remains) != 6 {
		t.Fatalf("it would erase %+v, %s", look, stderr)
	}
	done, stderr := erase(t, dir, append(who, "--keep", look.Linked[0].Key, "--yes")...)
	if !done.Done || done.Patients[0].Key != key && done.Patients[1].Key != key {
		t.Fatalf("erased %+v, %s", done, stderr)
	}
	if where := found(readable(t, dir), marks("INV-O")); len(where) > 0 {
		t.Errorf("after the erasure: %v", where)
	}
	kv, err := x.js.KeyValue(patience(t), "cannulary-keys-main")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Get(patience(t), "patient."+key); !errors.Is(err, jetstream.ErrKeyNotFound) && !errors.Is(err, jetstream.ErrKeyDeleted) {
		t.Errorf("the key in the bucket: %v", err)
	}
	i = start(t, dir, x.use)
	if card := i.must("/card?patient=" + key); !strings.Contains(card, `"name":"(erased)"`) {
		t.Errorf("the card is %.300s", card)
	}
}

// cancelling ends something when a line is logged.
type cancelling struct {
	line   string
	cancel func()
}

func (c cancelling) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte(c.line)) {
		c.cancel()
	}
	return len(b), nil
}

// An erasure that ends after the keys are destroyed says what is left, and the same command goes on from there.
func TestAnInterruptedErasureGoesOn(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	i.post(persons())
	other := patientKey(t, i, "INV-O")
	i.stop()
	ctx, cancel := context.WithCancel(patience(t))
	cfg := config(dir, &buffer{})
	cfg.Shard, cfg.Slog = "main", slog.New(slog.NewJSONHandler(cancelling{"patient keys were destroyed", cancel}, nil))
	_, err := app.Erase(ctx, cfg, app.EraseOptions{System: testkit.Patient("INV-M1").GetSystem(), Value: "INV-M1", Keep: []string{other}, Yes: true})
	if err == nil || !strings.Contains(err.Error(), "the keys are destroyed, but the old view still holds what it opened with them: ") {
		t.Fatalf("interrupted it says %v", err)
	}
	if where := found(readable(t, dir), marks("INV-M1")); len(where) == 0 {
		t.Error("nothing is left to do: the interruption came too late")
	}
	if e, stderr := erase(t, dir, "--identifier", testkit.Patient("INV-M1").GetSystem()+"|INV-M1", "--keep", other, "--yes"); !e.Done {
		t.Fatalf("given again: %s", stderr)
	}
	if where := found(readable(t, dir), marks("INV-M1", "INV-M2", "INV-M3")); len(where) > 0 {
		t.Errorf("after the second time: %v", where)
	}
}

// Whenever an erasure is killed, the service starts again and says that it was interrupted, the record of the needles is
// whole, and the same command ends what was begun: nothing of the person is left then, and everything of others.
func TestAKilledErasureIsEnded(t *testing.T) {
	t.Parallel()
	first := filepath.Join(t.TempDir(), "unit")
	i := start(t, first)
	i.post(persons())
	key, other := patientKey(t, i, "INV-M1"), patientKey(t, i, "INV-O")
	i.stop()
	id := testkit.Patient("INV-M1").GetSystem() + "|INV-M1"
	c := &crash{T: t, rnd: rand.New(rand.NewPCG(20261130, 14))}
	args := func(dir string) []string {
		return []string{"erase", "--data", dir, "--identifier", id, "--keep", other, "--yes"}
	}
	took := c.took(0, args(copyDir(t, first, filepath.Join(t.TempDir(), "whole")))...)
	at := map[string]int{} // kills by what was on record
	for kills := 0; kills < tier.Torture(4, 64); {
		dir := copyDir(t, first, filepath.Join(t.TempDir(), "killed"))
		if !c.atWork(took, args(dir)...) {
			continue
		}
		kills++
		list, err := erasure.Read(filepath.Join(dir, erasure.FileName))
		if err != nil {
			t.Fatalf("after kill %d: %v", kills, err)
		}
		last := ""
		if len(list) > 0 {
			last = list[len(list)-1].What
		}
		at[last]++
		if c.rnd.IntN(2) == 0 {
			i := start(t, dir)
			if got := strings.Contains(i.log.String(), "an erasure was interrupted"); got != (last == erasure.Begun) {
				t.Errorf("kill %d left %q on record, and a start says that an erasure was interrupted: %v", kills, last, got)
			}
			if card := i.must("/card?patient=" + key); !strings.Contains(card, `"sessionsCounted":3`) { // one of each identity
				t.Errorf("after kill %d the card is %.300s", kills, card)
			}
			i.stop()
		}
		if e, stderr := erase(t, dir, args(dir)[3:]...); !e.Done && last != erasure.Done {
			t.Errorf("kill %d left %q on record, and the command given again: %s", kills, last, stderr)
		}
		after := readable(t, dir)
		if where := found(after, marks("INV-M1", "INV-M2", "INV-M3")); len(where) > 0 {
			t.Errorf("after kill %d (%q on record) and the command given again: %v", kills, last, where)
		}
		if len(found(after, []string{"Words-about-INV-O"})) == 0 {
			t.Errorf("after kill %d another patient's words are gone", kills)
		}
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("killed with this on record: %v", at)
}
