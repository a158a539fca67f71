package dossier

import (
	"strings"

	"cannulary/internal/record"
)

// A topic is a key of the view's index of events: it leads to the events that describe one thing,
// whatever session they came in. These are the classes of topics.
const (
	PatientTopic      = "patient/"  // + patient key
	TrackTopic        = "track/"    // + patient key + "/" + name
	AccessTopic       = "access/"   // + patient key + "/" + name
	StaffTopic        = "staff/"    // + record.StaffID
	FacilityTopic     = "facility/" // + code
	ProtocolTopic     = "protocol/" // + facility code
	MergesTopic       = "merges"
	SurveillanceTopic = "surveillance/" // + facility code: censuses, thresholds, acknowledgements
)

// Topic is one topic of a fact. A fact that describes it is always indexed. A fact that only
// mentions it is indexed when the topic is new, so that nothing that is referred to is missing.
type Topic struct {
	Name      string
	Describes bool
}

// Topics lists what a fact describes or mentions.
func Topics(f *record.Fact) []Topic {
	var out []Topic
	kind := f.BodyKind()
	if f.PatientKey != "" {
		out = append(out, Topic{PatientTopic + f.PatientKey, kind == record.KindIdentityStated || kind == record.KindPatientsMerged ||
			kind == record.KindMergeReversed || kind == record.KindRecordScope})
	}
	if f.MergedKey != "" {
		out = append(out, Topic{PatientTopic + f.MergedKey, true}, Topic{MergesTopic, true})
	}
	if f.PatientKey != "" {
		for _, t := range f.Tracks() {
			out = append(out, Topic{TrackTopic + f.PatientKey + "/" + t, kind == record.KindTrackPlanned ||
				kind == record.KindTrackTakenOver || kind == record.KindTrackRetired})
		}
		for _, a := range f.Accesses() {
			out = append(out, Topic{AccessTopic + f.PatientKey + "/" + a, kind == record.KindAccessCreated ||
				kind == record.KindAccessRetired})
		}
	}
	for _, s := range f.Staff() {
		out = append(out, Topic{StaffTopic + record.StaffID(s), kind == record.KindCannulatorRated})
	}
	switch kind {
	case record.KindFacilityRegistered:
		out = append(out, Topic{FacilityTopic + f.Facility, true})
	case record.KindCensusCounted, record.KindThresholdSet, record.KindSignalAcknowledged:
		out = append(out, Topic{SurveillanceTopic + f.Facility, true})
	case record.KindProtocolAdopted:
		out = append(out, Topic{ProtocolTopic + f.Facility, true})
	}
	return out
}

// SplitTopic takes "track/<patient key>/<name>" apart: its class, the key, and the name.
func SplitTopic(name string) (class, key, rest string) {
	class, rest, _ = strings.Cut(name, "/")
	class += "/"
	if class == TrackTopic || class == AccessTopic {
		key, rest, _ = strings.Cut(rest, "/")
		return class, key, rest
	}
	return class, rest, ""
}
