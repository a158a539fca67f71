package card

import (
	"math"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// enum returns a value of the schema in words: its name without the prefix, in small letters. It
// is empty for the zero value, for "not recorded" and for a value that this version does not
// know.
func enum(e protoreflect.Enum, prefix string) string {
	d := e.Descriptor().Values().ByNumber(e.Number())
	if e.Number() == 0 || d == nil {
		return ""
	}
	return track.Words(string(d.Name()), prefix)
}

func direction(d cannularyv1.NeedleDirection) string   { return enum(d, "NEEDLE_DIRECTION_") }
func bevel(b cannularyv1.Bevel) string                 { return enum(b, "BEVEL_") }
func resistance(r cannularyv1.Resistance) string       { return enum(r, "RESISTANCE_") }
func side(s cannularyv1.BodySide) string               { return enum(s, "BODY_SIDE_") }
func region(r cannularyv1.AccessRegion) string         { return enum(r, "ACCESS_REGION_") }
func leavingReason(r cannularyv1.LeavingReason) string { return enum(r, "LEAVING_REASON_") }
func stage(s cannularyv1.TrackStage) string            { return enum(s, "TRACK_STAGE_") }

// way says a needle's direction as the pages and the drawings do; empty where it is not recorded.
func way(direction string) string {
	switch direction {
	case "antegrade":
		return "with the flow"
	case "retrograde":
		return "against the flow"
	}
	return direction
}

// Fistula is what an access is called that tracks are made in.
const Fistula = "native fistula"

func accessKind(k cannularyv1.AccessKind) string {
	switch k {
	case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
		return Fistula
	case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return "non-tunneled catheter"
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return "another kind of access"
	}
	return enum(k, "ACCESS_KIND_")
}

func engorgement(e cannularyv1.Engorgement) string {
	if e == cannularyv1.Engorgement_ENGORGEMENT_HAND_COMPRESSION {
		return "compression by hand"
	}
	return enum(e, "ENGORGEMENT_")
}

func antiseptic(a cannularyv1.Antiseptic) string {
	switch a {
	case cannularyv1.Antiseptic_ANTISEPTIC_OTHER:
		return "another antiseptic, which the record does not name"
	case cannularyv1.Antiseptic_ANTISEPTIC_UNSPECIFIED:
		return ""
	}
	return track.AntisepticName(a)
}

// Capital returns the text with a capital first letter. A first word with a figure in it stands as it is: it may
// be the name of a track, and track "a1" is another one than "A1".
func Capital(s string) string {
	if word, _, _ := strings.Cut(s, " "); strings.ContainsFunc(word, unicode.IsDigit) {
		return s
	}
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}

// Sentence returns the text with a capital first letter and a full stop at the end.
func Sentence(s string) string { return stop(Capital(s)) }

// Loud returns what names places, as "access F1, track a1", with the kinds of the places in capitals. Their names
// stand as they were sent.
func Loud(places ...string) string {
	out := slices.Clone(places)
	for i, p := range out {
		for _, kind := range []string{"access ", "track "} {
			if name, ok := strings.CutPrefix(p, kind); ok {
				out[i] = strings.ToUpper(kind) + name
			}
		}
	}
	return strings.Join(out, ", ")
}

// stop returns the text with a full stop at the end.
func stop(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// Mark returns a sign for a needle that is recognised without colour.
func Mark(needle string) string {
	switch needle {
	case string(track.Sharp):
		return "▲"
	case string(track.Blunt):
		return "●"
	}
	return "✕"
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
