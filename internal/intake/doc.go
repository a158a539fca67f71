// Package intake turns a sender's message into an event in the log, or refuses it with
// reasons: it validates, seals what identifies the patient, gives the event its id,
// recognises resends, appends, and answers once the event is safe.
//
// It keeps nothing that it cannot rebuild from the log, and judges nothing: what happened
// at the chair is taken as it happened.
package intake
