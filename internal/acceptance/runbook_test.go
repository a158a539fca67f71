package acceptance_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

// typed finds the code spans of a page.
var typed = regexp.MustCompile("`([^`\n]+)`")

// commandsOn are the commands of a page of these programs, in its order.
func commandsOn(tb testing.TB, page string, programs ...string) (out []string) {
	tb.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "deploy", "runbooks", page))
	if err != nil {
		tb.Fatal(err)
	}
	block := false
	for line := range strings.Lines(string(b)) {
		line = strings.TrimRight(line, "\n")
		if strings.TrimSpace(line) == "```" {
			block = !block
			continue
		}
		var found []string
		if block {
			found = []string{strings.TrimSpace(line)}
		} else {
			for _, m := range typed.FindAllStringSubmatch(line, -1) {
				found = append(found, m[1])
			}
		}
		for _, c := range found {
			for _, p := range programs {
				if strings.HasPrefix(c, p+" ") {
					out = append(out, c)
				}
			}
		}
	}
	return out
}

// The page about a damaged log is walked word for word, on a log with damage.
func TestTheRunbookOfADamagedLogWorksAsWritten(t *testing.T) {
	t.Parallel()
	u := shared(t)
	root := t.TempDir()
	data := copyDir(t, u.dir, filepath.Join(root, "var"))
	seq := damage(t, data)
	if err := os.Mkdir(filepath.Join(root, "srv"), 0o700); err != nil {
		t.Fatal(err)
	}
	var p *process
	done := map[string]int{}
	for _, c := range commandsOn(t, "CannularyLogDamaged.md", "systemctl", "cannulary", "mkdir", "mv", "cp") {
		word, rest, _ := strings.Cut(c, " ")
		done[word]++
		switch c {
		case "systemctl stop cannulary": // it is: the log was damaged while it was stopped
			continue
		case "systemctl start cannulary":
			p = serve(t, data)
			continue
		}
		at := strings.NewReplacer("/var/lib/cannulary", data, "/srv", filepath.Join(root, "srv"))
		want := 0
		switch {
		case strings.HasPrefix(rest, "verify --data /var/lib"):
			want = 1
		case strings.Contains(rest, "http://127.0.0.1:7451"):
			at = strings.NewReplacer("http://127.0.0.1:7451", p.http)
		}
		cmd := exec.Command("bash", "-c", at.Replace(c))
		cmd.Env = append(os.Environ(), "PATH="+filepath.Dir(program)+":"+os.Getenv("PATH"))
		out, _ := cmd.CombinedOutput() // the code is looked at
		if code := cmd.ProcessState.ExitCode(); code != want {
			t.Fatalf("`%s` exits %d and says %s", c, code, out)
		}
		t.Logf("$ %s\n%s", c, out)
	}
	if done["cannulary"] != 4 || done["cp"] != 2 || done["mv"] != 1 || done["mkdir"] != 1 || p == nil {
		t.Fatalf("the page has these commands: %v", done)
	}
	tally, again, err := post(patience(t), p.grpc, u.messages)
	if err != nil || tally.Duplicates != len(u.messages) {
		t.Errorf("all sent again gave %+v, %v", tally, err)
	}
	for id, a := range again {
		if a.GetToken() != u.answers[id].GetToken() {
			t.Errorf("message %s was acknowledged as %s, now as %s; entry %d was damaged", id, u.answers[id].GetToken(), a.GetToken(), seq)
		}
	}
	p.end(syscall.SIGTERM)
}
