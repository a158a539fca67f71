package track

import (
	"slices"
	"strings"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Words returns an enum value in words: COMPLICATION_KIND_FALSE_TRACT is "false tract".
func Words(name, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(name, prefix)), "_", " ")
}

func complicationName(k cannularyv1.ComplicationKind) string {
	return Words(k.String(), "COMPLICATION_KIND_")
}

func rescueName(r cannularyv1.RescueReason) string { return Words(r.String(), "RESCUE_REASON_") }

// AntisepticName returns an antiseptic in words.
func AntisepticName(a cannularyv1.Antiseptic) string {
	switch a {
	case cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL:
		return "chlorhexidine in alcohol"
	case cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE:
		return "povidone-iodine"
	case cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_AQUEOUS:
		return "aqueous chlorhexidine"
	}
	return Words(a.String(), "ANTISEPTIC_")
}

// who names creator and deputies, the creator first.
func (c *course) who() []string {
	var out []string
	for _, s := range append([]*cannularyv1.StaffIdentifier{c.creator}, c.deputies...) {
		if v := s.GetValue(); v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// RoleName returns the role of a track's needle in words, empty if it is not stated.
func RoleName(r cannularyv1.NeedleRole) string {
	switch r {
	case cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL:
		return "arterial"
	case cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS:
		return "venous"
	}
	return ""
}
