package grpcapi_test

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// breaker breaks one constraint of the schema in a valid message.
type breaker struct {
	constraint string // "message.field rule", or "message rule": which constraint of the schema
	how        string
	field      string // the path that the violation must name
	reason     string // how the violation's reason begins
	apply      func(root protoreflect.Message)
}

// place is a message inside a request: where it is and how to get there.
type place struct {
	path string
	find func(root protoreflect.Message) protoreflect.Message
}

func (p place) child(fd protoreflect.FieldDescriptor, index int) place {
	path := string(fd.Name())
	if p.path != "" {
		path = p.path + "." + path
	}
	if index < 0 {
		return place{path, func(root protoreflect.Message) protoreflect.Message { return p.find(root).Mutable(fd).Message() }}
	}
	return place{fmt.Sprintf("%s[%d]", path, index), func(root protoreflect.Message) protoreflect.Message {
		return p.find(root).Mutable(fd).List().Get(index).Message()
	}}
}

// breakers lists everything that can be broken in m and below it, once.
func breakers(t *testing.T, m protoreflect.Message, at place) []breaker {
	t.Helper()
	name := string(m.Descriptor().Name())
	var out []breaker
	for _, c := range messageRules(m.Descriptor()).GetCel() {
		out = append(out, celBreakers(t, name, c.GetId(), at, at.path)...)
	}
	oneofs := m.Descriptor().Oneofs()
	for i := range oneofs.Len() {
		if o := oneofs.Get(i); oneofRequired(o) {
			out = append(out, breaker{name + "." + string(o.Name()) + " required", "none set", strings.TrimPrefix(at.path+"."+string(o.Name()), "."), "REQUIRED",
				func(root protoreflect.Message) { x := at.find(root); x.Clear(x.WhichOneof(o)) }})
		}
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		out = append(out, fieldBreakers(t, fd, at)...)
		if fd.Kind() != protoreflect.MessageKind || !m.Has(fd) || fd.Message().FullName() == "google.protobuf.Timestamp" {
			continue
		}
		if fd.IsList() {
			out = append(out, breakers(t, m.Get(fd).List().Get(0).Message(), at.child(fd, 0))...)
			continue
		}
		out = append(out, breakers(t, m.Get(fd).Message(), at.child(fd, -1))...)
	}
	return out
}

// fieldBreakers breaks every rule beside a field. A rule of a sort that it does not know
// fails the test.
func fieldBreakers(t *testing.T, fd protoreflect.FieldDescriptor, at place) []breaker {
	t.Helper()
	rules := fieldRules(fd)
	if rules == nil {
		return nil
	}
	name, path := string(fd.Parent().Name())+"."+string(fd.Name()), at.child(fd, -1).path
	var out []breaker
	add := func(rule, how, field, reason string, apply func(m protoreflect.Message)) {
		out = append(out, breaker{name + " " + rule, how, field, reason, func(root protoreflect.Message) { apply(at.find(root)) }})
	}
	for _, c := range rules.GetCel() {
		out = append(out, celBreakers(t, name, c.GetId(), at, path)...)
	}
	if rules.GetRequired() {
		add("required", "left out", path, "REQUIRED", func(m protoreflect.Message) { m.Clear(fd) })
	}
	for rule, values := range badValues(t, fd, rules) {
		for _, v := range values {
			add(rule, fmt.Sprint(v), path, reasonOf(rule), func(m protoreflect.Message) { m.Set(fd, v) })
		}
	}
	r := rules.GetRepeated()
	if r == nil {
		return out
	}
	list := func(change func(l protoreflect.List)) func(protoreflect.Message) {
		return func(m protoreflect.Message) { change(m.Mutable(fd).List()) }
	}
	if r.MinItems != nil {
		add("repeated.min_items", "one fewer", path, "REPEATED_MIN_ITEMS", list(func(l protoreflect.List) { l.Truncate(int(r.GetMinItems()) - 1) }))
	}
	if r.MaxItems != nil {
		add("repeated.max_items", "one more", path, "REPEATED_MAX_ITEMS", list(func(l protoreflect.List) {
			for l.Len() <= int(r.GetMaxItems()) {
				l.Append(another(l))
			}
		}))
	}
	if r.GetUnique() {
		add("repeated.unique", "one twice", path, "REPEATED_UNIQUE", list(func(l protoreflect.List) { l.Append(l.Get(0)) }))
	}
	for rule, values := range badValues(t, fd, r.GetItems()) {
		for _, v := range values {
			add("items "+rule, fmt.Sprint(v), path+"[0]", reasonOf(rule), list(func(l protoreflect.List) { l.Set(0, v) }))
		}
	}
	return out
}

