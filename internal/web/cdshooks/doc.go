// Package cdshooks brings the chairside advice into the chart that an EHR has open: a service
// of CDS Hooks 2.0 (HL7, https://cds-hooks.hl7.org/2.0/) for the hook patient-view.
//
// Read takes a call apart, Advice words a chairside card as cards of CDS Hooks, Unknown,
// Ambiguous, otherBirth and Nameless word what there is to say without one; all of them are pure.
// Handler is the HTTP around them. Nothing is ever fetched from the EHR's FHIR server: who
// the patient is comes by prefetch, or the call is refused.
package cdshooks
