package fhircheck

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// oracle reads R4 strictly: it refuses what is missing, misspelt, unknown or of a wrong
// type. It does not know invariants and lets {} and [] pass; the mapping's own tests look
// for those.
func oracle(t testing.TB) *jsonformat.Unmarshaller {
	t.Helper()
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// seen counts the resources that the oracle accepted, by type.
type seen map[string]int

// accept gives each resource to the oracle, with its meta spliced in.
func (s seen) accept(t *testing.T, u *jsonformat.Unmarshaller, list ...fhir.Resource) {
	t.Helper()
	for _, r := range list {
		body := fhir.WithMeta(r.Body, r.ID, r.Profile, 1, fhirtest.Start)
		if _, err := u.UnmarshalR4(body); err != nil {
			t.Fatalf("%s/%s is refused: %v\n%s", r.Type, r.ID, err, body)
		}
		s[r.Type]++
	}
}

// everything renders all that the record's facts give: units, and who and what they name.
func everything(t *testing.T, facts []record.Fact, zone *time.Location) []fhir.Resource {
	t.Helper()
	var out []fhir.Resource
	add := func(r fhir.Resource, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	patients := map[string][]record.Fact{}
	facilities := map[string]bool{}
	staff := map[string]*cannularyv1.StaffIdentifier{}
	for i := range facts {
		f := &facts[i]
		patients[f.PatientKey] = append(patients[f.PatientKey], *f)
		facilities[f.Facility] = true
		for _, s := range f.Staff() {
			staff[record.StaffID(s)] = s
		}
	}
	for key, own := range patients {
		items := record.Effective(own)
		c := fhir.Context{Zone: zone}
		if key == "" {
			for f := range facilities {
				c.Facility = f
				rs, err := fhir.Facility(c, items)
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, rs...)
			}
			for _, s := range staff {
				add(fhir.Practitioner(c, s, items))
			}
			continue
		}
		add(fhir.Patient(c, fhir.PatientView{Key: key, Identifiers: []*cannularyv1.PatientIdentifier{{System: "https://hospital.example/patient", Value: "H-1"}}}))
		tracks, accesses := map[string]bool{}, map[string]bool{}
		for i := range own {
			for _, n := range own[i].Tracks() {
				tracks[n] = true
			}
			for _, n := range own[i].Accesses() {
				accesses[n] = true
			}
		}
		for n := range tracks {
			add(fhir.Track(c, key, n, items))
		}
		for n := range accesses {
			add(fhir.Access(c, key, n, items))
		}
		for _, unit := range fhirtest.Units(items) {
			rs, err := fhir.Session(c, unit)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, rs...)
			if len(rs) == 0 {
				continue
			}
			v := fhir.ProvenanceView{EventID: unit[0].EventID, Source: unit[0].Source, SourceMessageID: "m", OccurredAt: unit[0].At,
				Precision: unit[0].Precision, Recorded: unit[0].Logged, Recorder: unit[0].Recorder, Facility: unit[0].Facility, Activity: fhir.ActivityUpdate}
			for _, r := range rs {
				v.Targets = append(v.Targets, fhir.VersionedReference{Type: r.Type, ID: r.ID, Version: 2})
			}
			origin, err := fhir.Provenance(c, v)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, origin...)
		}
	}
	return out
}

// TestRandomHistories holds everything that random facts of every kind give, with
// corrections and voids, against the oracle.
func TestRandomHistories(t *testing.T) {
	u, s := oracle(t), seen{}
	for seed := range uint64(150) {
		facts, err := fhirtest.Facts(fhirtest.History(rand.New(rand.NewPCG(seed, 7)))...)
		if err != nil {
			t.Fatal(err)
		}
		s.accept(t, u, everything(t, facts, time.FixedZone("", -3*3600-1800))...)
	}
	for _, typ := range []string{"Procedure", "Observation", "Device", "BodyStructure", "Patient", "Practitioner", "Provenance"} {
		if s[typ] == 0 {
			t.Errorf("no %s came up", typ)
		}
	}
	t.Logf("accepted: %v", s)
}

// TestEdges holds what random histories reach seldom or never.
func TestEdges(t *testing.T) {
	u, s := oracle(t), seen{}
	c := fhir.Context{Facility: "harbour"}
	one := func(r fhir.Resource, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		s.accept(t, u, r)
	}
	// A merge, both sides; an erased identity; identifiers that FHIR does not allow.
	one(fhir.Patient(c, fhir.PatientView{Key: "a", Merged: []string{"b", "c"}, Whole: new(bool)}))
	one(fhir.Patient(c, fhir.PatientView{Key: "b", MergedInto: "a", Identifiers: []*cannularyv1.PatientIdentifier{{System: "urn:oid:2.999", Value: "\x01"}}}))
	one(fhir.Practitioner(c, &cannularyv1.StaffIdentifier{}, nil))
	one(fhir.Track(c, "a", "A1", nil))
	one(fhir.Access(c, "a", "AVF", nil))
	// Without zone, facility, recorder or session; at the first moment that is accepted.
	bare := fhirtest.Event("m", "", time.Unix(0, 0), cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
		fhirtest.Wrap(&cannularyv1.NeedleInserted{Access: "AVF", AttemptOrdinal: 1, Outcome: 1}))
	bare.Recorder, bare.Facility = nil, ""
	facts, err := fhirtest.Facts(bare)
	if err != nil {
		t.Fatal(err)
	}
	rs, err := fhir.Session(fhir.Context{Options: fhir.Options{NoSNOMED: true}}, record.Effective(facts))
	if err != nil || len(rs) != 2 {
		t.Fatalf("%d resources, %v", len(rs), err)
	}
	s.accept(t, u, rs...)
	// More targets than fit in one Provenance, and none of source and recorder.
	v := fhir.ProvenanceView{EventID: "e", Recorded: fhirtest.Start}
	for range 501 {
		v.Targets = append(v.Targets, fhir.VersionedReference{Type: "Observation", ID: "o"})
	}
	chunks, err := fhir.Provenance(fhir.Context{}, v)
	if err != nil || len(chunks) != 2 {
		t.Fatalf("%d, %v", len(chunks), err)
	}
	s.accept(t, u, chunks...)
	for _, severity := range []string{"fatal", "error", "warning", "information", "?"} {
		for _, code := range []string{"not-found", "deleted", "login", "throttled", "not-supported", "exception", "?"} {
			if _, err := u.UnmarshalR4(fhir.OperationOutcome(severity, code, "a\x00b", "http.id")); err != nil {
				t.Errorf("%s %s: %v", severity, code, err)
			}
		}
	}
}
