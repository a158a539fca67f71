package erasure_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/erasure"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// log is a log of identities. Keys of patients and identifiers are names such as "A".
type log struct {
	who *erasure.Who
	n   uint64
}

func (l *log) add(patient string, facts ...*logv1.Fact) {
	l.n++
	id := fmt.Sprintf("m%d", l.n)
	l.who.Add(l.n, &logv1.Event{Id: record.EventID(testkit.Source, id), Source: testkit.Source, SourceMessageId: id, Facility: "unit", PatientKey: patient,
		OccurredAt: timestamppb.New(time.Unix(int64(l.n)*60, 0)), Facts: facts})
}

func states(identifiers ...string) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_IdentitySealed{IdentitySealed: &logv1.IdentitySealed{IdentifierKeys: identifiers}}}
}

func merges(retired string) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_IdentitiesMerged{IdentitiesMerged: &logv1.IdentitiesMerged{RetiredPatientKey: retired}}}
}

func reverses(retired string) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_IdentityMergeReversed{IdentityMergeReversed: &logv1.IdentityMergeReversed{RetiredPatientKey: retired}}}
}

func voids(message string) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: &v1.FactVoided{
		Fact: testkit.Fact(message, 0)}}}}}
}

func held(reason string) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{
		HoldPlaced: &v1.HoldPlaced{Track: "A1", Reason: reason}}}}}
}

// made is A merged with B merged with C; D and E state one identifier; F was merged into A by mistake, and G's
// identity stated an identifier of A by mistake.
func made() *erasure.Who {
	l := &log{who: erasure.NewWho()}
	l.add("A", states("a2", "d2"))      // m1
	l.add("B", merges("C"))             // m2
	l.add("A", merges("B"))             // m3
	l.add("C", states("c2"))            // m4
	l.add("A", merges("F"))             // m5
	l.add("A", reverses("F"))           // m6
	l.add("D", states("d2", "e2"))      // m7
	l.add("E", states("e2"), held("x")) // m8
	l.add("G", states("a2"))            // m9
	l.add("G", voids("m9"))             // m10
	return l.who
}

func find(t *testing.T, key string, also, keep []string) (mine, linked string, err error) {
	t.Helper()
	p, err := made().Find(key, also, keep, func(string) (string, error) { return erasure.StateKey, nil })
	if err != nil {
		return "", "", err
	}
	for _, x := range p.Patients {
		mine += x.Key + " "
	}
	for _, x := range p.Linked {
		linked += x.Key + " "
	}
	return mine, linked, nil
}

// A merge that stands makes one person; a stated identifier alone is for somebody to decide.
func TestWhoBelongsToAPerson(t *testing.T) {
	for _, c := range []struct {
		name, key    string
		also, keep   []string
		mine, linked string
	}{
		{"by the identity that was merged twice", "C", nil, nil, "A B C a2 c2 ", "D "},
		{"by an identifier that is only stated", "c2", nil, nil, "A B C a2 c2 ", "D "},
		{"a merge that was reversed", "F", nil, nil, "F ", ""},
		{"an identity that was voided", "G", nil, nil, "G ", ""},
		{"an identifier that two state", "e2", nil, nil, "", "D E "},
		{"one of the two", "e2", []string{"E"}, []string{"D"}, "E ", ""},
		{"the linked one too, which links a further one", "A", []string{"D"}, nil, "A B C D a2 c2 d2 ", "E "},
		{"all of them", "A", []string{"D", "E"}, nil, "A B C D E a2 c2 d2 e2 ", ""},
		{"not the linked one", "A", nil, []string{"D"}, "A B C a2 c2 ", ""},
	} {
		if mine, linked, err := find(t, c.key, c.also, c.keep); err != nil || mine != c.mine || linked != c.linked {
			t.Errorf("%s: %q, linked %q, %v; want %q and %q", c.name, mine, linked, err, c.mine, c.linked)
		}
	}
	for _, c := range []struct {
		name, key  string
		also, keep []string
		says       string
	}{
		{"nobody", "z", nil, nil, "nobody is known by this identifier"},
		{"a key from elsewhere", "A", []string{"G"}, nil, "patient key G is not linked with this person; nothing was changed"},
		{"a key from elsewhere to keep", "A", nil, []string{"G"}, "patient key G is not linked with this person"},
		{"a merged one to keep", "A", nil, []string{"C"}, "patient key C cannot be kept: merged with A; nothing was changed"},
	} {
		if _, _, err := find(t, c.key, c.also, c.keep); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", c.name, err, c.says)
		}
	}
	if _, _, err := find(t, "z", nil, nil); !errors.Is(err, erasure.ErrNobody) {
		t.Errorf("nobody: %v", err)
	}
	p, err := made().Find("E", nil, []string{"D"}, func(string) (string, error) { return erasure.StateNone, nil })
	if err != nil || p.Patients[0].Entries != 1 || p.Patients[0].Readable != 1 || p.Patients[0].State != erasure.StateNone {
		t.Errorf("%+v, %v; want one entry, with words that are not sealed", p, err)
	}
}

// What was written down is read again; a line that is none is named.
func TestErasuresAreOnRecord(t *testing.T) {
	path := filepath.Join(t.TempDir(), erasure.FileName)
	if list, err := erasure.Read(path); err != nil || len(list) != 0 {
		t.Errorf("none: %v, %v", list, err)
	}
	for i, what := range []string{erasure.Begun, erasure.Done, erasure.Reopened} {
		if err := erasure.Append(path, erasure.Entry{At: time.Unix(int64(i), 0).UTC(), What: what, Keys: []string{"A", "B"}[:2-i/2]}); err != nil {
			t.Fatal(err)
		}
	}
	list, err := erasure.Read(path)
	if last := erasure.Last(list); err != nil || len(list) != 3 || last["A"] != erasure.Reopened || last["B"] != erasure.Done {
		t.Errorf("%v, %v", list, err)
	}
	if err := os.WriteFile(path, []byte("{\"what\":\"done\"}\n{\"what\":\"undone\"}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := erasure.Read(path); err == nil || !strings.Contains(err.Error(), "line 2 of "+path+" is not an erasure") {
		t.Errorf("a line that is none: %v", err)
	}
}
