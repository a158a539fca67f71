package acceptance_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/cli"
	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
)

// authority signs certificates, as deploy/nats/certificates.sh does.
type authority struct {
	dir, name string
	cert      *x509.Certificate
	key       *ecdsa.PrivateKey
}

func newAuthority(tb testing.TB, dir, name string) *authority {
	tb.Helper()
	a := &authority{dir: dir, name: name}
	a.key = privateKey(tb)
	t := template("authority "+name, 1)
	t.IsCA, t.BasicConstraintsValid, t.KeyUsage = true, true, x509.KeyUsageCertSign
	der, err := x509.CreateCertificate(rand.Reader, t, t, a.key.Public(), a.key)
	if err != nil {
		tb.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		tb.Fatal(err)
	}
	write(tb, a.path(), "CERTIFICATE", der)
	return a
}

func (a *authority) path() string { return filepath.Join(a.dir, a.name+".pem") }

// sign writes a certificate and its key, and gives their files.
func (a *authority) sign(tb testing.TB, name string, server bool) (cert, key string) {
	tb.Helper()
	own := privateKey(tb)
	t := template(name, time.Now().UnixNano())
	t.KeyUsage, t.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	if server {
		t.ExtKeyUsage = append(t.ExtKeyUsage, x509.ExtKeyUsageServerAuth)
		t.DNSNames, t.IPAddresses = []string{"localhost"}, []net.IP{net.IPv4(127, 0, 0, 1)}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, a.cert, own.Public(), a.key)
	if err != nil {
		tb.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(own)
	if err != nil {
		tb.Fatal(err)
	}
	file := filepath.Join(a.dir, a.name+" "+name)
	write(tb, file+".pem", "CERTIFICATE", der)
	write(tb, file+".key", "PRIVATE KEY", private)
	return file + ".pem", file + ".key"
}

func privateKey(tb testing.TB) *ecdsa.PrivateKey {
	tb.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	return k
}

func template(name string, serial int64) *x509.Certificate {
	return &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour)}
}

func write(tb testing.TB, file, kind string, der []byte) {
	tb.Helper()
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		tb.Fatal(err)
	}
}

// cluster is three nodes with the configuration that deploy/ ships.
type cluster struct {
	external
	nodes, clients *authority
	servers        []*server.Server
}

