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
