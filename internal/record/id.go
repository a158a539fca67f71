package record

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// hashID returns the first 16 bytes of the SHA-256 of the parts, each with its length
// before it so that ("ab","c") and ("a","bc") differ, as 32 hexadecimal digits. 128 bits
// keep an accidental clash out of reach and fit FHIR's 64 characters of an id.
func hashID(parts ...string) string {
	h := sha256.New()
	var n [8]byte
	for _, p := range parts {
		binary.BigEndian.PutUint64(n[:], uint64(len(p)))
		h.Write(n[:])
		h.Write([]byte(p))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// EventID names the event that a source's message becomes: the same message always
// becomes the same event, however late it is sent again.
func EventID(source, sourceMessageID string) string {
	return hashID("event", source, sourceMessageID)
}

// TestEventID names the event of a test message: tests have names of their own, so that a
// rehearsal never blocks the real message.
func TestEventID(source, sourceMessageID string) string {
	return hashID("test event", source, sourceMessageID)
}

// FactID names the fact at the given place (from 0) of an event.
func FactID(eventID string, ordinal int) string {
	return fmt.Sprintf("%s.%d", eventID, ordinal)
}

// EventOf is the event that a fact belongs to.
func EventOf(factID string) string {
	event, _, _ := strings.Cut(factID, ".")
	return event
}

// ReferencedFactID is the id of the fact that ref names in a message of source. The fact
// need not have arrived yet.
func ReferencedFactID(source string, ref *cannularyv1.FactReference) string {
	if ref.GetSource() != "" {
		source = ref.GetSource()
	}
	return FactID(EventID(source, ref.GetSourceMessageId()), int(ref.GetOrdinal()))
}

// SessionUnit is the key under which all facts of one treatment of one patient are
// gathered.
func SessionUnit(patientKey, system, value string) string {
	return hashID("session", patientKey, system, value)
}

// SessionKey is a session reference in one string, whoever the patient is. Within one
// patient's facts it finds a session also after identities were merged.
func SessionKey(system, value string) string { return hashID("session reference", system, value) }

// TrackID names a patient's track in FHIR and on the card.
func TrackID(patientKey, track string) string { return hashID("track", patientKey, track) }

// AccessID names a patient's access in FHIR and on the card.
func AccessID(patientKey, access string) string { return hashID("access", patientKey, access) }

// StaffID names a member of staff.
func StaffID(s *cannularyv1.StaffIdentifier) string {
	return hashID("staff", s.GetSystem(), s.GetValue())
}

// FacilityID names a facility's FHIR resources.
func FacilityID(facility string) string { return hashID("facility", facility) }

// DeviceID names a scanned device.
func DeviceID(kind string, d *cannularyv1.DeviceIdentity) string {
	return hashID("device", kind, d.GetLot(), d.GetUdi())
}

// DerivedID names something that is derived from a fact, for instance one of the
// observations that an examination gives.
func DerivedID(parts ...string) string {
	return hashID(append([]string{"derived"}, parts...)...)
}

// HoldID names the hold that a rule (or "person") places on the ground of one fact.
func HoldID(rule, groundFactID string) string { return hashID("hold", rule, groundFactID) }

// FindingID names what a rule finds, on the ground of one fact, at a place: a track, an
// access, or an aspect of one.
func FindingID(rule, place, groundFactID string) string {
	return hashID("finding", rule, place, groundFactID)
}