// another is a further element like the first.
func another(l protoreflect.List) protoreflect.Value {
	switch v := l.Get(0).Interface().(type) {
	case protoreflect.Message:
		return protoreflect.ValueOfMessage(proto.Clone(v.Interface()).ProtoReflect())
	case string: // dates; enough different ones for the longest list
		return protoreflect.ValueOfString(fmt.Sprintf("%04d-%s", 2000+l.Len(), v[5:]))
	default:
		return l.Get(0)
	}
}

func reasonOf(rule string) string {
	switch rule {
	case "uint32.gte", "uint32.lte":
		return "UINT32_"
	case "double.gt", "double.gte", "double.lte", "double.finite":
		return "DOUBLE_"
	}
	return strings.ToUpper(strings.ReplaceAll(rule, ".", "_"))
}

// badValues gives, for each rule of a scalar, values that break it.
func badValues(t *testing.T, fd protoreflect.FieldDescriptor, rules *validate.FieldRules) map[string][]protoreflect.Value {
	t.Helper()
	out := map[string][]protoreflect.Value{}
	sparesZero := rules.GetIgnore() == validate.Ignore_IGNORE_IF_ZERO_VALUE
	rules.ProtoReflect().Range(func(kind protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch kind.Name() {
		case "ignore", "required", "cel", "repeated":
			return true
		}
		v.Message().Range(func(rule protoreflect.FieldDescriptor, arg protoreflect.Value) bool {
			id := string(kind.Name()) + "." + string(rule.Name())
			values := broken(fd, rules, id, arg, sparesZero)
			if len(values) == 0 {
				t.Errorf("%s: no way known to break %s", fd.FullName(), id)
			}
			out[id] = values
			return true
		})
		return true
	})
	return out
}

