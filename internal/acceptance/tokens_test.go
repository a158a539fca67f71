package acceptance_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"cannulary/internal/bucket"
	"cannulary/internal/eventlog"
	"cannulary/internal/people"
	"cannulary/internal/smart"
)

// TestTokensOnThreeNodes: two views at different nodes share tokens; what one made, the other reads at once and
// cannot make again.
func TestTokensOnThreeNodes(t *testing.T) {
	c := startCluster(t)
	eventually(t, "the nodes have a leader", func() bool {
		return slices.ContainsFunc(c.servers, func(s *server.Server) bool { return s.JetStreamIsLeader() })
	})
	open := func(url string) (*bucket.Bucket, error) {
		cert, key := c.clients.sign(t, "cannulary-view", false)
		nc, err := nats.Connect(url, nats.RootCAs(c.nodes.path()), nats.ClientCert(cert, key))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		js, err := eventlog.JetStream(nc, "RECORD")
		if err != nil {
			t.Fatal(err)
		}
		return bucket.Open(patience(t), js, bucket.Config{Name: "cannulary-access-main", Replicas: 3, Keep: smart.KeepShared, MaxBytes: 64 << 20})
	}
	var views []*bucket.Bucket
	for _, url := range strings.Split(c.url, ",") {
		// A leader of the cluster still tells the others.
		eventually(t, "the bucket is open at "+url, func() bool {
			b, err := open(url)
			if err == nil {
				views = append(views, b)
			}
			return err == nil
		})
	}
	for i := range 200 {
		key := "token." + time.Duration(i).String()
		if err := views[i%3].Create(patience(t), key, []byte("x")); err != nil {
			t.Fatal(err)
		}
		for j, v := range views {
			if _, err := v.Get(patience(t), key); err != nil {
				t.Errorf("made at node %d, read at node %d: %v", i%3, j, err)
			}
			if err := v.Create(patience(t), key, []byte("y")); !errors.Is(err, bucket.ErrTaken) {
				t.Errorf("made at node %d, made again at node %d: %v", i%3, j, err)
			}
		}
	}
}

// TestSessionsOnThreeNodes: a session that one view made is known, changed and ended at every node; the administrator makes
// sealed codes, and of all views one uses each.
func TestSessionsOnThreeNodes(t *testing.T) {
	c := startCluster(t)
	eventually(t, "the nodes have a leader", func() bool {
		return slices.ContainsFunc(c.servers, func(s *server.Server) bool { return s.JetStreamIsLeader() })
	})
	open := func(who, url string, cfg bucket.Config) (out *bucket.Bucket) {
		cert, key := c.clients.sign(t, who, false)
		nc, err := nats.Connect(url, nats.RootCAs(c.nodes.path()), nats.ClientCert(cert, key))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		js, err := eventlog.JetStream(nc, "RECORD")
		if err != nil {
			t.Fatal(err)
		}
		eventually(t, cfg.Name+" is open at "+url, func() bool {
			out, err = bucket.Open(patience(t), js, cfg)
			return err == nil
		})
		return out
	}
	sessions := bucket.Config{Name: "cannulary-people-main", Replicas: 3, Keep: people.KeepSessions, MaxBytes: 64 << 20}
	glass := bucket.Config{Name: "cannulary-break-glass-main", Replicas: 3, MaxBytes: 16 << 20}
	urls := strings.Split(c.url, ",")
	here, there := open("cannulary-view", urls[0], sessions), open("cannulary-view", urls[1], sessions)
	if err := here.Create(patience(t), "session.a", []byte("1")); err != nil {
		t.Fatal(err)
	}
	_, revision, err := there.Read(patience(t), "session.a")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := there.Replace(patience(t), "session.a", []byte("2"), revision); err != nil {
		t.Errorf("changed at the other node: %v", err)
	}
	if _, err := here.Replace(patience(t), "session.a", []byte("3"), revision); !errors.Is(err, bucket.ErrChanged) {
		t.Errorf("changed at both: %v", err)
	}
	if err := here.Forget(patience(t), "session.a"); err != nil {
		t.Error(err)
	}
	if _, err := there.Get(patience(t), "session.a"); !errors.Is(err, bucket.ErrMissing) {
		t.Errorf("a session that has ended, at the other node: %v", err)
	}
	admin := open("cannulary-admin", urls[2], glass)
	if codes, err := people.MakeCodes(patience(t), admin, "invented-north", 2); err != nil || len(codes) != 2 {
		t.Errorf("codes by the administrator: %v %v", codes, err)
	}
	first, second := open("cannulary-view", urls[0], glass), open("cannulary-view", urls[1], glass)
	if err := first.Create(patience(t), "used.a", nil); err != nil {
		t.Fatal(err)
	}
	if err := second.Create(patience(t), "used.a", nil); !errors.Is(err, bucket.ErrTaken) {
		t.Errorf("a code that was used at the other node: %v", err)
	}
}
