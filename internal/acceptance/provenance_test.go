package acceptance_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// origin is what a test reads of a Provenance.
type origin struct {
	Target   []struct{ Reference string }
	Reason   []struct{ Text string }
	Activity struct{ Coding []struct{ Code string } }
}

// origins are the Provenances of a message, in the order of their ids.
func origins(tb testing.TB, i *instance, message string) (out []origin) {
	tb.Helper()
	rows := query(tb, i.dir, `SELECT id, body FROM resource WHERE type = 'Provenance' AND CAST(body AS TEXT) LIKE '%"role":"source","what":{"identifier":{"system":"' || ? || '","value":"' || ? || '"}}%'`, fhir.MessageSystem, testkit.Source+"|"+message)
	for _, k := range keys(rows) {
		var o origin
		if err := json.Unmarshal(body(rows[k]), &o); err != nil || len(o.Activity.Coding) != 1 {
			tb.Fatalf("%s: %v", rows[k], err)
		}
		out = append(out, o)
	}
	return out
}

func (o *origin) leadsTo(prefix string) bool {
	return slices.ContainsFunc(o.Target, func(r struct{ Reference string }) bool { return strings.HasPrefix(r.Reference, prefix) })
}

func (o *origin) why() (out []string) {
	for _, r := range o.Reason {
		out = append(out, r.Text)
	}
	return out
}

func voided(target, reason string) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: testkit.Fact(target, 0), Reason: reason}}}
}

// Why something was corrected or taken back is told with the versions that it gave, whichever
// came first.
func TestProvenanceTellsTheReason(t *testing.T) {
	t.Parallel()
	i := start(t, t.TempDir())
	p := "INV-0100"
	k := &knot{out: registrations()}
	k.add(about("n-1", north, p, "03T08:00", "T-1"), inserted("A1", 25))
	k.add(about("n-2", north, p, "04T08:00", "T-2"), inserted("A1", 25))
	k.add(about("c-1", north, p, "05T08:00", ""), corrected("n-1", 1, "05T08:00", inserted("A1", 26), ""))
	k.add(about("v-2", north, p, "05T09:00", ""), voided("n-2", "Wrong\tpatient <&> \"\u00e9\""))
	k.add(about("v-v-2", north, p, "05T10:00", ""), voided("v-2", "It was she after all"))
	k.add(about("v-3", north, p, "06T09:00", ""), voided("n-3", "Typed twice"))
	k.add(about("n-3", north, p, "06T08:00", "T-3"), inserted("A1", 25)) // after its void
	k.add(about("s-4", north, p, "07T08:00", "T-4"), inserted("A1", 25))
	k.add(about("v-4", north, p, "07T09:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{Session: testkit.Session("T-4"), Reason: "Another day's list"}}})
	for _, m := range k.out {
		i.post([]*v1.FeedRequest{m}) // a feed may bring them in another order
	}
	for message, want := range map[string]string{
		"n-1": "", "n-2": "", "c-1": "Mistyped", "v-2": "Wrong\tpatient <&> \"\u00e9\"", "v-v-2": "It was she after all", "n-3": "Typed twice", "v-4": "Another day's list",
	} {
		list := origins(t, i, message)
		if len(list) == 0 {
			t.Errorf("%s has no origin", message)
		}
		for _, o := range list {
			if got := strings.Join(o.why(), "; "); got != want {
				t.Errorf("%s: the reason is %q, want %q", message, got, want)
			}
		}
	}
	if n := len(origins(t, i, "v-3")); n != 0 {
		t.Errorf("a void of what has not come gives %d origins", n)
	}
	for message, want := range map[string]string{"v-2": "NULLIFY", "v-4": "NULLIFY", "v-v-2": "UPDATE", "n-1": "CREATE", "c-1": "UPDATE"} {
		found := false
		for _, o := range origins(t, i, message) {
			found = found || o.Activity.Coding[0].Code == want && (o.leadsTo("Procedure/") || o.leadsTo("Observation/"))
			if o.Activity.Coding[0].Code == "NULLIFY" && o.leadsTo("Patient/") {
				t.Errorf("%s nullifies a Patient", message)
			}
		}
		if !found {
			t.Errorf("%s: no %s of a resource: %+v", message, want, origins(t, i, message))
		}
	}
}

// A void or a correction of what is unknown, or is another patient's, names its patient like
// any first message: with the identifier of its envelope, and takes nothing back.
func TestAMessageWithoutEffectNamesItsPatient(t *testing.T) {
	t.Parallel()
	first := &knot{out: registrations()}
	first.add(about("n-1", north, "INV-0200", "03T08:00", "T-1"), inserted("A1", 25))
	mine := about("v-other", north, "INV-0201", "04T08:00", "")
	mine.Recorder = testkit.Staff("S-999") // nobody else names her
	first.add(mine, voided("n-1", "Mistake"))
	first.add(about("v-none", north, "INV-0202", "04T08:00", ""), voided("never-came", "Mistake"))
	first.add(about("c-none", north, "INV-0203", "04T08:00", ""), corrected("never-came-either", 1, "04T08:00", inserted("A1", 26), ""))
	i := start(t, t.TempDir())
	i.post(first.out)
	for message, patient := range map[string]string{"v-other": "INV-0201", "v-none": "INV-0202", "c-none": "INV-0203"} {
		var b struct {
			Entry []struct {
				Resource struct {
					ID   string
					Meta struct{ VersionID string }
				}
			}
		}
		id := testkit.Patient(patient)
		if err := json.Unmarshal([]byte(i.must("/fhir/Patient?identifier="+id.GetSystem()+"%7C"+id.GetValue())), &b); err != nil || len(b.Entry) != 1 {
			t.Errorf("%s: %d Patients have its identifier (%v)", patient, len(b.Entry), err)
			continue
		}
		for _, o := range origins(t, i, message) {
			if code := o.Activity.Coding[0].Code; code != "CREATE" {
				t.Errorf("%s: %s of %v", message, code, o.Target)
			}
		}
		// A true message later changes nothing of who it is.
		i.post([]*v1.FeedRequest{testkit.Request(about("after-"+message, north, patient, "05T08:00", "T-"+patient), inserted("A1", 25))})
		if got := query(t, i.dir, `SELECT id, version FROM resource WHERE type = 'Patient' AND id = ?`, b.Entry[0].Resource.ID); got[b.Entry[0].Resource.ID] != "1" {
			t.Errorf("%s: versions %v", patient, got)
		}
	}
	if n := query(t, i.dir, `SELECT 'n', count(*) FROM resource WHERE type = 'Procedure' AND CAST(body AS TEXT) LIKE '%entered-in-error%'`)["n"]; n != "0" {
		t.Errorf("%s Procedures are entered in error", n)
	}
	// Whoever recorded it is there, too.
	for target := range query(t, i.dir, `SELECT DISTINCT target FROM reference WHERE target LIKE 'Practitioner/%'`) {
		typ, id, _ := strings.Cut(target, "/")
		if len(query(t, i.dir, `SELECT id, version FROM resource WHERE type = ? AND id = ?`, typ, id)) == 0 {
			t.Errorf("%s is referred to and is not there", target)
		}
	}
}
