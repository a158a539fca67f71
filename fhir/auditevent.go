package fhir

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// The code systems of AuditEvent in R4 (https://hl7.org/fhir/R4/auditevent.html).
const (
	// PrincipalSystem names the principals of the policy.
	PrincipalSystem = Base + "/NamingSystem/principal"

	auditType       = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	dicomEvents     = "http://dicom.nema.org/resources/ontology/DCM"
	restInteraction = "http://hl7.org/fhir/restful-interaction"
	auditSource     = "http://terminology.hl7.org/CodeSystem/security-source-type"
	auditEntity     = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	objectRole      = "http://terminology.hl7.org/CodeSystem/object-role"
)

// AuditEvent maps an entry of the trail. Its entities are the patients, each by the key that it had then, and last the
// route with the names of its parameters. AuditEvent.entity.detail is not used: the model writes each of its values.
func AuditEvent(a *logv1.Access) (Resource, error) {
	id := hex.EncodeToString(a.GetId())
	at := a.GetAt().AsTime().UTC().Truncate(time.Millisecond)
	m := model.AuditEvent{Id: &id, Recorded: at.Format(instant)}
	m.Type, m.Subtype, m.Action = auditKind(a)
	outcome, why := auditOutcome(a)
	m.Outcome, m.OutcomeDesc = &outcome, text(why)
	if until := a.GetUntil(); until != nil {
		m.Period = &model.Period{Start: new(m.Recorded), End: new(until.AsTime().UTC().Format(instant))}
	}
	agent := model.AuditEventAgent{Requestor: true}
	if who := a.GetPrincipal(); who != "" {
		agent.AltId = &who
		agent.Who = &model.Reference{Identifier: &identifier(PrincipalSystem, who)[0], Display: &who}
	} else {
		agent.Who = &model.Reference{Display: new("nobody who is known")}
	}
	if from := a.GetFrom(); from != "" {
		agent.Network = &model.AuditEventAgentNetwork{Address: &from, Type: new(model.AuditEventAgentNetworkType2)} // an IP address
	}
	m.Agent = []model.AuditEventAgent{agent}
	if who := practitioner(a.GetPerson()); who != nil {
		m.Agent = append(m.Agent, model.AuditEventAgent{Who: who, Requestor: false})
	}
	m.Source = model.AuditEventSource{Observer: model.Reference{Display: new("Cannulary")},
		Type: []model.Coding{coding(auditSource, "3", "Web Server")}}
	for _, key := range a.GetPatients() {
		m.Entity = append(m.Entity, model.AuditEventEntity{What: new(reference("Patient", hex.EncodeToString(key))),
			Type: new(coding(auditEntity, "1", "Person")), Role: new(coding(objectRole, "1", "Patient"))})
	}
	asked := a.GetRoute()
	if names := a.GetParameters(); len(names) > 0 {
		asked += " with " + strings.Join(names, ", ")
	}
	m.Entity = append(m.Entity, model.AuditEventEntity{Type: new(coding(auditEntity, "2", "System Object")),
		Role: new(coding(objectRole, "24", "Query")), Description: text(asked)})
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	return Resource{Type: "AuditEvent", ID: id, Body: body}, nil
}

// auditKind says what was done. FHIR's own interactions are of the type rest; pages, cards and messages are of
// DICOM's event types, which R4's value set takes in.
func auditKind(a *logv1.Access) (model.Coding, []model.Coding, *model.AuditEventAction) {
	rest := coding(auditType, "rest", "Restful Operation")
	switch act := a.GetAction(); {
	case act == logv1.Action_ACTION_EXPORT:
		return coding(dicomEvents, "110106", "Export"), nil, new(model.AuditEventActionR)
	case act == logv1.Action_ACTION_LOGIN:
		return coding(dicomEvents, "110114", "User Authentication"), nil, new(model.AuditEventActionE)
	case act == logv1.Action_ACTION_BREAK_GLASS:
		return coding(dicomEvents, "110113", "Security Alert"), nil, new(model.AuditEventActionE)
	case act == logv1.Action_ACTION_ERASE:
		return coding(dicomEvents, "110110", "Patient Record"), nil, new(model.AuditEventActionD)
	case act == logv1.Action_ACTION_RESTORE:
		return coding(dicomEvents, "110107", "Import"), nil, new(model.AuditEventActionC)
	case act == logv1.Action_ACTION_WRITE:
		return coding(dicomEvents, "110110", "Patient Record"), nil, new(model.AuditEventActionC)
	case !strings.Contains(a.GetRoute(), " /fhir"):
		return coding(dicomEvents, "110110", "Patient Record"), nil, new(model.AuditEventActionR)
	case strings.Contains(a.GetRoute(), "/AuditEvent"):
		return coding(dicomEvents, "110101", "Audit Log Used"), nil, new(model.AuditEventActionR)
	case act == logv1.Action_ACTION_SEARCH:
		return rest, []model.Coding{coding(restInteraction, "search-type", "search-type")}, new(model.AuditEventActionE)
	}
	return rest, []model.Coding{coding(restInteraction, "read", "read")}, new(model.AuditEventActionR)
}

// Codes of gRPC that are no success and no mistake of the caller: INTERNAL and UNAVAILABLE.
var grpcFailures = []uint32{13, 14}

// auditOutcome says how it ended: success, minor failure (the caller's), serious failure (the service's).
func auditOutcome(a *logv1.Access) (model.AuditEventOutcome, string) {
	var said []string
	if n := a.GetCount(); n > 1 {
		said = append(said, fmt.Sprintf("%d requests or messages in one entry", n))
	}
	names := make([]string, 0, len(a.GetOutcomes()))
	for name := range a.GetOutcomes() {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		said = append(said, fmt.Sprintf("%s: %d", name, a.GetOutcomes()[name]))
	}
	if a.GetSpooled() {
		said = append(said, "kept on disk until the trail answered")
	}
	status := a.GetStatus()
	if a.GetGrpc() {
		if status != 0 {
			said = append([]string{fmt.Sprintf("gRPC code %d", status)}, said...)
		}
	} else if status >= 400 || status == 0 {
		said = append([]string{fmt.Sprintf("HTTP status %d", status)}, said...)
	}
	text := strings.Join(said, "; ")
	switch {
	case a.GetGrpc() && slices.Contains(grpcFailures, status), !a.GetGrpc() && (status >= 500 || status == 0):
		return model.AuditEventOutcome8, text
	case a.GetGrpc() && status != 0, !a.GetGrpc() && status >= 400:
		return model.AuditEventOutcome4, text
	}
	return model.AuditEventOutcome0, text
}
