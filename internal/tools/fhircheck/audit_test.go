package fhircheck

import (
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Every action with every sort of outcome gives an AuditEvent of R4.
func TestAuditEvents(t *testing.T) {
	u, s := oracle(t), seen{}
	for action := range logv1.Action_name {
		for _, status := range []uint32{0, 200, 304, 403, 503} {
			for _, route := range []string{"GET /card", "GET /fhir/Observation", "GET /fhir/AuditEvent", "/cannulary.v1.FeedService/Feed"} {
				a := &logv1.Access{Id: make([]byte, 16), At: timestamppb.New(fhirtest.Start), Action: logv1.Action(action), Route: route, Status: status}
				whole := &logv1.Access{Id: make([]byte, 16), At: a.GetAt(), Until: a.GetAt(), Principal: "ward", Action: a.GetAction(), Route: route,
					Person:   &cannularyv1.StaffIdentifier{System: "https://cannulary.example/staff", Value: "S-1"},
					Patients: [][]byte{make([]byte, 16), []byte("0123456789abcdef")}, Parameters: []string{"code", "patient"}, Status: status, Grpc: route[0] == '/',
					From: "192.0.2.7", Count: 3, Outcomes: map[string]uint64{"accepted": 2, "refused": 1}, Spooled: true, ResourceType: "Observation"}
				for _, x := range []*logv1.Access{a, whole} {
					r, err := fhir.AuditEvent(x)
					if err != nil {
						t.Fatal(err)
					}
					s.accept(t, u, r)
				}
			}
		}
	}
	if s["AuditEvent"] < 200 {
		t.Errorf("accepted: %v", s)
	}
}
