package fhir

import model "github.com/samply/golang-fhir-models/fhir-models/fhir"

// ProfileBase is the beginning of the canonical URLs of our profiles; the profile's id
// follows.
const ProfileBase = Base + "/StructureDefinition/"

// Profiles of the resources that are told by their type alone, or by how they are made.
const (
	profileSession      = ProfileBase + "session"
	profileInsertion    = ProfileBase + "insertion"
	profileCulture      = ProfileBase + "culture"
	profileMaturity     = ProfileBase + "track-maturity"
	profileTrack        = ProfileBase + "track"
	profileAccess       = ProfileBase + "access"
	profileFinding      = ProfileBase + "finding"
	profileHold         = ProfileBase + "hold"
	profileDevice       = ProfileBase + "device"
	profileProvenance   = ProfileBase + "provenance"
	profilePatient      = ProfileBase + "patient"
	profilePractitioner = ProfileBase + "practitioner"
	profileOrganization = ProfileBase + "organization"
	profileLocation     = ProfileBase + "location"
	profileGroup        = ProfileBase + "group"

	profileMeasureReport = ProfileBase + "measure-report"
)

// profilesByCode are the profiles of Procedures and Observations by the local code of
// what was done or observed. A kind's profile has the kind's code as its id, but where
// several codes share one.
var profilesByCode = func() map[string]string {
	m := map[string]string{
		"haemodialysis": profileSession,
		"insertion":     profileInsertion, "insertion-sharp": profileInsertion, "insertion-blunt": profileInsertion,
		"culture-blood": profileCulture, "culture-access-site": profileCulture, "culture-other": profileCulture,
	}
	for _, code := range []string{
		"needle-removal", "site-preparation", "peg-placement", "peg-removal",
		"attempt-details", "removal-details", "preparation-details", "peg-placement-details", "treatment-details",
		"disinfection", "haemostasis-time", "blood-pump-speed", "access-examination", "look", "listen", "feel", "site-look",
		"venous-pressure", "access-flow", "complication", "peg-in-place", "site-signs", "suspected-source",
		"susceptibility", "event-outcome",
		"antimicrobial-started", "antimicrobial-ended", "track-maturity",
	} {
		m[code] = ProfileBase + code
	}
	return m
}()

// profileOf is the profile of a Procedure or Observation with the code, whose first coding
// is ours.
func profileOf(code *model.CodeableConcept) string { return profilesByCode[*code.Coding[0].Code] }
