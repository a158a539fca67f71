package smart

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Right is what may be done with resources of a type. There is nothing else: this service takes no writes.
type Right uint8

// The rights, by their letter in a scope of SMART 2.
const (
	Read   Right = 1 << iota // r: a resource, its versions and their history
	Search                   // s: searches, the histories of types and of all, exports
)

const anyType = "*"

// Scopes are scopes of SMART: rights by resource type. The zero value allows nothing.
type Scopes []scope

type scope struct {
	text  string
	typ   string
	right Right
}

// AllOf returns the scopes to read and search resources of the types, * for all.
func AllOf(types ...string) (out Scopes) {
	for _, t := range types {
		out = append(out, scope{"system/" + t + ".rs", t, Read | Search})
	}
	return out
}

// Allows reports whether the right to the type is among the scopes.
func (s Scopes) Allows(typ string, r Right) bool {
	var got Right
	for _, one := range s {
		if one.typ == typ || one.typ == anyType {
			got |= one.right
		}
	}
	return got&r == r
}

// String returns the scopes as they were given.
func (s Scopes) String() string {
	texts := make([]string, 0, len(s))
	for _, one := range s {
		texts = append(texts, one.text)
	}
	return strings.Join(texts, " ")
}

// beyond returns the first scope that is not among those allowed; empty if all are.
func (s Scopes) beyond(allowed Scopes) string {
	for _, one := range s {
		if !allowed.Allows(one.typ, one.right) {
			return one.text
		}
	}
	return ""
}

// ParseScopes reads scopes, with blanks between them, for the resource types that there are. It refuses whatever it
// does not know, so that nobody believes to hold a scope that does not count.
func ParseScopes(text string, types []string) (Scopes, error) {
	var out Scopes
	for _, field := range strings.Fields(text) {
		one, err := parseScope(field, types)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(out, one) {
			out = append(out, one)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("no scope is given; give for instance system/Observation.rs")
	}
	return out, nil
}

// knownScopes returns those of the scopes that mean something here. It is for tokens that are made for many servers.
func knownScopes(text string, types []string) (out Scopes) {
	for _, field := range strings.Fields(text) {
		if one, err := parseScope(field, types); err == nil {
			out = append(out, one)
		}
	}
	return out
}

// parseScope reads one scope: system/Type.rs of SMART 2, or system/Type.read of SMART 1, which means the same.
func parseScope(text string, types []string) (scope, error) {
	what, ok := strings.CutPrefix(text, "system/")
	typ, letters, dot := strings.Cut(what, ".")
	switch {
	case !ok || !dot:
		return scope{}, fmt.Errorf("scope %.60q is not offered; write system/Type.rs, system/Type.r, system/Type.s or system/Type.read", text)
	case typ != anyType && !slices.Contains(types, typ):
		return scope{}, fmt.Errorf("scope %.60q names no resource type of this service; /metadata lists them, * is all of them", text)
	}
	switch letters {
	case "r":
		return scope{text, typ, Read}, nil
	case "s":
		return scope{text, typ, Search}, nil
	case "rs", "read":
		return scope{text, typ, Read | Search}, nil
	}
	return scope{}, fmt.Errorf("scope %.60q asks for what this service does not do; after the dot stands r, s, rs or read", text)
}
