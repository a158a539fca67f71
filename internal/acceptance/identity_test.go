package acceptance_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/freetext"
	"cannulary/internal/keyring"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// contents are the bytes of every file below a folder, by path.
func contents(tb testing.TB, dir string) map[string][]byte {
	tb.Helper()
	out := map[string][]byte{}
	if err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		out[path], err = os.ReadFile(path)
		return err
	}); err != nil {
		tb.Fatal(err)
	}
	return out
}

// found reports where any of the texts stands in the files.
func found(files map[string][]byte, texts []string) (where []string) {
	for path, b := range files {
		for _, s := range texts {
			if bytes.Contains(b, []byte(s)) || strings.Contains(path, s) {
				where = append(where, s+" in "+path)
			}
		}
	}
	slices.Sort(where)
	return where
}

// identities are what messages say of patients: identifiers apart from names and dates.
func identities(msgs []*cannularyv1.FeedRequest) (identifiers, personal []string) {
	note := func(list *[]string, s string) {
		if s != "" && !slices.Contains(*list, s) {
			*list = append(*list, s)
		}
	}
	for _, m := range msgs {
		note(&identifiers, testkit.Envelope(m).GetPatient().GetValue())
		for _, f := range m.GetRoster().GetFacts() {
			note(&identifiers, f.GetPatientsMerged().GetRetired().GetValue())
			for _, id := range []*cannularyv1.IdentityStated{f.GetIdentityStated(), f.GetFactCorrected().GetReplacement().GetIdentityStated()} {
				for _, i := range id.GetIdentifiers() {
					note(&identifiers, i.GetValue())
				}
				note(&personal, id.GetFamilyName())
				note(&personal, id.GetGivenNames())
				note(&personal, id.GetBirthDate())
			}
		}
	}
	return identifiers, personal
}

// What identifies a patient stands sealed in the log and nowhere else in clear, but for
// the identifiers of Patient resources in the view.
func TestNothingIdentifyingLeavesItsPlace(t *testing.T) {
	t.Parallel()
	u := shared(t)
	identifying := simulate.Identifying(u.scenario)
	identifiers, personal := identities(u.messages)
	for _, s := range append(slices.Clone(identifiers), personal...) {
		if !slices.Contains(identifying, s) {
			t.Errorf("%q is in the messages, and the simulator does not list it as identifying", s)
		}
	}
	// The search finds what is there: a message's id in the log, an identifier in the view.
	if len(found(contents(t, filepath.Join(u.dir, "log")), []string{testkit.Envelope(u.messages[100]).GetSourceMessageId()})) == 0 {
		t.Fatal("the search does not find a message's id in the log")
	}
	if len(identifiers) == 0 || len(found(contents(t, filepath.Join(u.dir, "view")), identifiers)) < 1 {
		t.Fatal("the search does not find any identifier in the view")
	}
	if !strings.Contains(u.metrics, "cannulary_tracks") {
		t.Fatalf("the metrics are %s", u.metrics)
	}
	for _, c := range []struct {
		name  string
		files map[string][]byte
		texts []string
	}{
		// The log's files hold subjects and message ids too.
		{"the log's files", contents(t, filepath.Join(u.dir, "log")), identifying},
		{"the ingest index", contents(t, filepath.Join(u.dir, "ingest")), identifying},
		{"the key store", contents(t, filepath.Join(u.dir, "keys")), identifying},
		// On a quiet day the program logs nothing; see also the test of the quarantine.
		{"the program's own log", map[string][]byte{"stderr": u.logged}, identifying},
		{"the metrics", map[string][]byte{"/metrics": []byte(u.metrics)}, append(slices.Clone(identifying), u.patients...)},
		{"the view, of names and birth dates", contents(t, filepath.Join(u.dir, "view")), personal},
	} {
		if where := found(c.files, c.texts); len(where) > 0 {
			t.Errorf("%s: %d finds, for instance %v", c.name, len(where), where[:min(4, len(where))])
		}
	}
}

