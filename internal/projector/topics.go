package projector

import (
	"strings"

	"cannulary/internal/record"
)

// Topics gather the events that describe one thing, whatever session they came in.
const (
	topicPatient  = "patient/"  // + patient key
	topicTrack    = "track/"    // + patient key + "/" + name
	topicAccess   = "access/"   // + patient key + "/" + name
	topicStaff    = "staff/"    // + record.StaffID
	topicFacility = "facility/" // + code
	topicProtocol = "protocol/" // + facility code
	topicMerges   = "merges"
	topicSurveil  = "surveillance/" // + facility code: censuses, thresholds, acknowledgements
)

// topic is one topic of a fact. A describing fact is always noted; a mention only when the
// topic is new, so that nothing that is referred to is missing.
type topic struct {
	name      string
	describes bool
}

// topicsOf lists what a fact's content describes or mentions.
func topicsOf(f *record.Fact) []topic {
	var out []topic
	kind := f.BodyKind()
	if f.PatientKey != "" {
		out = append(out, topic{topicPatient + f.PatientKey, kind == record.KindIdentityStated || kind == record.KindPatientsMerged || kind == record.KindMergeReversed})
	}
	if f.MergedKey != "" {
		out = append(out, topic{topicPatient + f.MergedKey, true}, topic{topicMerges, true})
	}
	if f.PatientKey != "" {
		for _, t := range f.Tracks() {
			out = append(out, topic{topicTrack + f.PatientKey + "/" + t, kind == "track_planned" || kind == "track_taken_over" || kind == "track_retired"})
		}
		for _, a := range f.Accesses() {
			out = append(out, topic{topicAccess + f.PatientKey + "/" + a, kind == "access_created" || kind == "access_retired"})
		}
	}
	for _, s := range f.Staff() {
		out = append(out, topic{topicStaff + record.StaffID(s), kind == record.KindCannulatorRated})
	}
	switch kind {
	case record.KindFacilityRegistered:
		out = append(out, topic{topicFacility + f.Facility, true})
	case record.KindCensusCounted, record.KindThresholdSet, record.KindSignalAcknowledged:
		out = append(out, topic{topicSurveil + f.Facility, true})
	case record.KindProtocolAdopted:
		out = append(out, topic{topicProtocol + f.Facility, true})
	}
	return out
}

// split takes "track/<key>/<name>" apart.
func split(name string) (class, key, rest string) {
	class, rest, _ = strings.Cut(name, "/")
	class += "/"
	if class == topicTrack || class == topicAccess {
		key, rest, _ = strings.Cut(rest, "/")
		return class, key, rest
	}
	return class, rest, ""
}
