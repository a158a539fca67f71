// Package schema holds the schema in ../../../proto against a compiler of its own.
package schema

import (
	"context"
	"io/fs"
	"os"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/bufbuild/protocompile"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

const folder = "../../../proto"

// compile reads files of the schema with nothing but its own folder in the search path.
func compile(t *testing.T, names ...string) []protoreflect.FileDescriptor {
	t.Helper()
	c := protocompile.Compiler{Resolver: protocompile.WithStandardImports(&protocompile.SourceResolver{ImportPaths: []string{folder}})}
	files, err := c.Compile(context.Background(), names...)
	if err != nil {
		t.Fatal(err)
	}
	var out []protoreflect.FileDescriptor
	for _, f := range files {
		out = append(out, f)
	}
	return out
}

// An engineer has a checkout and a compiler, and fetches nothing.
func TestTheFolderCompilesAsItStands(t *testing.T) {
	names, err := fs.Glob(os.DirFS(folder), "cannulary/*/*.proto")
	if err != nil {
		t.Fatal(err)
	}
	deeper, err := fs.Glob(os.DirFS(folder), "cannulary/*/*/*.proto")
	if err != nil {
		t.Fatal(err)
	}
	names = append(names, deeper...)
	if len(names) < 7 {
		t.Fatalf("only %q are there", names)
	}
	for _, f := range compile(t, names...) {
		if f.Package() == "" {
			t.Errorf("%s has no package", f.Path())
		}
	}
}

// A wrong number in our file of options would turn a constraint into another one.
func TestTheOptionsAreProtovalidates(t *testing.T) {
	ours, theirs := compile(t, "buf/validate/validate.proto")[0], validate.File_buf_validate_validate_proto
	if ours.Package() != theirs.Package() || ours.Syntax() != theirs.Syntax() {
		t.Errorf("package %s, %s; want %s, %s", ours.Package(), ours.Syntax(), theirs.Package(), theirs.Syntax())
	}
	if !proto.Equal(ours.Options(), theirs.Options()) {
		t.Errorf("options %v; want %v", ours.Options(), theirs.Options())
	}
	for i := range ours.Extensions().Len() {
		x := ours.Extensions().Get(i)
		same(t, x, theirs.Extensions().ByName(x.Name()))
	}
	for i := range ours.Messages().Len() {
		m := ours.Messages().Get(i)
		other := theirs.Messages().ByName(m.Name())
		if other == nil {
			t.Errorf("Protovalidate has no message %s", m.Name())
			continue
		}
		for j := range m.Fields().Len() {
			f := m.Fields().Get(j)
			same(t, f, other.Fields().ByName(f.Name()))
		}
	}
	for i := range ours.Enums().Len() {
		e := ours.Enums().Get(i)
		for j := range e.Values().Len() {
			v := e.Values().Get(j)
			if other := theirs.Enums().ByName(e.Name()).Values().ByName(v.Name()); other == nil || other.Number() != v.Number() {
				t.Errorf("%s is %d here and %v in Protovalidate", v.FullName(), v.Number(), other)
			}
		}
	}
}

// shape is what a field looks like on the wire and in an option's text.
type shape struct {
	name, extends, message, enum, oneof protoreflect.FullName
	number                              protoreflect.FieldNumber
	kind                                protoreflect.Kind
	cardinality                         protoreflect.Cardinality
	packed                              bool
}

func shapeOf(f protoreflect.FieldDescriptor) shape {
	s := shape{name: f.FullName(), number: f.Number(), kind: f.Kind(), cardinality: f.Cardinality(), packed: f.IsPacked()}
	if f.IsExtension() {
		s.extends = f.ContainingMessage().FullName()
	}
	if f.Message() != nil {
		s.message = f.Message().FullName()
	}
	if f.Enum() != nil {
		s.enum = f.Enum().FullName()
	}
	if f.ContainingOneof() != nil {
		s.oneof = f.ContainingOneof().FullName()
	}
	return s
}

func same(t *testing.T, ours, theirs protoreflect.FieldDescriptor) {
	t.Helper()
	if theirs == nil {
		t.Errorf("Protovalidate has no %s", ours.FullName())
		return
	}
	if a, b := shapeOf(ours), shapeOf(theirs); a != b {
		t.Errorf("%+v\nProtovalidate: %+v", a, b)
	}
}
