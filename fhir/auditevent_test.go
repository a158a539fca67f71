package fhir_test

import (
	"bytes"
	"encoding/json"
	"os"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// What an auditor reads, whole: golden/audit.json. No detail stands in it, whose values the model would all write.
func TestAuditEventAsItIsWritten(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 11, 28, 7, 30, 0, 250e6, time.UTC))
	r, err := fhir.AuditEvent(&logv1.Access{Id: []byte("0123456789abcdef"), At: at, Principal: "ehr", From: "192.0.2.7",
		Patients: [][]byte{[]byte("fedcba9876543210")}, Action: logv1.Action_ACTION_SEARCH, Route: "GET /fhir/Observation",
		Parameters: []string{"code", "patient"}, ResourceType: "Observation", Status: 200})
	if err != nil {
		t.Fatal(err)
	}
	var got bytes.Buffer
	if err := json.Indent(&got, fhir.WithMeta(r.Body, r.ID, r.Profile, 1, at.AsTime()), "", "  "); err != nil {
		t.Fatal(err)
	}
	got.WriteByte('\n')
	const file = "testdata/golden/audit.json"
	if *update {
		if err := os.WriteFile(file, got.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%s", got.Bytes())
	}
}
