package record

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"strconv"
	"strings"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// hashID returns the first 16 bytes of the SHA-256 of the parts, as 32 hexadecimal digits. The
// length of each part goes before it, so that ("ab","c") and ("a","bc") differ. 128 bits make a
// clash by accident practically impossible and fit the 64 characters of a FHIR id.
func hashID(parts ...string) string {
	b := make([]byte, 0, 256) // does not escape
	for _, p := range parts {
		b = append(binary.BigEndian.AppendUint64(b, uint64(len(p))), p...)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}

// EventID returns the id of the event that a source's message becomes. The same message always
// becomes the same event, however late it is sent again.
func EventID(source, sourceMessageID string) string {
	return hashID("event", source, sourceMessageID)
}

// TestEventID returns the id of the event of a test message. Test messages have ids of their
// own, so that a rehearsal never blocks the real message.
func TestEventID(source, sourceMessageID string) string {
	return hashID("test event", source, sourceMessageID)
}

// FactID returns the id of the fact at a place (from 0) of an event.
func FactID(eventID string, ordinal int) string {
	return eventID + "." + strconv.Itoa(ordinal)
}

// EventOf returns the id of the event of a fact.
func EventOf(factID string) string {
	event, _, _ := strings.Cut(factID, ".")
	return event
}

// ReferencedFactID returns the id of the fact that ref names in a message of source. The fact
// need not have arrived yet.
func ReferencedFactID(source string, ref *cannularyv1.FactReference) string {
	if ref.GetSource() != "" {
		source = ref.GetSource()
	}
	return FactID(EventID(source, ref.GetSourceMessageId()), int(ref.GetOrdinal()))
}

// SessionID returns the key of all facts of one treatment of one patient.
func SessionID(patientKey, system, value string) string {
	return hashID("session", patientKey, system, value)
}

// SessionKey returns a session reference as one string, without the patient. It therefore finds
// a session of one patient also after identities were merged.
func SessionKey(system, value string) string { return hashID("session reference", system, value) }

// TrackID returns the id of a patient's track in FHIR and on the card.
func TrackID(patientKey, track string) string { return hashID("track", patientKey, track) }

// AccessID returns the id of a patient's access in FHIR and on the card.
func AccessID(patientKey, access string) string { return hashID("access", patientKey, access) }

// StaffID returns the id of a member of staff.
func StaffID(s *cannularyv1.StaffIdentifier) string {
	return hashID("staff", s.GetSystem(), s.GetValue())
}

// FacilityID returns the id of a facility's FHIR resources.
func FacilityID(facility string) string { return hashID("facility", facility) }

// DeviceID returns the id of a scanned device.
func DeviceID(kind string, d *cannularyv1.DeviceIdentity) string {
	return hashID("device", kind, d.GetLot(), d.GetUdi())
}

// DerivedID returns the id of something derived from a fact, for instance of one observation of
// an examination.
func DerivedID(parts ...string) string {
	return hashID(append([]string{"derived"}, parts...)...)
}

// HoldID returns the id of the hold that a rule (or "person") places on the ground of one fact.
func HoldID(rule, groundFactID string) string { return hashID("hold", rule, groundFactID) }

// FindingID returns the id of a finding of a rule, on the ground of one fact, at a place: a
// track, an access, or an aspect of either.
func FindingID(rule, place, groundFactID string) string {
	return hashID("finding", rule, place, groundFactID)
}
