package cli

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

func TestATokenStandsInItsFileAlone(t *testing.T) {
	file := filepath.Join(t.TempDir(), "ehr.token")
	code, stdout, stderr := run(t.Context(), "token", "--out", file)
	text, err := os.ReadFile(file)
	token := strings.TrimSpace(string(text))
	var said map[string]string
	if code != Done || err != nil || json.Unmarshal([]byte(stdout), &said) != nil || len(said) != 1 || said["sha256"] != access.Digest(token) {
		t.Errorf("exit code %d, %v: %s %s", code, err, stdout, stderr)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 || len(token) != 43 || strings.Contains(stdout+stderr, token) {
		t.Errorf("%v %v, %d characters, printed: %s", err, info.Mode(), len(token), stdout+stderr)
	}
	if code, _, stderr := run(t.Context(), "token", "--out", file); code != Failed || !strings.Contains(stderr, "file exists; name a new file") {
		t.Errorf("over an older token: exit code %d, %s", code, stderr)
	}
	if again, err := os.ReadFile(file); err != nil || string(again) != string(text) {
		t.Error("the older token is gone")
	}
}

func TestCommandsShowWhoTheyAre(t *testing.T) {
	dir, ca := t.TempDir(), testkit.NewAuthority(t)
	own, engine := ca.Issue(t, "127.0.0.1"), ca.Issue(t, "engine.example")
	token := testkit.Write(t, dir, "token", []byte(strings.Repeat("t", 43)+"\n"))
	wrong := testkit.Write(t, dir, "wrong", []byte(strings.Repeat("w", 43)+"\n"))
	authority := testkit.Write(t, dir, "ca.pem", ca.PEM)
	foreign := testkit.Write(t, dir, "foreign.pem", testkit.NewAuthority(t).PEM)
	cert, key := testkit.Write(t, dir, "engine.pem", engine.Cert), testkit.Write(t, dir, "engine.key", engine.Key)
	a, err := app.New(t.Context(), app.Config{Dir: filepath.Join(dir, "data"), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		Now: time.Now, Slog: testkit.Discard(), TLSCertificate: testkit.Write(t, dir, "own.pem", own.Cert),
		TLSKey: testkit.Write(t, dir, "own.key", own.Key), TLSClients: authority,
		Policy: testkit.Write(t, dir, "policy.yaml", []byte("principals:\n- {name: night-operator, tokens: ["+access.Digest(strings.Repeat("t", 43))+
			"], facilities: ['*'], may: [metrics], sources: [cli], facts: ['*']}\n"+
			"- {name: engine, certificates: [engine.example], facilities: [invented-north], sources: [engine-a], facts: ['*']}\n"))})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	messages := filepath.Join("..", "..", "proto", "examples", "invented-unit.ndjson")
	_, port, err := net.SplitHostPort(a.HTTPAddr())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string // in what is printed
	}{
		{[]string{"status", "--http", a.URL(), "--ca", authority, "--token-file", token}, Done, "ready"},
		{[]string{"status", "--data", filepath.Join(dir, "data")}, Done, "ready"}, // the folder's socket asks for neither
		{[]string{"status", "--http", a.URL(), "--token-file", token}, Failed, "certificate signed by unknown authority"},
		{[]string{"status", "--http", a.URL(), "--ca", foreign, "--token-file", token}, Failed, "certificate signed by unknown authority"},
		{[]string{"status", "--http", a.URL(), "--ca", authority}, Failed, "this needs a client certificate or a bearer token of a principal"},
		{[]string{"status", "--http", a.URL(), "--ca", authority, "--token-file", wrong}, Failed, "this needs a client certificate or a bearer token"},
		{[]string{"status", "--http", a.URL(), "--ca", authority, "--certificate", cert, "--key", key}, Failed, "this principal may not do that"},
		{[]string{"status", "--http", a.URL(), "--certificate", cert}, WrongUse, "--certificate and --key go together; give both"},
		{[]string{"status", "--http", a.URL(), "--ca", messages}, Failed, "holds no certificate in PEM form"},
		{[]string{"status", "--http", "http://record.example:" + port, "--token-file", token}, WrongUse,
			"the token would go to record.example in the clear; use https, or --ca for gRPC"},
		{[]string{"load", "--grpc", "record.example:1", "--token-file", token, messages}, WrongUse, "the token would go to record.example in the clear"},
		{[]string{"load", "--grpc", a.GRPCAddr(), "--ca", authority, "--certificate", cert, "--key", key, messages}, Failed,
			`{"sent":27,"accepted":26,"duplicates":0,"refused":1}`},
		{[]string{"load", "--grpc", a.GRPCAddr(), "--ca", authority, "--token-file", token, messages}, Failed,
			`{"sent":27,"accepted":0,"duplicates":0,"refused":27}`}, // another principal's source
		{[]string{"load", "--grpc", a.GRPCAddr(), "--ca", authority, messages}, Failed, "this needs a client certificate or a bearer token"},
		{[]string{"simulate", "--grpc", a.GRPCAddr(), "--ca", authority, "--token-file", wrong}, Failed, "this needs a client certificate or a bearer token"},
	} {
		code, stdout, stderr := run(t.Context(), c.args...)
		if code != c.code || !strings.Contains(stdout+stderr, c.want) {
			t.Errorf("%v: exit code %d: %s%s; want %d, %s", c.args, code, stdout, stderr, c.code, c.want)
		}
	}
}
