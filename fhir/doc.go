// Package fhir maps facts to FHIR R4 resources and renders them as JSON.
//
// It is pure: what it renders depends on the facts and on Context alone, never on a clock
// or on the order in which facts arrived. Nothing is left out because it went against a
// protocol, and nothing is added that nobody recorded: a detail that was not recorded
// gives no element, one that was asked without result the code "unknown", and a finding
// that was not examined a dataAbsentReason.
//
// Choices that R4 leaves open:
//   - A fact that was taken back is still rendered, as entered-in-error. What only a
//     superseded content of a corrected fact would give is rendered so too.
//   - A corrected fact's Observations are "corrected"; they are "amended" where a
//     correction was itself taken back and the original stands again. Procedure has no
//     such status.
//   - Procedure.subject may not be a BodyStructure, so the track (or the access) is named
//     by the extension procedure-targetBodyStructure, and by Observation.focus.
//   - A course of an antimicrobial is an Observation: what is known of it (route, agent,
//     dates) is less than a MedicationAdministration promises.
//   - Redness is not coded as cellulitis nor pus as purulent discharge from a wound (it may
//     be another discharge), and resistance or pain carry local codes only: no standard
//     code says what was recorded without saying more.
//   - Device resources are per lot and identifier, not per patient: the same box serves many.
//   - The session's Encounter is the sender's, and no resource of ours: what belongs to a
//     session names it by identifier alone.
//   - A facility's Group lists no members: who belongs to it is found when it is asked for.
//   - Plans, rests, reviews and holds give no resource of a session.
//   - What package track judges is rendered beside the facts (Judged): findings are
//     DetectedIssues, holds Flags, and how far a track has come an Observation. What is
//     found no longer is cancelled or entered in error (TakenBack), never deleted.
//
// Every resource names one profile of ours (Resource.Profile); Definitions lists what is
// published: profiles, terms, search parameters, operations, measures.
package fhir
