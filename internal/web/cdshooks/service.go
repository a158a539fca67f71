package cdshooks

// ID is the id of the one service, the last part of its address.
const ID = "needling-advice"

// Service is an entry of the discovery answer.
type Service struct {
	Hook              string            `json:"hook"`
	Title             string            `json:"title"`
	Description       string            `json:"description"`
	ID                string            `json:"id"`
	Prefetch          map[string]string `json:"prefetch"`
	UsageRequirements string            `json:"usageRequirements"`
}

// Services are what is discovered.
func Services() []Service {
	return []Service{{
		Hook:  Hook,
		Title: "Advice for constant-site needling",
		Description: "What the next cannulator of a haemodialysis fistula must know when the chart is opened: open holds (do not " +
			"needle), cautions and their reasons, and of each constant-site track its stage and next needle. Decision support only.",
		ID:       ID,
		Prefetch: map[string]string{PrefetchKey: PrefetchTemplate},
		UsageRequirements: "The prefetch is needed: the patient is found by Patient.identifier (system and value) alone, never by " +
			"context.patientId. " +
			"The EHR and the sender of the needling record must share an identifier system. fhirServer and fhirAuthorization are not " +
			"used; leave them out. Feedback is not accepted.",
	}}
}
