package acceptance_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/freetext"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	secret    = "Xq7731"
	secretDay = "1931-02-30" // which the calendar does not have
	secretYet = "2931-02-27" // which is still to come
	secretWas = "1931-02-28"
)

// secrets are what no answer, no log and no metric may repeat.
var secrets = []string{secret, secretDay, secretYet, secretWas}

// personal calls do with every field of a message that identifies a patient or holds somebody's own words.
func personal(m protoreflect.Message, do func(m protoreflect.Message, fd protoreflect.FieldDescriptor)) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Kind() == protoreflect.MessageKind && fd.IsList():
			for n := range v.List().Len() {
				personal(v.List().Get(n).Message(), do)
			}
		case fd.Kind() == protoreflect.MessageKind && !fd.IsMap():
			personal(v.Message(), do)
		}
		return true
	})
	fields := m.Descriptor().Fields()
	for n := range fields.Len() {
		fd := fields.Get(n)
		of := m.Descriptor().Name()
		if of == "IdentityStated" && fd.Kind() == protoreflect.StringKind || of == "PatientIdentifier" && fd.Name() == "value" ||
			freetext.Is(fd) && !fd.IsList() {
			do(m, fd)
		}
	}
}

// bad are messages that are refused, each full of what must not be repeated.
func bad(kind string) (out []*cannularyv1.FeedRequest) {
	add := func(change func(*cannularyv1.FeedRequest, *cannularyv1.Envelope)) {
		m := proto.CloneOf(testkit.SampleOf(kind))
		personal(m.ProtoReflect(), func(m protoreflect.Message, fd protoreflect.FieldDescriptor) {
			said := string(fd.Name()) + secret
			if fd.Name() == "birth_date" {
				said = secretWas
			}
			m.Set(fd, protoreflect.ValueOfString(said))
		})
		change(m, testkit.Envelope(m))
		out = append(out, m)
	}
	add(func(_ *cannularyv1.FeedRequest, e *cannularyv1.Envelope) { e.Facility = "elsewhere" })
	add(func(_ *cannularyv1.FeedRequest, e *cannularyv1.Envelope) {
		e.OccurredAt = timestamppb.New(now().Add(time.Hour * 99))
	})
	add(func(_ *cannularyv1.FeedRequest, e *cannularyv1.Envelope) { e.Precision = 99 })
	// Every field in turn, spoilt.
	total := 0
	personal(testkit.SampleOf(kind).ProtoReflect(), func(protoreflect.Message, protoreflect.FieldDescriptor) { total++ })
	for at := range total {
		for _, spoilt := range []string{secret + "\x00", secret + "\x07", strings.Repeat(secret, 2000), " " + secret + " ", secretDay, secretYet} {
			add(func(m *cannularyv1.FeedRequest, _ *cannularyv1.Envelope) {
				n := 0
				personal(m.ProtoReflect(), func(m protoreflect.Message, fd protoreflect.FieldDescriptor) {
					if n == at {
						m.Set(fd, protoreflect.ValueOfString(spoilt))
					}
					n++
				})
			})
		}
	}
	return out
}

// A refusal, the log about it and the metrics repeat no identifier, no name, no birth date and no note.
func TestNothingPersonalIsSaidOfABadMessage(t *testing.T) {
	t.Parallel()
	i := start(t, filepath.Join(t.TempDir(), "said"))
	client := testkit.Dial(t, i.app.GRPCAddr())
	if _, err := client.Send(patience(t), testkit.Registration()); err != nil {
		t.Fatal(err)
	}
	refused, named := 0, map[string]bool{}
	for _, s := range testkit.Samples() {
		for n, m := range bad(s.Name) {
			testkit.Envelope(m).SourceMessageId = fmt.Sprintf("%s-%d", strings.ReplaceAll(s.Name, " ", "-"), n)
			_, err := client.Send(patience(t), m)
			if err == nil {
				continue
			}
			refused++
			said := prototext.Format(status.Convert(err).Proto())
			for _, d := range status.Convert(err).Details() {
				said += fmt.Sprint(d)
			}
			for _, word := range secrets {
				if strings.Contains(said, word) && !named[s.Name] {
					named[s.Name] = true
					t.Errorf("%s, message %d: the refusal repeats %s: %s", s.Name, n, word, said)
				}
			}
		}
	}
	if refused < 400 {
		t.Errorf("only %d messages were refused", refused)
	}
	for name, text := range map[string]string{"the log": i.log.String(), "/metrics": i.must("/metrics"), "/status": i.must("/status")} {
		for _, word := range secrets {
			if at := strings.Index(text, word); at >= 0 {
				t.Errorf("%s repeats %s: …%s", name, word, text[max(0, at-300):at+20])
			}
		}
	}
	if !strings.Contains(i.log.String(), "a message was not taken") {
		t.Error("the log says nothing about them")
	}
}
