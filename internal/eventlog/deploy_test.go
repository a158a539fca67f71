package eventlog_test

import (
	"testing"

	"github.com/nats-io/nats-server/v2/server"
)

// TestTheClusterConfiguration reads what deploy/ ships as the server itself does: an
// acknowledgement must survive the loss of power on every node.
func TestTheClusterConfiguration(t *testing.T) {
	store := t.TempDir()
	for name, value := range map[string]string{"NODE": "a", "STORE": store, "PEER1": "nats://b:6222", "PEER2": "nats://c:6222"} {
		t.Setenv(name, value)
	}
	o, err := server.ProcessConfigFile("../../deploy/nats/cluster.conf")
	if err != nil {
		t.Fatal(err)
	}
	if !o.JetStream || !o.SyncAlways || o.StoreDir != store || o.ServerName != "a" || o.Cluster.Name != "cannulary" || len(o.Routes) != 2 {
		t.Errorf("jetstream %v, sync always %v, store %s, node %s, cluster %s, routes %v", o.JetStream, o.SyncAlways, o.StoreDir,
			o.ServerName, o.Cluster.Name, o.Routes)
	}
}
