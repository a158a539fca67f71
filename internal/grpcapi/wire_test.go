package grpcapi_test

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// rawCodec sends and receives bytes as they are, as a sender with another schema would.
type rawCodec struct{}

func (rawCodec) Name() string { return "proto" }

func (rawCodec) Marshal(v any) (mem.BufferSlice, error) {
	b, ok := v.([]byte)
	if !ok {
		return nil, fmt.Errorf("%T is not bytes", v)
	}
	return mem.BufferSlice{mem.SliceBuffer(b)}, nil
}

func (rawCodec) Unmarshal(data mem.BufferSlice, v any) error {
	p, ok := v.(*[]byte)
	if !ok {
		return fmt.Errorf("%T is not bytes", v)
	}
	*p = data.Materialize()
	return nil
}

// sendRaw sends bytes to CannulationService.RecordCannulation.
func sendRaw(ctx context.Context, c *testkit.Client, data []byte) error {
	var out []byte
	return c.Conn().Invoke(ctx, v1.CannulationService_RecordCannulation_FullMethodName, data, &out, grpc.ForceCodecV2(rawCodec{}))
}

// field writes one length-delimited field.
func field(num protowire.Number, value []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(nil, num, protowire.BytesType), value)
}

func marshal(t *testing.T, m proto.Message) []byte {
	t.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// withFact is a request whose one fact has the given bytes.
func withFact(t *testing.T, fact []byte) []byte {
	t.Helper()
	m := testkit.SampleOf("cannulation needle_inserted").GetCannulation()
	return append(field(1, marshal(t, m.GetEnvelope())), field(2, fact)...)
}

// nested is a correction of a correction of a correction, n deep.
func nested(n int) []byte {
	var fact []byte
	for range n {
		fact = field(20, field(2, fact)) // CannulationFact.fact_corrected.replacement
	}
	return fact
}

// unreadables are bytes that are no message of the schema, with the field and the text of
// the refusal.
func unreadables(t *testing.T) map[string]struct {
	data  []byte
	field string
	text  string
} {
	t.Helper()
	whole := marshal(t, testkit.SampleOf("cannulation needle_inserted").GetCannulation())
	inserted := marshal(t, testkit.SampleOf("cannulation needle_inserted").GetCannulation().GetFacts()[0].GetNeedleInserted())
	deep := "facts[0]" + strings.Repeat(".fact_corrected.replacement", 15)
	return map[string]struct {
		data  []byte
		field string
		text  string
	}{
		"text that is not UTF-8": {
			bytes.Replace(whole, []byte("A1"), []byte{0xff, 0xfe}, 1), "facts[0].needle_inserted.track",
			"is not valid UTF-8; text in UTF-8 is allowed (set the character set of the sending interface)",
		},
		"a patient's number in Latin-1": {
			bytes.Replace(whole, []byte("INV-0001"), []byte("INV-\xe9001"), 1), "envelope.patient.value",
			"is not valid UTF-8; text in UTF-8 is allowed (set the character set of the sending interface)",
		},
		"a message cut off": {
			whole[:len(whole)-3], "",
			"cannot be read as a RecordCannulationRequest: the bytes are cut off or damaged; send the message again as it was built",
		},
		"a fact cut off inside a whole message": {
			withFact(t, field(7, inserted[:len(inserted)-1])), "facts[0].needle_inserted",
			"cannot be read as a NeedleInserted: the bytes are cut off or damaged; send the message again as it was built",
		},
		"no protobuf at all": {
			[]byte("MSH|^~\\&|ENGINE|NORTH"), "",
			"cannot be read as a RecordCannulationRequest: the bytes are cut off or damaged; send the message again as it was built",
		},
		"a number where a message belongs": {
			append(bytes.Clone(whole), 0x08, 0x01), "envelope",
			"is sent with wire type 0; a message is allowed: build the message from the published schema",
		},
		"a gauge as a fixed 32-bit number": {
			withFact(t, field(7, protowire.AppendFixed32(protowire.AppendTag(bytes.Clone(inserted), 7, protowire.Fixed32Type), 15))), "facts[0].needle_inserted.gauge",
			"is sent with wire type 5; a uint32 is allowed: build the message from the published schema",
		},
		"a field of a newer schema": {
			append(bytes.Clone(whole), field(99, []byte("x"))...), "",
			"holds field number 99, which RecordCannulationRequest does not have in this version; leave it out or upgrade the service",
		},
		"a field of a newer schema inside a fact": {
			withFact(t, field(7, append(bytes.Clone(inserted), field(1000, nil)...))), "facts[0].needle_inserted",
			"holds field number 1000, which NeedleInserted does not have in this version; leave it out or upgrade the service",
		},
		"a kind of fact of a newer schema": {
			withFact(t, field(77, nil)), "facts[0]",
			"holds field number 77, which CannulationFact does not have in this version; leave it out or upgrade the service",
		},
		"corrections within corrections without end": {
			withFact(t, nested(3000)), deep,
			"is nested more than 30 deep, which no message of the schema needs; a correction holds a plain fact",
		},
	}
}

// TestUnreadableBytesAreRefused sends what a sender with a wrong character set, a damaged
// buffer or another schema sends.
func TestUnreadableBytesAreRefused(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	before := n.LastSeq(t)
	for name, c := range unreadables(t) {
		err := sendRaw(testkit.Context(t), n.Client, c.data)
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
			continue
		}
		found := false
		for _, v := range testkit.Violations(err) {
			found = found || v.GetField() == c.field && v.GetDescription() == c.text
		}
		if !found {
			t.Errorf("%s: no violation of %q that says %q: %v", name, c.field, c.text, testkit.Violations(err))
		}
		if len(err.Error()) > 4096 {
			t.Errorf("%s: the text has %d bytes", name, len(err.Error()))
		}
	}
	if after := n.LastSeq(t); after != before {
		t.Errorf("something was appended: %d → %d", before, after)
	}
	if err := sendRaw(testkit.Context(t), n.Client, marshal(t, testkit.SampleOf("cannulation needle_inserted").GetCannulation())); err != nil {
		t.Errorf("the whole message: %v", err)
	}
}

