package surveil

import (
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Technique is what a patient is dialysed through and, for a fistula, how it is needled. Each
// day of exposure and each event has exactly one.
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

// Techniques returns all techniques.
func Techniques() []Technique {
	return []Technique{ConstantSite, OtherFistula, Graft, TunneledCatheter, NonTunneledCatheter, OtherAccess, Unknown}
}

// Group is one technique or several together, for which a rate is given.
type Group string

// The groups beside the single techniques.
const (
	Fistula   Group = "fistula"
	AllAccess Group = "all"
)

// Groups returns what rates are given for: each technique, all fistulas, everybody.
func Groups() []Group {
	out := []Group{AllAccess, Fistula}
	for _, t := range Techniques() {
		out = append(out, Group(t))
	}
	return out
}

// Has reports whether the technique belongs to the group.
func (g Group) Has(t Technique) bool {
	switch g {
	case AllAccess:
		return true
	case Fistula:
		return t == ConstantSite || t == OtherFistula
	}
	return Technique(g) == t
}

// Watched returns the technique that a chart of the pattern watches. The register separates
// constant-site needling from all other needling of fistulas. Charts of the two other patterns
// watch the latter.
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

// Classes returns all classes.
func Classes() []Class { return append(Infections(), Antimicrobial) }

// Infections returns the classes with rates of infection. Antimicrobial starts are no infections by themselves.
func Infections() []Class { return []Class{AccessRelated, Bloodstream, LocalAccess} }

// ClassOf returns the class of a message's code, empty if this version does not know it.
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
