package search

import (
	"encoding/json"
	"strings"
)

// item is an element, or the part of one, that a parameter looks at.
type item struct {
	v  any
	el *element
}

// at lists the elements at a path from the root; the empty path is the resource.
func (r *Resource) at(path string) []any {
	if list, ok := r.found[path]; ok {
		return list
	}
	list := walk(r.Body, path)
	r.found[path] = list
	return list
}

// elements lists the values of a parameter that is no composite.
func (c *Corpus) elements(r *Resource, p *param) []item {
	plain := c.Mutant != RootOnly && c.Mutant != FirstElementOnly
	if out, ok := r.items[p]; ok && plain {
		return out
	}
	var out []item
	for i := range p.elements {
		el := &p.elements[i]
		if c.Mutant == RootOnly && strings.HasPrefix(el.path, "component.") && len(p.elements) > 1 {
			continue
		}
		found := r.at(el.path)
		if el.of != nil {
			found = el.of(r.Body)
		}
		for _, v := range found {
			out = append(out, c.items(v, p, el)...)
		}
	}
	if c.Mutant == FirstElementOnly && len(out) > 1 {
		out = out[:1]
	}
	if plain {
		r.items[p] = out
	}
	return out
}

// below lists the values of a component of a composite on one element.
func (c *Corpus) below(at any, p *param) []item {
	var out []item
	for i := range p.elements {
		for _, v := range walk(at, p.elements[i].path) {
			out = append(out, c.items(v, p, &p.elements[i])...)
		}
	}
	return out
}

// items takes an element apart into what can match by itself.
func (c *Corpus) items(v any, p *param, el *element) []item {
	m, _ := v.(map[string]any)
	switch el.as {
	case asConcept:
		var out []item
		for _, k := range walk(m, "coding") {
			out = append(out, item{k, el})
		}
		return out
	case asCanonical:
		// A canonical URL refers to the resource that has it.
		url, _, _ := strings.Cut(plain(v), "|")
		ref := map[string]any{"canonical": url, "reference": url}
		for _, typ := range p.targets {
			for _, r := range c.byType[typ] {
				if str(r.Body, "url") == url {
					ref["reference"] = r.Key()
				}
			}
		}
		return []item{{ref, el}}
	case asReference:
		if p.only != "" {
			// resolve() finds nothing for a reference that is not literal.
			if typ, _ := parts(c.local(item{v: m})); typ != p.only {
				return nil
			}
		}
		return []item{{m, el}}
	}
	return []item{{v, el}}
}

// walk follows a path of element names; extension(url) takes the extensions of that URL.
func walk(v any, path string) []any {
	if v == nil {
		return nil
	}
	list := []any{v}
	for path != "" {
		var name string
		if n := strings.IndexByte(path, ')'); strings.HasPrefix(path, "extension(") {
			name, path = path[:n+1], strings.TrimPrefix(path[n+1:], ".")
		} else {
			name, path, _ = strings.Cut(path, ".")
		}
		var next []any
		for _, v := range list {
			next = append(next, step(v, name)...)
		}
		list = next
	}
	return list
}

func step(v any, name string) []any {
	m, ok := v.(map[string]any)
	if !ok {
		return nil
	}
	if url, ok := strings.CutPrefix(name, "extension("); ok {
		var out []any
		for _, e := range step(v, "extension") {
			if x, _ := e.(map[string]any); str(x, "url")+")" == url {
				out = append(out, e)
			}
		}
		return out
	}
	switch x := m[name].(type) {
	case nil:
		return nil
	case []any:
		return x
	default:
		return []any{x}
	}
}

// str is a string below an element, empty where there is none.
func str(m map[string]any, name string) string {
	s, _ := m[name].(string)
	return s
}

// plain is a primitive's text.
func plain(v any) string {
	switch x := v.(type) {
	case string:
		return x
	case bool:
		if x {
			return "true"
		}
		return "false"
	case json.Number:
		return x.String()
	}
	return ""
}
