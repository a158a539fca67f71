package fhir_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/fhir"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// byChanceNone are the kinds of which chance gives no fact that the schema accepts. None of them has
// a resource of its own: they show in those of judgements and reports.
var byChanceNone = []protoreflect.Name{"ProtocolAdopted", "CensusCounted", "HoldPlaced", "HoldLifted", "ReviewOpened", "ReviewClosed"}

// filled is a random fact of the kind that could really be sent: the schema's own rules
// accept it. Nil where chance gives none.
func filled(t *testing.T, r *rand.Rand, kind proto.Message) proto.Message {
	t.Helper()
	for range 5000 {
		m := fhirtest.Fill(r, proto.Clone(kind))
		if protovalidate.Validate(m) == nil {
			return m
		}
	}
	if name := kind.ProtoReflect().Descriptor().Name(); !slices.Contains(byChanceNone, name) {
		t.Fatalf("chance gives no valid %s: give its fields values in word or scalar of internal/testkit/fhirtest/fhirtest.go", name)
	}
	return nil
}

// kindsOf renders random facts of every kind: standing, in a session and without one, taken
// back, corrected, and corrected with the correction taken back; and what takes a judgement
// back.
func kindsOf(t *testing.T, seed uint64) []fhir.Resource {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 9))
	var out []fhir.Resource
	for i, kind := range fhirtest.Kinds() {
		if filled(t, r, kind) == nil {
			continue
		}
		one := func() *logv1.Fact { return fhirtest.Wrap(filled(t, r, kind)) }
		at := t0.Add(time.Duration(r.IntN(10_000)) * time.Minute)
		name := func(s string) string { return fmt.Sprint(seed, " ", i, " ", s) }
		fix := fhirtest.Correct(correction(name("corrected"), 1), filled(t, r, kind))
		refix := fhirtest.Correct(correction(name("amended"), 1), filled(t, r, kind))
		out = append(out, render(t,
			fhirtest.Event(name("stands"), name("T"), at, minute, one()),
			fhirtest.Event(name("alone"), "", at, day, one()),
			fhirtest.Event(name("void"), name("U"), at, second, one()),
			fhirtest.Event(name("v"), "", at, minute, void(name("void"), 0)),
			fhirtest.Event(name("corrected"), name("V"), at, minute, one()),
			fhirtest.Event(name("c"), "", at, minute, fix),
			fhirtest.Event(name("amended"), name("W"), at, minute, one()),
			fhirtest.Event(name("d"), "", at, minute, refix),
			fhirtest.Event(name("e"), "", at, minute, void(name("d"), 0)),
		)...)
	}
	for key, whole := range map[string]bool{"here": true, "left": false} {
		r, err := fhir.Patient(ctx(), fhir.PatientView{Key: key, Whole: &whole})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return append(out, takenBack(t, fhirtest.Patient, judged(t, judgement()))...)
}

// TestGoldenKinds keeps resources of every kind, one a line, for the check of the profiles
// by tools from outside: internal/e2e/profiles.mjs.
func TestGoldenKinds(t *testing.T) {
	var lines []string
	seen, statuses := map[string]bool{}, map[string]bool{}
	for _, r := range kindsOf(t, 1) {
		m := decode(t, r.Body)
		seen[r.Profile], statuses[fmt.Sprint(m["status"])] = true, true
		lines = append(lines, string(fhir.WithMeta(r.Body, r.ID, r.Profile, 1, fhirtest.Start))+"\n")
	}
	slices.Sort(lines)
	got := strings.Join(slices.Compact(lines), "")
	for _, s := range []string{"final", "amended", "corrected", "cancelled", "entered-in-error", "completed", "not-done"} {
		if !statuses[s] {
			t.Errorf("nothing is %s", s)
		}
	}
	if len(seen) < 32 {
		t.Errorf("only %d profiles", len(seen))
	}
	file := filepath.Join("testdata", "golden", "kinds.ndjson")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile(file); err != nil || got != string(want) {
		t.Errorf("%s differs from what is rendered now (%v); if the change is meant, run with -update and read the difference", file, err)
	}
}