// A lawful erasure is the destruction of one key: the log stays whole, and after a rebuild
// nothing of the patient's identity is left.
func TestAnErasureLeavesTheLogWholeAndNoIdentifier(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	who := someone(t, u)
	var hers []*cannularyv1.FeedRequest
	for _, m := range u.messages {
		if p := testkit.Envelope(m).GetPatient(); p.GetSystem() == who.GetSystem() && p.GetValue() == who.GetValue() {
			hers = append(hers, m)
		}
	}
	const words = "Erasable-words-about-her"
	i := start(t, dir)
	i.post([]*cannularyv1.FeedRequest{testkit.Request(&cannularyv1.Envelope{Source: "invented", SourceMessageId: "words",
		Facility: testkit.Envelope(hers[0]).GetFacility(), Patient: who, OccurredAt: timestamppb.New(now().Add(-time.Hour)),
		Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND},
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldPlaced{HoldPlaced: &cannularyv1.HoldPlaced{Access: "F1",
			PlacedBy: testkit.Staff("S-101"), Reason: words}}})})
	i.stop()
	want := dump(t, dir)
	for path := range contents(t, dir) {
		if strings.Contains(path, "/log/") && len(found(map[string][]byte{path: contents(t, dir)[path]}, []string{words})) > 0 {
			t.Errorf("%s holds what was written about her, unsealed", path)
		}
	}
	if !slices.ContainsFunc(slices.Collect(maps.Values(want["resource"])), func(r string) bool { return bytes.Contains(body(r), []byte(words)) }) {
		t.Fatal("no resource shows what was written about her")
	}
	identifiers, personal := identities(hers)
	personal = append(personal, words)
	if len(found(contents(t, dir), identifiers)) == 0 || len(personal) < 3 {
		t.Fatalf("before the erasure her identifiers %v must be in the view and her identity (%v) stated", identifiers, personal)
	}
	before := entries(t, dir)
	key := destroy(t, dir, who)
	rebuild(t, dir, len(want["event"]))
	if where := found(contents(t, dir), append(identifiers, personal...)); len(where) > 0 {
		t.Errorf("after the erasure: %v", where)
	}
	if after := entries(t, dir); !slices.Equal(before, after) {
		t.Errorf("the log changed: %d entries before, %d after", len(before), len(after))
	}
	got := dump(t, dir)
	var patient struct {
		Identifier []any `json:"identifier"`
		Active     bool  `json:"active"`
	}
	if err := json.Unmarshal(body(got["resource"]["Patient/"+key]), &patient); err != nil || len(patient.Identifier) != 0 || !patient.Active {
		t.Errorf("the Patient is %s (%v)", got["resource"]["Patient/"+key], err)
	}
	// Every other resource is as before, but for what was written of her in somebody's own words.
	for id, row := range want["resource"] {
		was, is := body(row), body(got["resource"][id])
		if id != "Patient/"+key && !bytes.Equal(was, is) && !bytes.Contains(is, []byte(freetext.Erased)) {
			t.Errorf("%s was %s, is %s", id, was, is)
		}
	}
	if len(got["resource"]) != len(want["resource"]) {
		t.Errorf("%d resources, before %d", len(got["resource"]), len(want["resource"]))
	}
	i = start(t, dir)
	if code, text := i.get("/card?identifier=" + who.GetSystem() + "%7C" + who.GetValue()); code != 200 || strings.Contains(text, identifiers[0]) || strings.Contains(text, personal[0]) {
		t.Errorf("the card answers %d: %.300s", code, text)
	}
}

// someone is a patient with a stated identity who was never merged.
func someone(tb testing.TB, u *unit) *cannularyv1.PatientIdentifier {
	tb.Helper()
	merged := map[string]bool{}
	for _, m := range u.messages {
		for _, f := range m.GetRoster().GetFacts() {
			if p := f.GetPatientsMerged(); p != nil {
				merged[p.GetRetired().GetValue()], merged[testkit.Envelope(m).GetPatient().GetValue()] = true, true
			}
		}
	}
	for _, m := range u.messages {
		for _, f := range m.GetRoster().GetFacts() {
			if p := testkit.Envelope(m).GetPatient(); f.GetIdentityStated() != nil && !merged[p.GetValue()] {
				return p
			}
		}
	}
	tb.Fatal("nobody's identity was stated")
	return nil
}

// destroy destroys a patient's key in a stopped instance.
func destroy(tb testing.TB, dir string, who *cannularyv1.PatientIdentifier) (key string) {
	tb.Helper()
	ctx := context.Background()
	store, err := keyring.OpenFolder(ctx, filepath.Join(dir, "keys"))
	if err != nil {
		tb.Fatal(err)
	}
	ring, err := keyring.Open(ctx, store)
	if err != nil {
		tb.Fatal(err)
	}
	key = ring.PatientKey(who.GetSystem(), who.GetValue())
	if err := ring.Destroy(ctx, key); err != nil {
		tb.Fatal(err)
	}
	if err := ring.Close(); err != nil {
		tb.Fatal(err)
	}
	return key
}

// entries are the bytes and times of everything in a stopped instance's log.
func entries(tb testing.TB, dir string) (out []string) {
	tb.Helper()
	i := start(tb, dir)
	defer i.stop()
	for seq := uint64(1); seq <= i.last(); seq++ {
		e, err := i.app.Log().Get(patience(tb), seq)
		if err != nil {
			tb.Fatal(err)
		}
		out = append(out, e.Time.String()+string(e.Data))
	}
	return out
}

// body is the resource in a row of tables["resource"].
func body(row string) []byte {
	i := strings.IndexByte(row, '{')
	if i < 0 {
		return nil
	}
	return []byte(row[i:])
}
