package intake_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/fault"
	"cannulary/internal/intake"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// FuzzUnreadable gives the validator arbitrary bytes as the gRPC codec does: decoded
// where they can be, else as bytes that could not be placed. It must refuse with reasons
// or accept what encodes to the same message, and never panic.
func FuzzUnreadable(f *testing.F) {
	v, err := intake.NewValidator()
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range testkit.Samples() {
		data, err := proto.Marshal(s.Request)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
		f.Add(data[:len(data)/2])
	}
	f.Add([]byte("\x12\x04\x12\x02\xff\xfe"))
	f.Fuzz(func(t *testing.T, data []byte) {
		req := &v1.FeedRequest{}
		whole := (proto.UnmarshalOptions{RecursionLimit: intake.MaxDepth}).Unmarshal(data, req) == nil
		if !whole {
			proto.Reset(req)
			req.ProtoReflect().SetUnknown(data)
		}
		m, _ := intake.FromFeed(req)
		err := v.Validate(m, testkit.Noon(), nil)
		if err == nil {
			if !whole {
				t.Fatal("bytes that could not be decoded are taken")
			}
			return
		}
		if k := kindOf(err); k != fault.Invalid {
			t.Fatalf("kind %v: %v", k, err)
		}
		fe := fault.As(err)
		if len(fe.Violations) == 0 {
			t.Fatalf("no violation: %v", err)
		}
		for _, x := range fe.Violations {
			if strings.TrimSpace(x.Description) == "" || !utf8.ValidString(x.Description) || !utf8.ValidString(x.Field) {
				t.Fatalf("violation %+v", x)
			}
		}
	})
}
