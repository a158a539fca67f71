// Package intake turns a sender's message into an event in the log, or refuses it with reasons.
// It validates, seals what identifies the patient, gives the event its id, recognises resends
// and appends. It answers once the event is safe.
//
// It keeps nothing that cannot be rebuilt from the log. It judges nothing: it accepts what
// happened at the chair as it happened.
package intake
