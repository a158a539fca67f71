package deploycheck

import (
	"bytes"
	"context"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"cannulary/internal/cli"
)

// command finds the program's commands in a page: in one `code span` or on a line of a
// block, up to where another program would read on.
var command = regexp.MustCompile("(?:\\bbin/|/usr/local/bin/|`|\\n)cannulary ([a-z-]+)((?:'[^'\\n]*'|[^`\\n>|'])*)")

func commandsOf(page string) (out [][]string) {
	for _, m := range command.FindAllStringSubmatch(page, -1) {
		args := []string{m[1]}
		for _, w := range regexp.MustCompile(`'[^']*'|\S+`).FindAllString(m[2], -1) {
			args = append(args, strings.Trim(w, "'"))
		}
		out = append(out, args)
	}
	return out
}

// TestEveryCommandOnAPageIsWhole runs each command line that deploy/ tells to type, at a
// place where nothing is: it may fail, but not as wrong use.
func TestEveryCommandOnAPageIsWhole(t *testing.T) {
	pages := read(t, "*.md")
	for name, body := range read(t, "runbooks/*.md") {
		pages[name] = body
	}
	for name, body := range merged(read(t, "systemd/*.service"), read(t, "systemd/*.conf")) {
		pages[name] = strings.ReplaceAll(body, "ExecStart=", "\n")
	}
	n := 0
	for path, body := range pages {
		// What the shell puts in: internal/e2e/cluster.sh types that page's commands.
		for _, args := range commandsOf(strings.ReplaceAll(body, "$(as admin)", "--nats URL --master-key-file FILE")) {
			n++
			if code, stderr := try(t, args); code == cli.WrongUse {
				t.Errorf("%s: `cannulary %s` is wrong use: %s", filepath.Base(path), strings.Join(args, " "), stderr)
			}
		}
		if strings.Contains(body, "bin/cannulary `") || strings.Contains(body, "`bin/cannulary`") {
			t.Errorf("%s: a command is not whole", path)
		}
	}
	if n < 15 {
		t.Errorf("only %d commands were found", n)
	}
	for _, args := range [][]string{{"status"}, {"rebuild"}, {"status", "--http", "URL", "--data", "DIR"},
		{"rebuild", "--beside"}, {"mend"}} {
		if code, _ := try(t, args); code != cli.WrongUse {
			t.Errorf("`cannulary %s` passes, exit %d", strings.Join(args, " "), code)
		}
	}
}

// try runs a command where neither a service nor a record is.
func try(t *testing.T, args []string) (code int, stderr string) {
	t.Helper()
	dir := t.TempDir()
	places := strings.NewReplacer("/var/lib/cannulary", dir, "http://127.0.0.1:7451", "http://127.0.0.1:1", "127.0.0.1:7450", "127.0.0.1:1",
		"URL", "http://127.0.0.1:1", "FILE", filepath.Join(dir, "none"), "DIR", dir)
	if args[0] == "serve" {
		args = append(args[:len(args):len(args)], "--nats", "nats://127.0.0.1:1", "--master-key-file", filepath.Join(dir, "none"))
	}
	args = append([]string(nil), args...)
	for i := range args {
		args[i] = places.Replace(args[i])
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	var out, errs bytes.Buffer
	code = cli.Run(ctx, cli.Env{Stdout: &out, Stderr: &errs, Now: now, Version: "deploycheck"}, args)
	if _, err := os.Stat(filepath.Join(dir, "none")); err == nil && args[0] != "token" {
		t.Errorf("%v wrote a file", args)
	}
	return code, errs.String()
}

// merged joins maps that share no key.
func merged(all ...map[string]string) map[string]string {
	out := map[string]string{}
	for _, m := range all {
		maps.Copy(out, m)
	}
	return out
}
