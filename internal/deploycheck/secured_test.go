//go:build e2e

package deploycheck

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestTheSecuredInstanceOfTheREADME types the README's commands from nothing to TLS, one engine and one EHR,
// word for word but for the ports, which are free ones. make e2e runs it, which brings the tools.
func TestTheSecuredInstanceOfTheREADME(t *testing.T) {
	for _, tool := range []string{"openssl", "curl", "bash", "go"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("%s is not on this machine, and the README's commands need it", tool)
		}
	}
	page, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, ok := strings.Cut(string(page), "## From nothing to TLS")
	section, _, _ = strings.Cut(section, "\n## ")
	parts := strings.Split(section, "```\n")
	if !ok || len(parts) != 11 {
		t.Fatalf("the section has %d pieces, want five blocks", len(parts))
	}
	certificates, policy, serve, use, others := parts[1], parts[3], parts[5], parts[7], parts[9]

	root := t.TempDir()
	if err := os.Symlink(abs(t, "../../proto"), filepath.Join(root, "proto")); err != nil {
		t.Fatal(err)
	}
	build := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(root, "bin")+"/", "./services/cannulary")
	build.Dir = abs(t, "../..")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	typed(t, root, certificates)
	secured := filepath.Join(root, "secured")
	typed(t, secured, policy)

	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	free := strings.NewReplacer("127.0.0.1:7450", "127.0.0.1:0", "127.0.0.1:7451", "127.0.0.1:0")
	service := exec.CommandContext(ctx, "bash", "-c", "exec "+free.Replace(strings.TrimSpace(serve)))
	service.Dir, service.Cancel = secured, func() error { return service.Process.Signal(syscall.SIGTERM) }
	var log bytes.Buffer
	service.Stderr = &log
	stdout, err := service.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := service.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		cancel()
		_, _ = io.Copy(io.Discard, stdout)
		_ = service.Wait()
	}()
	line, err := bufio.NewReader(stdout).ReadString('\n')
	var ready struct{ GRPC, HTTP string }
	if err != nil || json.Unmarshal([]byte(line), &ready) != nil || !strings.HasPrefix(ready.HTTP, "https://") {
		t.Fatalf("ready line %q, %v", line, err)
	}
	at := strings.NewReplacer("127.0.0.1:7450", ready.GRPC, "https://127.0.0.1:7451", ready.HTTP)

	// The README's engine may send whatever the examples hold; all are taken.
	load, read, _ := strings.Cut(strings.TrimSpace(use), "\n")
	if out := typed(t, secured, at.Replace(load)); !strings.Contains(out, `{"sent":27,"accepted":27,"duplicates":0,"refused":0}`) {
		t.Errorf("the engine posts: %s", out)
	}
	deadline := time.Now().Add(time.Minute)
	out := ""
	for !strings.Contains(out, `"resourceType":"Procedure"`) {
		if time.Now().After(deadline) {
			t.Fatalf("the EHR reads: %s", out)
		}
		out = typed(t, secured, at.Replace(read))
	}
	if out := typed(t, secured, at.Replace(others)); !strings.Contains(out, "a client certificate or a bearer token") ||
		!strings.Contains(out, "this principal may not do that") || strings.Contains(out, `"resourceType":"Procedure"`) {
		t.Errorf("others are answered: %s", out)
	}
	// Neither the key nor the token may be read by others; openssl sees to the keys by itself.
	for _, name := range []string{"ehr.token", "service.key"} {
		if info, err := os.Stat(filepath.Join(secured, name)); err != nil || info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s: %v %v", name, info.Mode(), err)
		}
	}
	token, err := os.ReadFile(filepath.Join(secured, "ehr.token"))
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	_, _ = io.Copy(io.Discard, stdout)
	_ = service.Wait()
	for _, secret := range []string{strings.TrimSpace(string(token)), "INVENTED-4711"} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
}

func abs(t *testing.T, path string) string {
	t.Helper()
	path, err := filepath.Abs(path)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// typed types commands into a shell, and fails with the first that fails.
func typed(t *testing.T, dir, commands string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, "bash", "-e", "-c", commands)
	c.Dir = dir
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s\n%v: %s", commands, err, out)
	}
	return string(out)
}
