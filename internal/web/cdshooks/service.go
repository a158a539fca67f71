package cdshooks

// ID is the id of the one service, the last part of its address.
const ID = "needling-advice"

// service is an entry of the discovery answer.
type service struct {
	Hook              string            `json:"hook"`
	Title             string            `json:"title"`
	Description       string            `json:"description"`
	ID                string            `json:"id"`
	Prefetch          map[string]string `json:"prefetch"`
	UsageRequirements string            `json:"usageRequirements"`
}

// services are what is discovered.
func services() []service {
	return []service{{
		Hook:  hookName,
		Title: "Advice for constant-site needling",
		Description: "What the next cannulator of a haemodialysis fistula must know when the chart is opened: open holds (do not " +
			"needle), cautions and their reasons, and of each constant-site track its stage and next needle. Decision support only.",
		ID:       ID,
		Prefetch: map[string]string{prefetchKey: prefetchTemplate},
		UsageRequirements: "The prefetch is needed: the patient is found by Patient.identifier (system and value) alone, never by " +
			"context.patientId. " +
			"The EHR and the sender of the needling record must share an identifier system. fhirServer and fhirAuthorization are not " +
			"used; leave them out. Feedback is not accepted.",
	}}
}
