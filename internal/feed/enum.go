package feed

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// wrongEnum returns the first value of an enum, in the order of the schema, that is not one of
// its names, and says what is allowed. It is empty if there is none. The decoder's own error
// names only the field.
func wrongEnum(line []byte, md protoreflect.MessageDescriptor) string {
	var v any
	if json.Unmarshal(line, &v) != nil {
		return ""
	}
	return enumIn(v, md, "")
}

func enumIn(v any, md protoreflect.MessageDescriptor, path string) string {
	object, ok := v.(map[string]any)
	if !ok {
		return ""
	}
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		name := string(fd.Name())
		value, given := object[name]
		if !given {
			value, given = object[fd.JSONName()]
		}
		if !given || fd.IsMap() {
			continue
		}
		at := strings.TrimPrefix(path+"."+name, ".")
		list, isList := value.([]any)
		if !isList {
			list = []any{value}
		}
		for k, one := range list {
			where := at
			if isList {
				where = fmt.Sprintf("%s[%d]", at, k)
			}
			said := ""
			switch fd.Kind() {
			case protoreflect.EnumKind:
				said = enumValue(one, fd.Enum().Values(), where)
			case protoreflect.MessageKind:
				said = enumIn(one, fd.Message(), where)
			}
			if said != "" {
				return said
			}
		}
	}
	return ""
}

func enumValue(v any, allowed protoreflect.EnumValueDescriptors, where string) string {
	word, ok := v.(string)
	if !ok || allowed.ByName(protoreflect.Name(word)) != nil {
		return ""
	}
	var names []string
	for i := range allowed.Len() {
		names = append(names, string(allowed.Get(i).Name()))
	}
	// Nobody needs to send the first name: it stands for a field that is left out.
	names = slices.DeleteFunc(names, func(n string) bool { return strings.HasSuffix(n, "_UNSPECIFIED") })
	return fmt.Sprintf("%s: %q is none of %s", where, word, strings.Join(names, ", "))
}
