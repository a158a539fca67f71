package grpcapi_test

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// services are the four requests, by service.
func services() map[string]protoreflect.MessageDescriptor {
	out := map[string]protoreflect.MessageDescriptor{}
	fields := (&v1.FeedRequest{}).ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
	for i := range fields.Len() {
		out[string(fields.Get(i).Name())] = fields.Get(i).Message()
	}
	return out
}

// TestSamplesAreTaken sends a valid message of every kind of fact: what the other tests
// break must be whole before.
func TestSamplesAreTaken(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	have := map[string]bool{}
	for _, s := range testkit.Samples() {
		have[s.Service+" "+s.Kind] = true
		before := n.LastSeq(t)
		r, err := n.Client.Send(testkit.Context(t), s.Request)
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		if r.Duplicate || r.EventID == "" || n.LastSeq(t) != before+1 || r.Token != n.Log.Token(before+1) {
			t.Errorf("%s: answer %+v, log %d → %d", s.Name, r, before, n.LastSeq(t))
		}
	}
	for service, md := range services() {
		facts := md.Fields().ByName("facts").Message().Oneofs().Get(0).Fields()
		for i := range facts.Len() {
			if kind := service + " " + string(facts.Get(i).Name()); !have[kind] {
				t.Errorf("no sample of %s", kind)
			}
		}
	}
}

// TestEveryConstraintRefuses breaks, in a valid message of every kind of fact, every
// constraint that the schema states, one at a time.
func TestEveryConstraintRefuses(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	before := n.LastSeq(t)
	brokenOnce := map[string]bool{}
	cases := 0
	for _, s := range testkit.Samples() {
		root := place{"", func(root protoreflect.Message) protoreflect.Message { return root }}
		for _, b := range breakers(t, testkit.Inner(s.Request), root) {
			m, ok := proto.Clone(s.Request).(*v1.FeedRequest)
			if !ok {
				t.Fatal("not a FeedRequest")
			}
			b.apply(testkit.Inner(m))
			_, err := n.Client.Send(testkit.Context(t), m)
			checkRefusal(t, s.Name+": "+b.constraint+" ("+b.how+")", b, err)
			brokenOnce[b.constraint] = true
			cases++
		}
		if after := n.LastSeq(t); after != before {
			t.Fatalf("%s: something was appended: %d → %d", s.Name, before, after)
		}
	}
	all := map[string]bool{}
	for _, md := range services() {
		constraints(t, md, map[protoreflect.FullName]bool{}, all)
	}
	for c := range all {
		if !brokenOnce[c] {
			t.Errorf("the constraint %s is in the schema, but nothing broke it", c)
		}
	}
	t.Logf("%d bad messages, %d constraints of the schema", cases, len(all))
}

func checkRefusal(t *testing.T, name string, b breaker, err error) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument {
		t.Errorf("%s: %v", name, err)
		return
	}
	found := false
	for _, v := range testkit.Violations(err) {
		text := v.GetDescription()
		if v.GetField() == b.field && strings.HasPrefix(v.GetReason(), b.reason) {
			found = true
		}
		// Breaking one field may break a rule of the message around it, nothing elsewhere.
		if !strings.HasPrefix(v.GetField(), b.field) && !strings.HasPrefix(b.field, v.GetField()) {
			t.Errorf("%s: %s is named too: %s", name, v.GetField(), text)
		}
		if len(strings.Fields(text)) < 2 || strings.Contains(text, "^") || strings.Contains(text, "regex") || strings.Contains(text, "breaks the rule") {
			t.Errorf("%s: the text %q does not say what is allowed", name, text)
		}
		if !strings.Contains(st.Message(), v.GetField()+": "+text) {
			t.Errorf("%s: the status %q lacks %s: %s", name, st.Message(), v.GetField(), text)
		}
	}
	if !found {
		t.Errorf("%s: no violation of %s by %s: %v", name, b.field, b.reason, testkit.Violations(err))
	}
	if !strings.HasSuffix(st.Message(), "nothing was stored") {
		t.Errorf("%s: the status %q does not say what to do", name, st.Message())
	}
}
