package feed

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/encoding/protojson"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// maxLine is the length of the longest line. JSON can be several times as long as the message's
// 1 MiB.
const maxLine = 8 << 20

// ReadLines reads newline-delimited protobuf-JSON of FeedRequest. It calls good for every message, with
// the number of its line from 1, and ends at its first error. It calls bad for every line that is no
// message, and reads on. It skips empty lines.
func ReadLines(r io.Reader, good func(line int, m *cannularyv1.FeedRequest) error, bad func(line int, err error)) error {
	br := bufio.NewReaderSize(r, 1<<16)
	for n := 1; ; n++ {
		line, tooLong, err := readLine(br)
		if err != nil && (!errors.Is(err, io.EOF) || len(line) == 0 && !tooLong) {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		switch {
		case tooLong:
			bad(n, fmt.Errorf("it is longer than %d bytes; send its facts in several messages", maxLine))
		case len(bytes.TrimSpace(line)) == 0:
		default:
			m := &cannularyv1.FeedRequest{}
			if perr := protojson.Unmarshal(line, m); perr != nil {
				if said := wrongEnum(line, m.ProtoReflect().Descriptor()); said != "" {
					perr = errors.New(said)
				}
				bad(n, fmt.Errorf("it is not protobuf-JSON of a FeedRequest: %w", perr))
				break
			}
			if gerr := good(n, m); gerr != nil {
				return gerr
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
	}
}

// readLine reads one line without its end. It skips the rest of a line that is too long.
func readLine(br *bufio.Reader) (line []byte, tooLong bool, err error) {
	for {
		part, err := br.ReadSlice('\n')
		if !tooLong {
			line = append(line, part...)
			if len(line) > maxLine {
				line, tooLong = nil, true
			}
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, tooLong, err
		}
	}
}

// WriteLine writes one message as a line, the same bytes for the same message.
func WriteLine(w io.Writer, m *cannularyv1.FeedRequest) error {
	b, err := protojson.Marshal(m)
	if err != nil {
		return fmt.Errorf("encode message: %w", err)
	}
	var out bytes.Buffer
	// protojson varies its white space on purpose, so it is removed.
	if err := json.Compact(&out, b); err != nil {
		return fmt.Errorf("encode message: %w", err)
	}
	out.WriteByte('\n')
	_, err = w.Write(out.Bytes())
	return err
}
