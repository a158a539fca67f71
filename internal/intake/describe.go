package intake

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/fault"
)

// datePattern is the schema's pattern of a local date.
const datePattern = "^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$"

// patternTexts says in words what the schema's patterns allow.
func patternTexts(p string) string {
	switch p {
	case datePattern:
		return "must be a date YYYY-MM-DD"
	case "^[0-9]{4}-(0[1-9]|1[0-2])$":
		return "must be a month YYYY-MM"
	case "^([01][0-9]|2[0-3]):[0-5][0-9]$":
		return "must be a time HH:MM, 24 hours"
	case "^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$":
		return "must be 1 to 64 letters, digits, dots, underscores, colons or hyphens, beginning with a letter or digit"
	case "^[a-z0-9][a-z0-9-]{0,39}$":
		return "must be 1 to 40 lower-case letters, digits or hyphens, beginning with a letter or digit"
	case "^[^\\s]+(\\s[^\\s]+)*$":
		return "must not be empty, nor begin or end with a space, nor have two spaces in a row"
	}
	return ""
}

// describe returns a broken constraint of a request of type md in words that name the field and
// what is allowed.
func describe(md protoreflect.MessageDescriptor, v *protovalidate.Violation) fault.Violation {
	out := fault.Violation{
		Field: protovalidate.FieldPathString(v.Proto.GetField()), Rule: v.Proto.GetRuleId(),
		Description: v.Proto.GetMessage(),
	}
	fd := fieldAt(md, v.Proto.GetField())
	switch {
	case out.Rule == "required" && fd == nil: // a oneof has no field of its own
		out.Description = "is required: exactly one of its kinds must be set"
	case out.Rule == "required":
		out.Description = "is required"
	case fd == nil:
	case strings.HasPrefix(out.Rule, "enum."):
		out.Description = "must be one of " + strings.Join(allowedNames(fd), ", ")
	case out.Rule == "string.pattern":
		if t := patternTexts(pattern(fd)); t != "" {
			out.Description = t
		}
	}
	if out.Rule == "timestamp.gt" {
		out.Description = "must be after 1970-01-01T00:00:00Z, which a system sends when it knows no time; send when it happened"
	}
	out.Description = charactersOf(out.Rule, out.Description, v.FieldValue)
	if out.Description == "" {
		out.Description = "breaks the rule " + out.Rule
	}
	return out
}

// fieldAt returns the field at the end of the path, nil for a oneof. The violation's own
// descriptor is missing for the elements of a list.
func fieldAt(md protoreflect.MessageDescriptor, path *validate.FieldPath) protoreflect.FieldDescriptor {
	var fd protoreflect.FieldDescriptor
	for _, e := range path.GetElements() {
		if md == nil {
			return nil
		}
		if fd = md.Fields().ByNumber(protoreflect.FieldNumber(e.GetFieldNumber())); fd == nil {
			return nil
		}
		md = fd.Message()
	}
	return fd
}

// rules returns the constraints of a field in the schema.
func rules(fd protoreflect.FieldDescriptor) *validate.FieldRules {
	r, _ := proto.GetExtension(fd.Options(), validate.E_Field).(*validate.FieldRules)
	if fd.IsList() {
		return r.GetRepeated().GetItems()
	}
	return r
}

// pattern returns a string field's pattern, empty if it has none.
func pattern(fd protoreflect.FieldDescriptor) string { return rules(fd).GetString().GetPattern() }

// identifier reports whether the schema says which characters a string may have: by a pattern,
// or by the rule for identifiers.
func identifier(fd protoreflect.FieldDescriptor) bool {
	r := rules(fd)
	for _, c := range r.GetCel() {
		if c.GetId() == charactersRule {
			return true
		}
	}
	return r.GetString().GetPattern() != "" || r.GetString().GetUri()
}

// allowedNames returns the names that an enum field may have.
func allowedNames(fd protoreflect.FieldDescriptor) []string {
	r := rules(fd).GetEnum()
	allowed := func(n int32) bool {
		if slices.Contains(r.GetNotIn(), n) {
			return false
		}
		if slices.Contains(r.GetIn(), n) {
			return true
		}
		return len(r.GetIn()) == 0
	}
	var names []string
	values := fd.Enum().Values()
	for i := 0; i < values.Len(); i++ {
		if v := values.Get(i); allowed(int32(v.Number())) {
			names = append(names, string(v.Name()))
		}
	}
	return names
}

func matches(p, s string) bool {
	ok, err := regexp.MatchString(p, s)
	return err == nil && ok
}

// unreadable returns what the decoder could not place in the schema: fields of a newer version,
// a wrong wire type, text that is not UTF-8. Any of them refuses the message, so that no part of
// a message is dropped in silence.
func unreadable(m proto.Message) []fault.Violation {
	var bad []fault.Violation
	visitUnknown(m.ProtoReflect(), "", func(path string, md protoreflect.MessageDescriptor, raw []byte) {
		bad = append(bad, diagnose(path, md, raw)...)
	})
	return bad
}

func visitUnknown(m protoreflect.Message, path string, visit func(string, protoreflect.MessageDescriptor, []byte)) {
	if raw := m.GetUnknown(); len(raw) > 0 {
		visit(path, m.Descriptor(), raw)
	}
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if fd.Kind() != protoreflect.MessageKind {
			return true
		}
		at := join(path, string(fd.Name()))
		if fd.IsList() {
			for j := 0; j < v.List().Len(); j++ {
				visitUnknown(v.List().Get(j).Message(), fmt.Sprintf("%s[%d]", at, j), visit)
			}
			return true
		}
		visitUnknown(v.Message(), at, visit)
		return true
	})
}
