// Package access decides who may do what. A policy file names the principals: the systems and people
// that may ask, how each is known, and what each may send and read. The package knows neither HTTP
// nor gRPC. Who is not named is refused, and so is what is not allowed: a nil Principal may do nothing.
package access

import (
	"context"
	"slices"
	"strings"

	"cannulary/internal/fault"
)

// Right is what a route or a call asks for.
type Right string

// The rights. Send and FHIR follow from what a principal may send and read; the policy grants the
// others by name. Open asks for nobody, Known for any principal.
const (
	Open    Right = "open"
	Known   Right = "known"
	Send    Right = "send"
	FHIR    Right = "fhir"
	Pages   Right = "pages"
	Reports Right = "reports"
	Hooks   Right = "hooks"
	Metrics Right = "metrics"
	Audit   Right = "audit"
	// Reviews is the list of those who broke the glass. A lead has it by login alone.
	Reviews Right = "reviews"
	// Operate is what the operator alone may do, by the socket in the data folder.
	Operate Right = "operate"
)

// granted lists the rights that stand in a policy by name.
func granted() []Right { return []Right{Pages, Reports, Hooks, Metrics, Audit} }

// Any stands for all names in a list.
const Any = "*"

// Principal is who asks, and what they may do. Its fields stand in the policy file as
// deploy/access.md describes them.
type Principal struct {
	Name string `yaml:"name"`
	// Certificates, Tokens, Client and Signer are how it is known: the names in its certificate, the
	// SHA-256 of its bearer tokens as 64 hexadecimal digits, the tokens that it gets by OAuth, and
	// the signature of its calls of CDS Hooks.
	Certificates []string `yaml:"certificates"`
	Tokens       []string `yaml:"tokens"`
	Client       *Client  `yaml:"client"`
	Signer       *Signer  `yaml:"hooks"`
	// Facilities are those that it may write about, and whose patients it may read: see package extract.
	Facilities []string `yaml:"facilities"`
	// Sources are the source names of its messages. No two principals share one.
	Sources []string `yaml:"sources"`
	// Facts are the kinds of fact that it may send: service/kind or service/*.
	Facts []string `yaml:"facts"`
	// Amends are the sources, beside its own, whose facts it may correct and void.
	Amends []string `yaml:"amends"`
	// FHIR are the resource types that it may read.
	FHIR   []string `yaml:"fhir"`
	May    []Right  `yaml:"may"`
	Limits Limits   `yaml:"limits"`
	// Display makes it a display on a wall: it reads pages, finds nobody, confirms nobody.
	Display *Display `yaml:"display"`
	// Person is set for a person who logged in, or broke the glass; nil for a system.
	Person *Person `yaml:"-"`
}

// Display says how a display on a wall shows patients.
type Display struct {
	Names string `yaml:"names"` // NamesShort or NamesNone
}

// How a display shows names.
const (
	NamesShort = "short" // first letters
	NamesNone  = "none"
)

// Everybody returns the principal of an instance without access control, who may do everything.
func Everybody() *Principal {
	all := []string{Any}
	return &Principal{Name: "everybody", Facilities: all, Sources: all, Facts: all, Amends: all, FHIR: all, May: granted()}
}

// operatorName is the principal of who asks by the socket in the data folder. No policy may give it to another.
const operatorName = "operator"

// Operator returns the principal of who asks by the socket in the data folder. It may read everything, as whoever holds
// the folder can, make sealed codes, and send nothing.
func Operator() *Principal {
	all := []string{Any}
	return &Principal{Name: operatorName, Facilities: all, FHIR: all, May: append(granted(), Operate)}
}

// Has reports whether the principal has a right.
func (p *Principal) Has(r Right) bool {
	switch {
	case r == Open:
		return true
	case p == nil:
		return false
	case r == Known:
		return true
	case r == Send:
		return len(p.Sources) > 0
	case r == FHIR:
		return len(p.FHIR) > 0
	case r == Audit && !p.Everywhere():
		return false // the trail names patients of every facility
	}
	return slices.Contains(p.May, r)
}

