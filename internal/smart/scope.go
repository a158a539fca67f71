package smart

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/access"
)

// scope is one scope of SMART that counts here: reading and searching the resources of a type, or of all.
type scope struct{ text, typ string }

// scopes are those of a token.
type scopes []scope

// String returns them as they were given.
func (s scopes) String() string {
	texts := make([]string, 0, len(s))
	for _, one := range s {
		texts = append(texts, one.text)
	}
	return strings.Join(texts, " ")
}

// types returns the resource types that they allow.
func (s scopes) types() []string {
	out := make([]string, 0, len(s))
	for _, one := range s {
		out = append(out, one.typ)
	}
	return out
}

// parseScopes reads scopes, with blanks between them, for the resource types that there are. It refuses whatever it
// does not know, so that nobody believes to hold a scope that does not count.
func parseScopes(text string, types []string) (scopes, error) {
	var out scopes
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
func knownScopes(text string, types []string) (out scopes) {
	for _, field := range strings.Fields(text) {
		if one, err := parseScope(field, types); err == nil {
			out = append(out, one)
		}
	}
	return out
}

// parseScope reads one scope: system/Type.rs of SMART 2, or system/Type.read of SMART 1, which means the same. Reading
// without searching, or the other way round, is not offered: a policy does not tell them apart.
func parseScope(text string, types []string) (scope, error) {
	what, ok := strings.CutPrefix(text, "system/")
	typ, letters, _ := strings.Cut(what, ".")
	switch {
	case !ok || letters != "rs" && letters != "read":
		return scope{}, fmt.Errorf("scope %.60q is not offered; write system/Type.rs or system/Type.read: this service is only read", text)
	case typ != access.Any && !slices.Contains(types, typ):
		return scope{}, fmt.Errorf("scope %.60q names no resource type of this service; /metadata lists them, * is all of them", text)
	}
	return scope{text, typ}, nil
}