// TestFeedGoesOnAfterUnreadableBytes sends the same bytes on one stream, each wrapped as
// the feed wants it, and a good message after each.
func TestFeedGoesOnAfterUnreadableBytes(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	stream, err := n.Client.Conn().NewStream(testkit.Context(t), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, v1.FeedService_Feed_FullMethodName, grpc.ForceCodecV2(rawCodec{}))
	if err != nil {
		t.Fatal(err)
	}
	good := testkit.SampleOf("cannulation session_started")
	send := func(data []byte) *v1.FeedResponse {
		t.Helper()
		if err := stream.SendMsg(data); err != nil {
			t.Fatal(err)
		}
		var out []byte
		if err := stream.RecvMsg(&out); err != nil {
			t.Fatalf("the stream ended: %v", err)
		}
		r := &v1.FeedResponse{}
		if err := proto.Unmarshal(out, r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	i := 0
	check := func(name string, data []byte, text string) {
		t.Helper()
		r := send(data)
		if r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_REFUSED || r.GetCode() != uint32(codes.InvalidArgument) || r.GetRetry() {
			t.Errorf("%s: %v", name, r)
		}
		found := false
		for _, reason := range r.GetReasons() {
			found = found || strings.Contains(reason.GetDescription(), text)
		}
		if !found {
			t.Errorf("%s: no reason says %q: %v", name, text, r.GetReasons())
		}
		i++
		testkit.Envelope(good).SourceMessageId = fmt.Sprintf("good-%d", i)
		if r := send(marshal(t, good)); r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_ACCEPTED {
			t.Errorf("the message after %s: %v", name, r)
		}
	}
	for name, c := range unreadables(t) {
		text := c.text
		if strings.HasPrefix(text, "is nested") {
			text = "is nested more than"
		}
		check(name, field(2, c.data), text)
	}
	check("a field beside the message", append(marshal(t, testkit.SampleOf("cannulation peg_removed")), field(99, []byte("x"))...),
		"holds field number 99, which FeedRequest does not have in this version")
	check("a message for no service", nil, "is required: exactly one of its kinds must be set")
	check("a message of 2 MiB", marshal(t, tooLarge(2<<20)), "at most 1048576 are allowed")
}

// tooLarge is a message of a little more than size bytes.
func tooLarge(size int) *v1.FeedRequest {
	m := testkit.SampleOf("roster hospital_admission")
	m.GetRoster().GetFacts()[0].GetHospitalAdmission().Reason = strings.Repeat("a", size)
	return m
}

// TestLargeMessages goes to the limit of 1 MiB and beyond: at the limit it is the field
// that is refused, above it the message.
func TestLargeMessages(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	const limit = 1 << 20
	m := tooLarge(limit)
	over := proto.Size(m.GetRoster()) - limit
	for _, c := range []struct {
		size int
		code codes.Code
		text string
	}{
		{limit - over, codes.InvalidArgument, "facts[0].hospital_admission.reason: must be at most 300 characters"},
		{limit - over + 1, codes.InvalidArgument, "the message has 1048577 bytes; at most 1048576 are allowed. Send its facts in several messages"},
		{6 << 20, codes.InvalidArgument, "at most 1048576 are allowed"},
		{9 << 20, codes.ResourceExhausted, "larger than max"},
	} {
		_, err := n.Client.Send(testkit.Context(t), tooLarge(c.size))
		if status.Code(err) != c.code || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%d bytes: %v", c.size, err)
		}
	}
}

// TestManyMistakesMakeAShortAnswer keeps answers within what clients take: with thousands
// of mistakes the first ten are told, and how many more there are.
func TestManyMistakesMakeAShortAnswer(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	const facts = 50_000
	data := withFact(t, nil)
	data = append(data, bytes.Repeat(field(2, nil), facts-1)...)
	err := sendRaw(testkit.Context(t), n.Client, data)
	if status.Code(err) != codes.InvalidArgument {
		t.Fatal(err)
	}
	got := testkit.Violations(err)
	// One of the list's length, one of each fact.
	if want := fmt.Sprintf("and %d more; correct these first", facts+1-10); len(got) != 11 || got[10].GetDescription() != want {
		t.Errorf("%d violations, the last %q, want %q", len(got), got[len(got)-1].GetDescription(), want)
	}
	if len(err.Error()) > 4096 {
		t.Errorf("the text has %d bytes", len(err.Error()))
	}
	m := testkit.SampleOf("roster facility_registered")
	m.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = strings.Repeat("Europe/", 100_000)
	if _, err := n.Client.Send(testkit.Context(t), m); status.Code(err) != codes.InvalidArgument || len(err.Error()) > 4096 {
		t.Errorf("a very long time zone: %v with %d bytes", status.Code(err), len(err.Error()))
	}
}

// TestADamagedListOfNumbersIsNamed cuts a number inside a packed list, which lies in a
// message that is otherwise whole.
func TestADamagedListOfNumbersIsNamed(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	m := testkit.SampleOf("roster schedule_set").GetRoster()
	fact := field(8, field(1, []byte{0x01, 0x80})) // RosterFact.schedule_set.days
	data := append(field(1, marshal(t, m.GetEnvelope())), field(2, fact)...)
	var out []byte
	err := n.Client.Conn().Invoke(testkit.Context(t), v1.RosterService_RecordRoster_FullMethodName, data, &out, grpc.ForceCodecV2(rawCodec{}))
	got := testkit.Violations(err)
	if status.Code(err) != codes.InvalidArgument || len(got) != 1 || !strings.HasPrefix(got[0].GetField(), "facts[0].schedule_set.days") ||
		got[0].GetDescription() != "cannot be read as a ScheduleSet: the bytes are cut off or damaged; send the message again as it was built" {
		t.Errorf("%v: %v", err, got)
	}
}
