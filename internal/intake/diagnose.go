package intake

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/fault"
)

// MaxDepth is how deep messages may be nested: several times what the schema needs. Decoders
// refuse more, so that nobody can keep the service busy without end.
const MaxDepth = 30

// diagnose says why the decoder could not place bytes in a message of type md: the place and
// what is allowed there.
func diagnose(path string, md protoreflect.MessageDescriptor, raw []byte) []fault.Violation {
	if strings.Count(path, ".") >= MaxDepth {
		return []fault.Violation{{Field: path, Rule: "schema.depth",
			Description: fmt.Sprintf("is nested more than %d deep, which no message of the schema needs; a correction holds a plain fact",
				MaxDepth)}}
	}
	var bad []fault.Violation
	counts := map[protoreflect.FieldNumber]int{}
	for len(raw) > 0 {
		num, typ, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return append(bad, damaged(path, md))
		}
		raw = raw[n:]
		size := protowire.ConsumeFieldValue(num, typ, raw)
		if size < 0 {
			return append(bad, damaged(path, md))
		}
		value := raw[:size]
		raw = raw[size:]
		fd := md.Fields().ByNumber(num)
		if fd == nil {
			bad = append(bad, fault.Violation{Field: path, Rule: "schema.unknown_field",
				Description: fmt.Sprintf(
					"holds field number %d, which %s does not have in this version; leave it out or upgrade the service", num, md.Name())})
			continue
		}
		at := join(path, string(fd.Name()))
		if fd.IsList() {
			at = fmt.Sprintf("%s[%d]", at, counts[num])
			counts[num]++
		}
		if !fits(fd, typ) {
			bad = append(bad, fault.Violation{Field: at, Rule: "schema.wire_type",
				Description: fmt.Sprintf("is sent with wire type %d; a %s is allowed: build the message from the published schema", typ,
					fd.Kind())})
			continue
		}
		if fd.IsPacked() && typ == protowire.BytesType && !packed(fd, value) {
			bad = append(bad, damaged(at, md))
			continue
		}
		switch fd.Kind() {
		case protoreflect.StringKind:
			if s, n := protowire.ConsumeBytes(value); n >= 0 && !utf8.Valid(s) {
				bad = append(bad, fault.Violation{Field: at, Rule: "text.utf8",
					Description: "is not valid UTF-8; text in UTF-8 is allowed (set the character set of the sending interface)"})
			}
		case protoreflect.MessageKind:
			if b, n := protowire.ConsumeBytes(value); n >= 0 {
				bad = append(bad, diagnose(at, fd.Message(), b)...)
			}
		}
	}
	return bad
}

func damaged(path string, md protoreflect.MessageDescriptor) fault.Violation {
	return fault.Violation{Field: path, Rule: "schema.damaged",
		Description: fmt.Sprintf("cannot be read as a %s: the bytes are cut off or damaged; send the message again as it was built",
			md.Name())}
}

// packed reports whether value is a list of whole numbers of the field's kind.
func packed(fd protoreflect.FieldDescriptor, value []byte) bool {
	list, n := protowire.ConsumeBytes(value)
	for n >= 0 && len(list) > 0 {
		if n = protowire.ConsumeFieldValue(fd.Number(), wireType(fd), list); n >= 0 {
			list = list[n:]
		}
	}
	return n >= 0
}

// fits reports whether a field of the schema can be sent with the wire type.
func fits(fd protoreflect.FieldDescriptor, typ protowire.Type) bool {
	return typ == wireType(fd) || fd.IsList() && typ == protowire.BytesType
}

// wireType returns the wire type of one value of the field.
func wireType(fd protoreflect.FieldDescriptor) protowire.Type {
	switch fd.Kind() {
	case protoreflect.StringKind, protoreflect.BytesKind, protoreflect.MessageKind:
		return protowire.BytesType
	case protoreflect.DoubleKind, protoreflect.Fixed64Kind, protoreflect.Sfixed64Kind:
		return protowire.Fixed64Type
	case protoreflect.FloatKind, protoreflect.Fixed32Kind, protoreflect.Sfixed32Kind:
		return protowire.Fixed32Type
	}
	return protowire.VarintType
}