func startCluster(t *testing.T) *cluster {
	t.Helper()
	dir := t.TempDir()
	c := &cluster{nodes: newAuthority(t, dir, "nodes"), clients: newAuthority(t, dir, "clients")}
	c.master = filepath.Join(dir, "master")
	if err := os.WriteFile(c.master, []byte(strings.Repeat("0a1b2c3d", 8)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cert, key := c.nodes.sign(t, "node", true)
	peers := []string{"nats://127.0.0.1:1", "nats://127.0.0.1:2"} // the first node waits for the others to call
	for _, name := range []string{"a", "b", "c"} {
		for k, v := range map[string]string{"NODE": name, "STORE": filepath.Join(dir, "store-"+name), "LISTEN": "127.0.0.1:-1",
			"ROUTES": "127.0.0.1:-1", "PEER1": peers[0], "PEER2": peers[1], "CERTIFICATE": quoted(cert), "KEY": quoted(key),
			"NODES_CA": quoted(c.nodes.path()), "CLIENTS_CA": quoted(c.clients.path())} {
			t.Setenv(k, v)
		}
		o, err := server.ProcessConfigFile("../../deploy/nats/cluster.conf")
		if err != nil {
			t.Fatal(err)
		}
		if !o.JetStream || !o.SyncAlways || o.ServerName != name || o.Cluster.Name != "cannulary" || len(o.Routes) != 2 {
			t.Fatalf("jetstream %v, sync always %v, node %s, cluster %s, routes %v", o.JetStream, o.SyncAlways, o.ServerName, o.Cluster.Name, o.Routes)
		}
		o.NoSigs, o.NoLog = true, true
		s, err := server.NewServer(o)
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
		if !s.ReadyForConnections(patient) {
			t.Fatalf("node %s does not start", name)
		}
		route := "nats://" + s.ClusterAddr().String()
		if name == "a" {
			peers[0] = route
		} else {
			peers[1] = route
		}
		c.servers = append(c.servers, s)
		c.url += ",tls://" + s.Addr().String()
	}
	c.url = c.url[1:]
	return c
}

// quoted protects a path from the configuration's own syntax.
func quoted(path string) string { return `"` + path + `"` }

// as gives the flags by which a process connects as a role.
func (c *cluster) as(tb testing.TB, role string) []string {
	tb.Helper()
	cert, key := c.clients.sign(tb, "cannulary-"+role, false)
	return []string{"--nats-ca", c.nodes.path(), "--nats-cert", cert, "--nats-key", key, "--nats-api", "RECORD", "--replicas", "3"}
}

// intruder is a connection with a role's certificate that does not keep to the role.
type intruder struct {
	nc         *nats.Conn
	violations chan error
}

func (c *cluster) intrude(tb testing.TB, role string) *intruder {
	tb.Helper()
	cert, key := c.clients.sign(tb, "cannulary-"+role, false)
	i := &intruder{violations: make(chan error, 100)}
	nc, err := nats.Connect(c.url, nats.RootCAs(c.nodes.path()), nats.ClientCert(cert, key),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { i.violations <- err }))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(nc.Close)
	i.nc = nc
	return i
}

// ask sends a request. It gives the answer, or why there is none.
func (i *intruder) ask(tb testing.TB, m *nats.Msg) (answer string, refused error) {
	tb.Helper()
	for len(i.violations) > 0 {
		<-i.violations
	}
	ctx, cancel := context.WithTimeout(context.Background(), patient)
	defer cancel()
	errs := make(chan error, 1)
	go func() {
		r, err := i.nc.RequestMsgWithContext(ctx, m)
		if err == nil {
			answer = string(r.Data)
		}
		errs <- err
	}()
	select {
	case refused = <-i.violations:
		cancel()
		<-errs
		return "", refused
	case err := <-errs:
		if err != nil && !errors.Is(err, nats.ErrNoResponders) {
			tb.Fatalf("%s: neither an answer nor a refusal: %v", m.Subject, err)
		}
		return answer, err
	}
}

func request(subject, data string, header ...string) *nats.Msg {
	m := nats.NewMsg(subject)
	m.Data = []byte(data)
	for n := 0; n < len(header); n += 2 {
		m.Header.Set(header[n], header[n+1])
	}
	return m
}

const (
	theLog   = "CANNULARY_MAIN"
	theTrail = "CANNULARY_MAIN_TRAIL"
	theKeys  = "KV_cannulary-keys-main"
	oneKey   = "$KV.cannulary-keys-main.site.secret"
	intoIt   = "cannulary.main.intruder._"
)

// calls are what nobody may ask of a stream, whatever the certificate: subjects below the API's prefix and a body.
func calls(stream string) map[string]string {
	return map[string]string{
		"STREAM.DELETE." + stream:                  "",
		"STREAM.PURGE." + stream:                   "",
		"STREAM.SNAPSHOT." + stream:                `{"deliver_subject":"_INBOX.all"}`,
		"STREAM.RESTORE." + stream:                 `{"config":{"name":"` + stream + `"}}`,
		"STREAM.LEADER.STEPDOWN." + stream:         "",
		"STREAM.PEER.REMOVE." + stream:             `{"peer":"a"}`,
		"STREAM.CREATE.OTHER":                      `{"name":"OTHER","subjects":["other"],"sources":[{"name":"` + stream + `"}]}`,
		"STREAM.NAMES":                             "",
		"STREAM.LIST":                              "",
		"CONSUMER.NAMES." + stream:                 "",
		"CONSUMER.LIST." + stream:                  "",
		"CONSUMER.DURABLE.CREATE." + stream + ".d": `{"stream_name":"` + stream + `","config":{"durable_name":"d"}}`,
		"CONSUMER.CREATE." + stream + ".i.x":       `{"stream_name":"` + stream + `","config":{"name":"i","filter_subject":"x"}}`,
		"META.LEADER.STEPDOWN":                     "",
		"SERVER.REMOVE":                            `{"peer":"a"}`,
		"ACCOUNT.PURGE.LOG":                        "",
		"INFO":                                     "",
	}
}

// What deploy/ says of its own door: real nodes with that very file, attacked with no certificate, with a wrong one,
// and with that of each role. The roles themselves work, all started at once.
func TestTheLogIsClosedToEverybodyElse(t *testing.T) {
	c := startCluster(t)
	ingest := beginRole(t, cli.RunIngest, &c.external, append(c.as(t, "ingest"), "--grpc", "127.0.0.1:0")...)
	view := beginRole(t, cli.RunView, &c.external, c.as(t, "view")...)
	for _, r := range []*role{ingest, view} {
		eventually(t, "the role waits", func() bool { return strings.Contains(r.errs.String(), "waiting for the external log") })
	}
	prepare := append([]string{"prepare", "--nats", c.url, "--master-key-file", c.master, "--log-max-bytes", "67108864"}, c.as(t, "admin")...)
	eventually(t, "the nodes have a leader", func() bool {
		return slices.ContainsFunc(c.servers, func(s *server.Server) bool { return s.JetStreamIsLeader() })
	})
	for range 2 { // it may be asked for again
		if code, stdout, stderr := cliRun(t, prepare...); code != cli.Done || !strings.Contains(stdout, `"stream":"CANNULARY_MAIN"`) ||
			!strings.Contains(stdout, `"logMaxBytes":67108864`) {
			t.Fatalf("prepare exits %d and says %s%s", code, stdout, stderr)
		}
	}
	ingest.await(t)
	view.await(t)
	began := map[*role]int{ingest: len(ingest.errs.String()), view: len(view.errs.String())}
	msgs := messages(t, scenario(3, 1))
	last := len(msgs) - 1
	tally, _, err := post(patience(t), ingest.grpc, msgs[:last])
	if err != nil || tally.Refused > 0 || tally.Accepted == 0 {
		t.Fatalf("%+v, %v", tally, err)
	}
	projected := func() bool { return view.has(t) }
	eventually(t, "the view has all", projected)

	t.Run("no certificate of the clients' authority", c.strangers)
	before := c.state(t)
	for _, role := range []string{"ingest", "view", "erase", "admin"} {
		t.Run(role, func(t *testing.T) { c.attack(t, role) })
	}
	t.Run("a key", c.keys)
	if after := c.state(t); after != before {
		t.Errorf("before the attacks\n%s\nand after\n%s", before, after)
	}

	t.Run("an erasure", c.erasure)
	t.Run("tokens", c.tokens)

	// All goes on as before, with the numbers that come next.
	if tally, _, err := post(patience(t), ingest.grpc, msgs[last:]); err != nil || tally.Accepted != 1 {
		t.Errorf("after the attacks: %+v, %v", tally, err)
	}
	eventually(t, "the view goes on", projected)
	person := ""
	for _, m := range msgs {
		if p := testkit.Envelope(m).GetPatient(); p != nil {
			person = p.GetSystem() + "|" + p.GetValue()
			code, text := get(t, view.http+"/card?as_of=2025-04-01T18:00:00Z&identifier="+p.GetSystem()+"%7C"+p.GetValue())
			if code != http.StatusOK || !strings.Contains(text, p.GetValue()) || !strings.Contains(text, `"quarantined":0`) {
				t.Errorf("the card answers %d %s", code, text)
			}
			break
		}
	}
	for _, r := range []*role{view, ingest} {
		// A role that tried what it may not do would say so.
		if code, stderr := r.stop(); code != 0 || troubled(stderr[began[r]:]) {
			t.Errorf("it exits %d and says %s", code, stderr[began[r]:])
		}
	}
	// The command for an erasure, which ingest's certificate does not let through.
	for _, role := range []string{"ingest", "erase"} {
		code, stdout, stderr := cliRun(t, append([]string{"erase", "--data", view.dir, "--identifier", person, "--yes", "--nats", c.url,
			"--master-key-file", c.master}, c.as(t, role)...)...)
		if (code == cli.Done) != (role == "erase") {
			t.Errorf("erase by %s exits %d and says %s%s", role, code, stdout, stderr)
		}
		if role == "ingest" && strings.Contains(stdout, `"done":true`) {
			t.Errorf("ingest erased: %s", stdout)
		}
	}
}

// troubled reports whether a process logged a warning or an error.
func troubled(stderr string) bool {
	return strings.Contains(stderr, `"level":"WARN"`) || strings.Contains(stderr, `"level":"ERROR"`)
}

// state is what must not change: both streams as their leaders have them.
func (c *cluster) state(t *testing.T) string {
	t.Helper()
	i := c.intrude(t, "view")
	js, err := jetstream.NewWithAPIPrefix(i.nc, "RECORD")
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, name := range []string{theLog, theKeys} {
		s, err := js.Stream(patience(t), name)
		if err != nil {
			t.Fatal(err)
		}
		info := s.CachedInfo()
		out = append(out, fmt.Sprintf("%s %+v, %d entries up to %d, %d gone", name, info.Config, info.State.Msgs, info.State.LastSeq,
			info.State.NumDeleted))
	}
	return strings.Join(out, "\n")
}

// strangers have no certificate, or one of another authority, or one of the right one with a name that nobody has.
func (c *cluster) strangers(t *testing.T) {
	other := newAuthority(t, t.TempDir(), "other")
	for name, by := range map[string]func() (string, string){
		"none":               nil,
		"of a node":          func() (string, string) { return c.nodes.sign(t, "cannulary-ingest", true) },
		"of another":         func() (string, string) { return other.sign(t, "cannulary-ingest", false) },
		"with another name":  func() (string, string) { return c.clients.sign(t, "cannulary-somebody", false) },
		"with a longer name": func() (string, string) { return c.clients.sign(t, "cannulary-ingest2", false) },
	} {
		opts := []nats.Option{nats.RootCAs(c.nodes.path())}
		if by != nil {
			opts = append(opts, nats.ClientCert(by()))
		}
		if nc, err := nats.Connect(c.url, opts...); err == nil {
			nc.Close()
			t.Errorf("a certificate %s connects", name)
		}
	}
	plain := strings.ReplaceAll(c.url, "tls://", "nats://")
	if nc, err := nats.Connect(plain); err == nil {
		nc.Close()
		t.Error("a client without TLS connects")
	}
	if said, err := c.route(t, c.nodes, "another node"); err != nil {
		t.Errorf("a node's certificate opens no route: %s %v", said, err)
	}
	if said, err := c.route(t, c.clients, "cannulary-admin"); err == nil {
		t.Errorf("a client's certificate opens a route: %s", said)
	}
}

// route calls a node as another node does, and reads what it says after the handshake.
func (c *cluster) route(t *testing.T, by *authority, name string) (string, error) {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(by.sign(t, name, true))
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("tcp", c.servers[0].ClusterAddr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := conn.SetDeadline(time.Now().Add(patient)); err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(c.nodes.cert)
	secure := tls.Client(conn, &tls.Config{Certificates: []tls.Certificate{pair}, RootCAs: roots, ServerName: "localhost"})
	line, err := bufio.NewReaderSize(secure, 64<<10).ReadString('\n')
	if err == nil && !strings.HasPrefix(line, "INFO ") {
		t.Errorf("a node says %q", line)
	}
	return line, err
}

// attack tries with a role's certificate what the role is not for.
func (c *cluster) attack(t *testing.T, role string) {
	i := c.intrude(t, role)
	refused := func(m *nats.Msg) {
		t.Helper()
		if answer, err := i.ask(t, m); err == nil && !strings.Contains(answer, `"error":{`) {
			t.Errorf("%s is answered with %s", m.Subject, answer)
		}
	}
	for _, stream := range []string{theLog, theTrail, theKeys, "KV_cannulary-access-main"} {
		for call, body := range calls(stream) {
			for _, prefix := range []string{"RECORD.", "$JS.API."} {
				if answer, err := i.ask(t, request(prefix+call, body)); err == nil {
					t.Errorf("%s%s is answered with %s", prefix, call, answer)
				}
			}
		}
		// The right call by the server's own name.
		for _, call := range []string{"STREAM.INFO.", "STREAM.MSG.GET.", "STREAM.CREATE.", "STREAM.UPDATE."} {
			refused(request("$JS.API."+call+stream, `{"seq":1}`))
		}
	}
	refused(request("RECORD.STREAM.MSG.DELETE."+theLog, `{"seq":2}`))
	refused(request("RECORD.STREAM.MSG.DELETE."+theTrail, `{"seq":2}`))
	refused(request("cannulary-trail.main.entry", "garbage", "Nats-Rollup", "all"))
	refused(request("RECORD.DIRECT.GET."+theKeys, `{"seq":1}`))
	refused(request("RECORD.CONSUMER.CREATE."+theKeys+".i", `{"stream_name":"`+theKeys+`","config":{"name":"i"}}`))
	if role != "admin" {
		refused(request("RECORD.STREAM.UPDATE."+theLog, `{"name":"`+theLog+`","subjects":["cannulary.main.>"],"max_bytes":1}`))
		refused(request("RECORD.STREAM.UPDATE."+theKeys, `{"name":"`+theKeys+`","subjects":["$KV.cannulary-keys-main.>"],"allow_rollup_hdrs":true}`))
	}
	if role != "erase" {
		refused(request("RECORD.STREAM.MSG.DELETE."+theKeys, `{"seq":1}`))
	}
	if role == "view" {
		refused(request(intoIt, "garbage"))
		refused(request("RECORD."+oneKey, "garbage"))
	} else {
		// An entry that takes others away, or itself.
		refused(request(intoIt, "garbage", "Nats-Rollup", "all"))
		refused(request(intoIt, "garbage", "Nats-TTL", "1s"))
	}
	refused(request(oneKey, "garbage"))
	// The server's answer sent into the log: it goes nowhere.
	for _, subject := range []string{"RECORD.STREAM.INFO." + theLog, "RECORD.STREAM.INFO." + theKeys, "RECORD.DIRECT.GET." + theKeys + "." + oneKey} {
		for _, reply := range []string{intoIt, oneKey + "2", "$JS.API.STREAM.DELETE." + theLog} {
			if err := i.nc.PublishRequest(subject, reply, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	// Entries pushed to where they must not go.
	for n, to := range []string{intoIt, oneKey, "$KV.cannulary-keys-main.patient.x", "$JS.API.STREAM.DELETE." + theLog, "$JS.API.STREAM.PURGE." + theLog} {
		name := role + string(rune('a'+n))
		_, _ = i.ask(t, request("RECORD.CONSUMER.CREATE."+theLog+"."+name, `{"stream_name":"`+theLog+`","config":{"name":"`+name+
			`","deliver_subject":"`+to+`","headers_only":true,"deliver_policy":"last","ack_policy":"none"}}`))
	}
	// What others say and get.
	for _, subject := range []string{">", "cannulary.>", "RECORD.>", "$KV.>", "$JS.>", "$SYS.>"} {
		for len(i.violations) > 0 {
			<-i.violations
		}
		if _, err := i.nc.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-i.violations:
			if !errors.Is(err, nats.ErrPermissionViolation) {
				t.Errorf("subscribe to %s: %v", subject, err)
			}
		case <-time.After(patient):
			t.Fatalf("%s may be subscribed to", subject)
		}
	}
}

// keys: whoever may write a key can neither replace nor remove one.
func (c *cluster) keys(t *testing.T) {
	ingest, erase := c.intrude(t, "ingest"), c.intrude(t, "erase")
	js, err := jetstream.NewWithAPIPrefix(erase.nc, "RECORD")
	if err != nil {
		t.Fatal(err)
	}
	kv, err := js.KeyValue(patience(t), "cannulary-keys-main")
	if err != nil {
		t.Fatal(err)
	}
	was, err := kv.Get(patience(t), "site.secret")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []*nats.Msg{
		request("RECORD."+oneKey, "garbage"),
		request("RECORD."+oneKey, "", "KV-Operation", "DEL"),
		request("RECORD."+oneKey, "", "KV-Operation", "PURGE", "Nats-Rollup", "sub"),
		request("RECORD."+oneKey, "", "Nats-TTL", "1s"),
	} {
		if answer, err := ingest.ask(t, m); err == nil && !strings.Contains(answer, `"error":{`) {
			t.Errorf("a key is replaced (%v): %s", m.Header, answer)
		}
	}
	if is, err := kv.Get(patience(t), "site.secret"); err != nil || !bytes.Equal(is.Value(), was.Value()) {
		t.Errorf("the site secret changed (%v)", err)
	}
}

// erasure: ingest makes a patient's key and cannot destroy it; erase can, and then it is gone.
func (c *cluster) erasure(t *testing.T) {
	stores := map[string]keyring.Store{}
	for _, role := range []string{"ingest", "erase"} {
		js, err := eventlog.JetStream(c.intrude(t, role).nc, "RECORD")
		if err != nil {
			t.Fatal(err)
		}
		if stores[role], err = keyring.OpenBucket(patience(t), js, "cannulary-keys-main", 3, bytes.Repeat([]byte{0x0a, 0x1b, 0x2c, 0x3d}, 8)); err != nil {
			t.Fatal(err)
		}
	}
	const name = "patient.00"
	if _, err := stores["ingest"].Create(patience(t), name, make([]byte, keyring.SecretSize)); err != nil {
		t.Fatal(err)
	}
	if err := stores["ingest"].Destroy(patience(t), name); err == nil {
		t.Error("ingest destroys a key")
	}
	if _, err := stores["ingest"].Get(patience(t), name); err != nil {
		t.Errorf("the key is gone: %v", err)
	}
	if err := stores["erase"].Destroy(patience(t), name); err != nil {
		t.Errorf("erase cannot destroy a key: %v", err)
	}
	if _, err := stores["ingest"].Get(patience(t), name); !errors.Is(err, keyring.ErrNoKey) {
		t.Errorf("the destroyed key: %v", err)
	}
}

// tokens: views share them, and a value that one view made is what the other reads. No other role reaches them: a token
// opens the record.
func (c *cluster) tokens(t *testing.T) {
	const name = "cannulary-access-main"
	for n := range 2 {
		js, err := eventlog.JetStream(c.intrude(t, "view").nc, "RECORD")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.CreateStream(patience(t), jetstream.StreamConfig{Name: "KV_" + name, Subjects: []string{"$KV." + name + ".>"}, Replicas: 3,
			MaxMsgsPerSubject: 1, Discard: jetstream.DiscardNew, DenyDelete: true, DenyPurge: true}); err != nil {
			t.Fatalf("view %d cannot make it: %v", n, err)
		}
		kv, err := js.KeyValue(patience(t), name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := kv.Create(patience(t), "used", []byte("once")); (err == nil) != (n == 0) {
			t.Errorf("the value is made by view %d: %v", n, err)
		}
		if e, err := kv.Get(patience(t), "used"); err != nil || string(e.Value()) != "once" {
			t.Errorf("view %d reads %v (%v)", n, e, err)
		}
	}
	for _, role := range []string{"ingest", "erase", "admin"} {
		i := c.intrude(t, role)
		for _, m := range []*nats.Msg{
			request("$KV."+name+".made", "forged"), request("RECORD.$KV."+name+".made", "forged"), request("RECORD.STREAM.INFO.KV_"+name, ""),
			request("RECORD.STREAM.MSG.GET.KV_"+name, `{"last_by_subj":"$KV.`+name+`.used"}`),
		} {
			if answer, err := i.ask(t, m); err == nil {
				t.Errorf("%s: %s is answered with %s", role, m.Subject, answer)
			}
		}
	}
}
