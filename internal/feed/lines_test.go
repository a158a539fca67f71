package feed_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/feed"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func message(id string) *cannularyv1.FeedRequest {
	return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{Envelope: &cannularyv1.Envelope{SourceMessageId: id}}}}
}

func TestReadLines(t *testing.T) {
	long := strings.Repeat("x", 9<<20)
	in := `{"roster":{"envelope":{"sourceMessageId":"1"}}}` + "\n\n" + `{"nonsense":1}` + "\n" + long + "\n" + `{"roster":{"envelope":{"source_message_id":"2"}}}` + "\n" + `{"roster":` // cut off
	var good, bad []string
	err := feed.ReadLines(strings.NewReader(in), func(m *cannularyv1.FeedRequest) error {
		good = append(good, m.GetRoster().GetEnvelope().GetSourceMessageId())
		return nil
	}, func(line int, err error) { bad = append(bad, fmt.Sprint(line)) })
	if err != nil || strings.Join(good, " ") != "1 2" || strings.Join(bad, " ") != "3 4 6" {
		t.Errorf("good %v, bad lines %v, %v", good, bad, err)
	}
	stop := errors.New("stop")
	if err := feed.ReadLines(strings.NewReader(in), func(*cannularyv1.FeedRequest) error { return stop }, func(int, error) {}); !errors.Is(err, stop) {
		t.Errorf("an error of the receiver is lost: %v", err)
	}
}

func TestALineIsReadAsItWasWritten(t *testing.T) {
	want := []*cannularyv1.FeedRequest{message("a"), message("b \u2028 \"quoted\"\n")}
	var first, second bytes.Buffer
	for _, m := range want {
		if err := errors.Join(feed.WriteLine(&first, m), feed.WriteLine(&second, m)); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the same message gives other bytes")
	}
	n := 0
	err := feed.ReadLines(&first, func(m *cannularyv1.FeedRequest) error {
		if !proto.Equal(m, want[n]) {
			t.Errorf("line %d: %v", n+1, m)
		}
		n++
		return nil
	}, func(line int, err error) { t.Errorf("line %d: %v", line, err) })
	if err != nil || n != len(want) {
		t.Errorf("%d lines, %v", n, err)
	}
}

func FuzzReadLines(f *testing.F) {
	f.Add([]byte("{}\n{\"roster\":{}}\n\x00\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		lines := 0
		if err := feed.ReadLines(bytes.NewReader(data), func(*cannularyv1.FeedRequest) error { lines++; return nil }, func(int, error) { lines++ }); err != nil {
			t.Fatal(err)
		}
		if most := bytes.Count(data, []byte("\n")) + 1; lines > most {
			t.Errorf("%d answers for %d lines", lines, most)
		}
	})
}
