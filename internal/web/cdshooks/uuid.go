package cdshooks

import (
	"crypto/sha1" // version 5 is defined by it; nothing secret rests on it
	"fmt"
	"regexp"

	"cannulary/fhir"
)

// urlSpace is the namespace of URLs (RFC 9562, section 6.6).
var urlSpace = [16]byte{0x6b, 0xa7, 0xb8, 0x11, 0x9d, 0xad, 0x11, 0xd1, 0x80, 0xb4, 0x00, 0xc0, 0x4f, 0xd4, 0x30, 0xc8}

// cardSpace is the namespace of this package's cards.
var cardSpace = uuid5(urlSpace, []byte(fhir.Base+"/cds-hooks-card"))

// uuid5 is the UUID of a name in a namespace (RFC 9562, section 5.5).
func uuid5(space [16]byte, name []byte) (u [16]byte) {
	h := sha1.New()
	h.Write(space[:])
	h.Write(name)
	copy(u[:], h.Sum(nil))
	u[6] = u[6]&0x0f | 0x50
	u[8] = u[8]&0x3f | 0x80
	return u
}

func uuidText(u [16]byte) string {
	return fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
}

// uuidForm is the form of a UUID, in capitals or not.
var uuidForm = regexp.MustCompile(`^[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}$`)
