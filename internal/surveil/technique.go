package surveil

import (
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Technique is what a patient is dialysed through and, for a fistula, how it is needled:
// each day of exposure and each event belongs to exactly one.
type Technique string

// The techniques. OtherFistula is every fistula that is not needled at constant sites;
// Unknown is a patient of whose access nothing is known.
const (
	ConstantSite        Technique = "constant-site"
	OtherFistula        Technique = "other-fistula"
	Graft               Technique = "graft"
	TunneledCatheter    Technique = "tunneled-catheter"
	NonTunneledCatheter Technique = "non-tunneled-catheter"
	OtherAccess         Technique = "other-access"
	Unknown             Technique = "unknown"
)

// Techniques lists them.
func Techniques() []Technique {
	return []Technique{ConstantSite, OtherFistula, Graft, TunneledCatheter, NonTunneledCatheter, OtherAccess, Unknown}
}

// Group is one technique or several together, as a rate is given for.
type Group string

// The groups beside the single techniques.
const (
	Fistula   Group = "fistula"
	AllAccess Group = "all"
)

// Groups lists what rates are given for: each technique, all fistulas, everybody.
func Groups() []Group {
	out := []Group{AllAccess, Fistula}
	for _, t := range Techniques() {
		out = append(out, Group(t))
	}
	return out
}

// Has tells whether the technique belongs to the group.
func (g Group) Has(t Technique) bool {
	switch g {
	case AllAccess:
		return true
	case Fistula:
		return t == ConstantSite || t == OtherFistula
	}
	return Technique(g) == t
}

// Watched is the technique that a chart of the pattern watches. The register tells
// constant-site needling from all other needling of fistulas; charts of the two other
// patterns watch the latter.
func Watched(p cannularyv1.NeedlingPattern) Technique {
	if p == cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE {
		return ConstantSite
	}
	return OtherFistula
}

// Class is a class of infection.
type Class string

// The classes. Antimicrobial counts intravenous starts, which are no infection by themselves.
const (
	Bloodstream   Class = "bloodstream"
	AccessRelated Class = "access-related"
	LocalAccess   Class = "local-access"
	Antimicrobial Class = "antimicrobial-start"
)

// Classes lists them.
func Classes() []Class { return []Class{AccessRelated, Bloodstream, LocalAccess, Antimicrobial} }

// ClassOf is the class of a message's code; empty where it is not known to this version.
func ClassOf(c cannularyv1.InfectionClass) Class {
	switch c {
	case cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM:
		return Bloodstream
	case cannularyv1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM:
		return AccessRelated
	case cannularyv1.InfectionClass_INFECTION_CLASS_LOCAL_ACCESS:
		return LocalAccess
	}
	return ""
}

// risk orders accesses: the highest counts (CDC NHSN form 57.503).
func risk(k cannularyv1.AccessKind) int {
	switch k {
	case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return 5
	case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
		return 4
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return 3
	case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
		return 2
	case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
		return 1
	}
	return 0
}

func techniqueOf(k cannularyv1.AccessKind) Technique {
	switch k {
	case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return NonTunneledCatheter
	case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
		return TunneledCatheter
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return OtherAccess
	case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
		return Graft
	case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
		return OtherFistula
	}
	return Unknown
}