// ReadsPatients reports whether the principal may read anything of patients.
func (p *Principal) ReadsPatients() bool {
	return p.Has(FHIR) || p.Has(Pages) || p.Has(Reports) || p.Has(Hooks)
}

// Ask returns a fault if the principal has not the right: Unauthenticated where nobody is known, else
// Denied. Neither tells what exists.
func (p *Principal) Ask(r Right) error {
	switch {
	case p.Has(r):
		return nil
	case p == nil:
		return Unknown()
	}
	return Refused()
}

// Reads reports whether it may read resources of a FHIR type.
func (p *Principal) Reads(resourceType string) bool { return p != nil && holds(p.FHIR, resourceType) }

// Speaks reports whether messages of the source are its own.
func (p *Principal) Speaks(source string) bool { return p != nil && holds(p.Sources, source) }

// Changes reports whether it may correct and void facts of the source.
func (p *Principal) Changes(source string) bool {
	return p.Speaks(source) || p != nil && holds(p.Amends, source)
}

// Awaits reports whether it may change facts of the source that have not arrived yet, wherever and
// whatever they will be.
func (p *Principal) Awaits(source string) bool {
	return p.Speaks(source) || p.Changes(source) && p.Everywhere() && slices.Contains(p.Facts, Any)
}

// At reports whether it may write about the facility.
func (p *Principal) At(facility string) bool { return p != nil && holds(p.Facilities, facility) }

// Everywhere reports whether it may write about every facility.
func (p *Principal) Everywhere() bool { return p != nil && slices.Contains(p.Facilities, Any) }

// Sends reports whether it may send a kind of fact to a service.
func (p *Principal) Sends(service, kind string) bool {
	return p != nil && (holds(p.Facts, service+"/"+kind) || slices.Contains(p.Facts, service+"/"+Any))
}

// SendsKind reports whether it may send a kind of fact to any service.
func (p *Principal) SendsKind(kind string) bool {
	return slices.ContainsFunc(Kinds(), func(k string) bool {
		service, name, _ := strings.Cut(k, "/")
		return name == kind && p.Sends(service, name)
	})
}

func holds(list []string, name string) bool {
	return slices.Contains(list, Any) || slices.Contains(list, name)
}

// Unknown is the fault of a caller that no principal stands for. It is the same whatever was wrong.
func Unknown() error {
	return fault.New(fault.Unauthenticated, "this needs a client certificate or a bearer token of a principal",
		"use those that the operator gave you; if they are refused, ask the operator")
}

// Refused is the fault of a principal that may not do what it asks.
func Refused() error {
	return fault.New(fault.Denied, "this principal may not do that", "ask the operator what the policy allows")
}

// noRole is the fault of a person who logged in and has no role.
func noRole(claim string) error {
	return fault.New(fault.Denied, "you are logged in, but you have no role here", "ask the operator: the claim "+shown(claim)+
		" of your account must hold a value that stands under people, roles in the policy")
}

// noView is the fault of a person whose facilities hold no view.
func noView(claim string) error {
	return fault.New(fault.Denied, "you are logged in, but no set of facilities here is yours", "ask the operator: the claim "+shown(claim)+
		" of your account must name all facilities of one of the sets under people, views in the policy")
}

// key is the key of the principal in a context.
type key struct{}

// With returns a context of a request of the principal.
func With(ctx context.Context, p *Principal) context.Context { return context.WithValue(ctx, key{}, p) }

// From returns the principal of a request, nil if nobody said who asks.
func From(ctx context.Context) *Principal {
	p, _ := ctx.Value(key{}).(*Principal)
	return p
}

// shown is a name from a policy in an error, shortened.
func shown(s string) string {
	if len(s) > 80 {
		s = strings.ToValidUTF8(s[:80], "") + "…"
	}
	return s
}
