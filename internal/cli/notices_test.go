package cli

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"cannulary/internal/feed"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// telling is a feed that takes every message, with what it says of the message's id.
type telling struct {
	cannularyv1.UnimplementedFeedServiceServer
	says func(id string) []string
}

func (s *telling) Feed(st cannularyv1.FeedService_FeedServer) error {
	for {
		r, err := st.Recv()
		if err != nil {
			return nil
		}
		id := envelopeOf(r).GetSourceMessageId()
		if err := st.Send(&cannularyv1.FeedResponse{SourceMessageId: id, Notices: s.says(id),
			Outcome: cannularyv1.FeedOutcome_FEED_OUTCOME_ACCEPTED}); err != nil {
			return err
		}
	}
}

// loaded loads n messages, with an empty line before each, into a service that says such notices.
func loaded(t *testing.T, n int, says func(id string) []string) (file, stdout string, lines []string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer()
	cannularyv1.RegisterFeedServiceServer(s, &telling{says: says})
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	file = filepath.Join(t.TempDir(), "x.ndjson")
	var b strings.Builder
	for i := 1; i <= n; i++ {
		b.WriteString("\n")
		if err := feed.WriteLine(&b, &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{
			Roster: &cannularyv1.RecordRosterRequest{Envelope: &cannularyv1.Envelope{SourceMessageId: fmt.Sprintf("m-%d", i)}}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := run(context.Background(), "load", "--grpc", l.Addr().String(), file)
	if code != Done {
		t.Fatalf("exit code %d: %s", code, stderr)
	}
	return file, stdout, strings.Split(strings.TrimSuffix(stderr, "\n"), "\n")
}

func TestLoadPrintsNotices(t *testing.T) {
	file, stdout, lines := loaded(t, 3, func(id string) []string {
		switch id {
		case "m-1":
			return []string{"facts[0].identity_stated gives another\nbirth date", "it is odd"}
		case "m-3":
			return []string{"it is odd"}
		}
		return nil
	})
	want := []string{
		file + ` line 2: message "m-1" was taken, with a notice: facts[0].identity_stated gives another birth date`,
		file + ` line 2: message "m-1" was taken, with a notice: it is odd`,
		file + ` line 6: message "m-3" was taken, with a notice: it is odd`,
	}
	if !slices.Equal(lines, want) {
		t.Errorf("it says %q; want %q", lines, want)
	}
	if want := `{"sent":3,"accepted":3,"duplicates":0,"refused":0}` + "\n"; stdout != want {
		t.Errorf("stdout %q; want %q", stdout, want)
	}
}

func TestLoadPrintsFewOfManyEqualNotices(t *testing.T) {
	_, stdout, lines := loaded(t, 2000, func(id string) []string {
		if id == "m-2000" {
			return []string{"it is late", "it is the last"}
		}
		return []string{"it is late"}
	})
	if n := len(lines); n != noticesEqual+2 || !strings.HasSuffix(lines[n-2], "a notice: it is the last") ||
		lines[n-1] != "and 1995 more with this notice: it is late" {
		t.Errorf("it says %q", lines)
	}
	if want := `{"sent":2000,"accepted":2000,"duplicates":0,"refused":0}` + "\n"; stdout != want {
		t.Errorf("stdout %q; want %q", stdout, want)
	}
}

func TestLoadPrintsFewOfManyOtherNotices(t *testing.T) {
	_, _, lines := loaded(t, 2000, func(id string) []string { return []string{"it is " + id, "it is late"} })
	if n := len(lines); n != noticesAll+2 || lines[n-2] != "and 1995 more with this notice: it is late" ||
		lines[n-1] != "and 1805 more with other notices; load the messages in smaller files to read them" {
		t.Errorf("%d lines, the last are %q", n, lines[n-2:])
	}
}
