package intake_test

import (
	"bytes"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/testkit"
)

func containsBytes(data []byte, s string) bool { return bytes.Contains(data, []byte(s)) }

func jetStream(t *testing.T, n *testkit.Node) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(n.NATS)
	if err != nil {
		t.Fatal(err)
	}
	return js
}
