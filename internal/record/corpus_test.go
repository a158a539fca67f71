package record_test

import (
	"bytes"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

var extend = flag.Bool("extend-corpus", false,
	"add a new corpus file with an event of every kind of fact; existing files are never touched")

// TestCorpus decodes every event that any version of this program ever wrote into
// testdata/corpus: a log outlives its programs. Each file was made by the version of its
// day and is never made again.
func TestCorpus(t *testing.T) {
	if *extend {
		addCorpus(t)
	}
	files, err := filepath.Glob("testdata/corpus/*.events")
	if err != nil || len(files) == 0 {
		t.Fatalf("no corpus (%v); make one with -extend-corpus", err)
	}
	seen := map[record.Kind]bool{}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r := bytes.NewReader(data)
		for n := 0; ; n++ {
			ev := &logv1.Event{}
			err := protodelim.UnmarshalOptions{MaxSize: -1}.UnmarshalFrom(r, ev)
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s event %d: %v", path, n, err)
			}
			if len(unknown(ev.ProtoReflect())) > 0 {
				t.Errorf("%s event %d (%s): a field is not known any more", path, n, ev.GetSourceMessageId())
			}
			facts, err := record.Facts(ev, uint64(n)+1, time.Unix(0, 0))
			if err != nil {
				t.Errorf("%s event %d (%s): %v", path, n, ev.GetSourceMessageId(), err)
			}
			for i := range facts {
				seen[facts[i].Kind] = true
			}
		}
	}
	for _, k := range kinds() {
		if !seen[k] {
			t.Errorf("no event of the corpus holds a %s fact; add a file with -extend-corpus", k)
		}
	}
}

// kinds lists every kind of fact that a sender or the service can write.
func kinds() []record.Kind {
	var out []record.Kind
	for _, m := range []proto.Message{&cannularyv1.RosterFact{}, &cannularyv1.CannulationFact{}, &cannularyv1.AssessmentFact{},
		&cannularyv1.SurveillanceFact{}} {
		fields := m.ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
		for i := 0; i < fields.Len(); i++ {
			out = append(out, record.Kind(fields.Get(i).Name()))
		}
	}
	return append(out, record.KindGenesis, record.KindDayStarted)
}

func unknown(m protoreflect.Message) []byte {
	out := append([]byte(nil), m.GetUnknown()...)
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Kind() != protoreflect.MessageKind:
		case fd.IsList():
			for i := 0; i < v.List().Len(); i++ {
				out = append(out, unknown(v.List().Get(i).Message())...)
			}
		default:
			out = append(out, unknown(v.Message())...)
		}
		return true
	})
	return out
}

// addCorpus takes a sample of every fact through ingest and keeps what came into the log.
func addCorpus(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	for _, s := range testkit.Samples() {
		m, _ := intake.FromFeed(s.Request)
		if _, err := n.Intake.Record(t.Context(), m); err != nil {
			t.Fatalf("%s: %v", s.Name, err)
		}
	}
	if err := n.Intake.StartDays(t.Context()); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	for _, ev := range testkit.Events(t, n.Log) {
		if _, err := protodelim.MarshalTo(&out, ev); err != nil {
			t.Fatal(err)
		}
	}
	files, err := filepath.Glob("testdata/corpus/*.events")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", "corpus", string(rune('a'+len(files)))+".events")
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Logf("wrote %s, %d bytes", path, out.Len())
}