func broken(fd protoreflect.FieldDescriptor, rules *validate.FieldRules, id string, arg protoreflect.Value, sparesZero bool) []protoreflect.Value {
	str, u32, f64 := protoreflect.ValueOfString, protoreflect.ValueOfUint32, protoreflect.ValueOfFloat64
	enum := func(n int32) protoreflect.Value { return protoreflect.ValueOfEnum(protoreflect.EnumNumber(n)) }
	never := []protoreflect.Value{f64(math.NaN()), f64(math.Inf(1)), f64(math.Inf(-1))}
	switch id {
	case "string.min_len":
		return []protoreflect.Value{str(strings.Repeat("a", int(arg.Uint())-1))}
	case "string.max_len":
		long := strings.Repeat("a", int(arg.Uint())+1)
		if rules.GetString().GetUri() {
			long = "urn:x:" + long
		}
		return []protoreflect.Value{str(long), str(strings.Repeat("é", int(arg.Uint())+1))}
	case "string.uri":
		return []protoreflect.Value{str("patient number"), str("//no-scheme.example"), str("http://[half")}
	case "string.pattern":
		re := regexp.MustCompile(arg.String())
		var out []protoreflect.Value
		for _, s := range []string{"", " ", "!", "a b ", " a", "a  b", "é", "-x", "2025-13-01", "2025-02-32", "20250203", "24:00", "7:00", strings.Repeat("a", 65), "UPPER_case!", "2025-00", "a\nb\n"} {
			if !re.MatchString(s) && (s != "" || !sparesZero) {
				out = append(out, str(s))
			}
		}
		return out
	case "enum.defined_only":
		return []protoreflect.Value{enum(99), enum(-1)}
	case "enum.not_in":
		return []protoreflect.Value{enum(int32(arg.List().Get(0).Int()))}
	case "enum.in":
		out := []protoreflect.Value{enum(99)}
		values := fd.Enum().Values()
		for i := range values.Len() {
			allowed := false
			for _, n := range rules.GetEnum().GetIn() {
				allowed = allowed || n == int32(values.Get(i).Number())
			}
			if !allowed {
				out = append(out, enum(int32(values.Get(i).Number())))
			}
		}
		return out
	case "uint32.gte":
		return []protoreflect.Value{u32(uint32(arg.Uint()) - 1)}
	case "uint32.lte":
		return []protoreflect.Value{u32(uint32(arg.Uint()) + 1), u32(math.MaxUint32)}
	case "double.gt":
		return append(never, f64(arg.Float()), f64(arg.Float()-1))
	case "double.gte":
		return append(never, f64(math.Nextafter(arg.Float(), math.Inf(-1))), f64(arg.Float()-1))
	case "double.lte":
		return append(never, f64(math.Nextafter(arg.Float(), math.Inf(1))), f64(arg.Float()+1))
	case "double.finite":
		return never
	case "timestamp.gt":
		ts := fd.Message().Fields().ByName("seconds")
		m, epoch := newTimestamp(fd), newTimestamp(fd)
		m.Set(ts, protoreflect.ValueOfInt64(-1))
		return []protoreflect.Value{protoreflect.ValueOfMessage(m), protoreflect.ValueOfMessage(epoch)}
	}
	return nil
}

func fieldRules(fd protoreflect.FieldDescriptor) *validate.FieldRules {
	r, ok := proto.GetExtension(fd.Options(), validate.E_Field).(*validate.FieldRules)
	if !ok || !proto.HasExtension(fd.Options(), validate.E_Field) {
		return nil
	}
	return r
}

func messageRules(md protoreflect.MessageDescriptor) *validate.MessageRules {
	r, _ := proto.GetExtension(md.Options(), validate.E_Message).(*validate.MessageRules)
	return r
}

func oneofRequired(o protoreflect.OneofDescriptor) bool {
	r, _ := proto.GetExtension(o.Options(), validate.E_Oneof).(*validate.OneofRules)
	return r.GetRequired()
}

// constraints lists every constraint that the schema has below a message, in the names
// that breakers use.
func constraints(t *testing.T, md protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool, out map[string]bool) {
	t.Helper()
	if seen[md.FullName()] {
		return
	}
	seen[md.FullName()] = true
	name := string(md.Name())
	for _, c := range messageRules(md).GetCel() {
		out[name+" "+c.GetId()] = true
	}
	for i := range md.Oneofs().Len() {
		if o := md.Oneofs().Get(i); oneofRequired(o) {
			out[name+"."+string(o.Name())+" required"] = true
		}
	}
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		collect(fieldRules(fd), name+"."+string(fd.Name())+" ", out)
		if fd.Kind() == protoreflect.MessageKind {
			constraints(t, fd.Message(), seen, out)
		}
	}
}

func collect(r *validate.FieldRules, prefix string, out map[string]bool) {
	for _, c := range r.GetCel() {
		out[prefix+c.GetId()] = true
	}
	r.ProtoReflect().Range(func(kind protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch kind.Name() {
		case "ignore", "cel":
			return true
		case "required":
			out[prefix+"required"] = true
			return true
		}
		v.Message().Range(func(rule protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			if rule.Name() == "items" {
				collect(r.GetRepeated().GetItems(), prefix+"items ", out)
				return true
			}
			out[prefix+string(kind.Name())+"."+string(rule.Name())] = true
			return true
		})
		return true
	})
}
