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
	return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{
		Roster: &cannularyv1.RecordRosterRequest{Envelope: &cannularyv1.Envelope{SourceMessageId: id}}}}
}

func TestReadLines(t *testing.T) {
	long := strings.Repeat("x", 9<<20)
	// cut off
	in := `{"roster":{"envelope":{"sourceMessageId":"1"}}}` + "\n\n" + `{"nonsense":1}` + "\n" + long + "\n" +
		`{"roster":{"envelope":{"source_message_id":"2"}}}` + "\n" + `{"roster":`
	var good, bad []string
	err := feed.ReadLines(strings.NewReader(in), func(line int, m *cannularyv1.FeedRequest) error {
		good = append(good, fmt.Sprintf("%s on %d", m.GetRoster().GetEnvelope().GetSourceMessageId(), line))
		return nil
	}, func(line int, err error) { bad = append(bad, fmt.Sprint(line)) })
	if err != nil || strings.Join(good, ", ") != "1 on 1, 2 on 5" || strings.Join(bad, " ") != "3 4 6" {
		t.Errorf("good %v, bad lines %v, %v", good, bad, err)
	}
	stop := errors.New("stop")
	if err := feed.ReadLines(strings.NewReader(in), func(int, *cannularyv1.FeedRequest) error { return stop },
		func(int, error) {}); !errors.Is(err, stop) {
		t.Errorf("an error of the receiver is lost: %v", err)
	}
}

func TestAWordThatIsNoValueOfAnEnumIsAnsweredWithThoseThatAre(t *testing.T) {
	for _, c := range []struct{ sentence, line, says string }{
		{"the words of the report for a pattern",
			`{"roster":{"facts":[{"facility_registered":{}},{"surveillance_signal_acknowledged":{"pattern":"constant-site"}}]}}`,
			`roster.facts[1].surveillance_signal_acknowledged.pattern: "constant-site" is none of NEEDLING_PATTERN_CONSTANT_SITE, ` +
				`NEEDLING_PATTERN_ROPE_LADDER, NEEDLING_PATTERN_AREA_PUNCTURE`},
		{"and for a class, in lowerCamelCase",
			`{"roster":{"facts":[{"surveillanceSignalAcknowledged":{"pattern":"NEEDLING_PATTERN_CONSTANT_SITE",` +
				`"infectionClass":"access-related"}}]}}`,
			`roster.facts[0].surveillance_signal_acknowledged.infection_class: "access-related" is none of INFECTION_CLASS_BLOODSTREAM, ` +
				`INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM, INFECTION_CLASS_LOCAL_ACCESS`},
		{"in a list of enums", `{"roster":{"facts":[{"schedule_set":{"days":["WEEKDAY_MONDAY","Tuesday"]}}]}}`,
			`roster.facts[0].schedule_set.days[1]: "Tuesday" is none of WEEKDAY_MONDAY, `},
		{"another fault keeps the decoder's words", `{"roster":{"facts":[{"schedule_set":{"shift":7}}]}}`,
			`invalid value for string field shift: 7`},
		{"an unknown field beside right enums", `{"roster":{"envelope":{"precision":"TIME_PRECISION_DAY","colour":"x"}}}`,
			`unknown field "colour"`},
		{"no JSON", `{"roster":`, `unexpected EOF`},
		{"a list where a message belongs", `{"roster":[["x"]]}`, `unexpected token [`},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			said := ""
			err := feed.ReadLines(strings.NewReader(c.line), func(int, *cannularyv1.FeedRequest) error { t.Error("it is taken"); return nil },
				func(_ int, err error) { said = err.Error() })
			// The decoder varies its white space on purpose.
			said = strings.ReplaceAll(said, "\u00a0", " ")
			if err != nil || !strings.HasPrefix(said, "it is not protobuf-JSON of a FeedRequest: ") || !strings.Contains(said, c.says) {
				t.Errorf("%v %q, want %q", err, said, c.says)
			}
		})
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
	err := feed.ReadLines(&first, func(_ int, m *cannularyv1.FeedRequest) error {
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
		if err := feed.ReadLines(bytes.NewReader(data), func(int, *cannularyv1.FeedRequest) error { lines++; return nil },
			func(int, error) { lines++ }); err != nil {
			t.Fatal(err)
		}
		if most := bytes.Count(data, []byte("\n")) + 1; lines > most {
			t.Errorf("%d answers for %d lines", lines, most)
		}
	})
}
