package cli

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// small is a demo of five patients and a month that ends by itself.
func small(dir string) []string {
	return []string{"demo", "--data", dir, "--exit", "--patients", "5", "--months", "1", "--until", "2025-03-31"}
}

// put writes files with their folders; a name's text is its path.
func put(t *testing.T, dir string, names ...string) {
	t.Helper()
	for _, name := range names {
		file := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// listing is all that lies in a folder, with sizes, times and texts.
func listing(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		text := ""
		if info.Mode().IsRegular() {
			content, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			text = string(content)
		}
		fmt.Fprintln(&b, path, info.Mode(), info.Size(), info.ModTime().UnixNano(), text)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// leavesAlone runs a command that must say one line, fail and change nothing in the folder.
func leavesAlone(t *testing.T, dir, says string, args ...string) {
	t.Helper()
	before := listing(t, dir)
	// One that is not refused might serve for ever.
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	code, stdout, stderr := run(ctx, args...)
	if want := "cannulary " + args[0] + ": " + says + "\n"; code != Failed || stdout != "" || stderr != want {
		t.Errorf("%q: exit code %d, stdout %q\nstderr %q\nwant   %q", args, code, stdout, stderr, want)
	}
	if after := listing(t, dir); after != before {
		t.Errorf("%q changed the folder:\n%s\nwas\n%s", args, after, before)
	}
}

// wants compares what a command said of a locked folder. HOLDER in what is wanted stands for this process and its user.
func wants(t *testing.T, name string, code int, said, want string) {
	t.Helper()
	u, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	want = strings.Replace(want, "HOLDER", fmt.Sprintf("%d of user %s", os.Getpid(), u.Username), 1)
	if code != Failed || said != want {
		t.Errorf("%s: exit code %d, %q; want %q", name, code, said, want)
	}
}

// What an earlier demo left is of patients who are no longer there.
func TestADemoDeletesAnEarlierDemoAndNothingElse(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "demo")
	if code, _, stderr := run(context.Background(), small(dir)...); code != Done {
		t.Fatalf("into a new folder: exit code %d: %.2000s", code, stderr)
	}
	old := []string{"log/old", "view/old", "ingest/old", "keys/old", "export/old"}
	put(t, dir, append(old, "notes.txt")...)
	if code, _, stderr := run(context.Background(), small(dir)...); code != Done {
		t.Fatalf("exit code %d: %.2000s", code, stderr)
	}
	for _, name := range old {
		if _, err := os.Stat(filepath.Join(dir, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, "notes.txt")); err != nil || string(b) != "notes.txt" {
		t.Errorf("a note that lay beside: %q, %v", b, err)
	}
}

const unmarked = " is not empty and no demo has marked it; nothing in it was changed; " +
	"name another folder with --data, or delete this one if it is only an old demo's"

func TestADemoTouchesNoFolderThatItDidNotMark(t *testing.T) {
	instance, _, _, stop := served(t)
	stop()
	for name, files := range map[string][]string{
		"another program's":      {"letter.txt"},
		"half an instance":       {"keys/keys.db"},
		"a lock alone":           {"lock"},
		"a mark that is no file": {"cannulary-demo/README"},
	} {
		dir := t.TempDir()
		put(t, dir, files...)
		leavesAlone(t, dir, dir+unmarked, small(dir)...)
		if t.Failed() {
			t.Fatal(name)
		}
	}
	leavesAlone(t, instance, instance+unmarked, small(instance)...)
	file := filepath.Join(t.TempDir(), "file")
	put(t, filepath.Dir(file), "file")
	says := "data folder: open " + file + ": not a directory; give --data a folder that can be read, or one that does not exist yet"
	leavesAlone(t, filepath.Dir(file), says, small(file)...)
}

// A demo that stays up is not swept away by a second one.
func TestADemoLeavesARunningDemoAlone(t *testing.T) {
	dir, _, _, stop := served(t)
	defer stop()
	put(t, dir, "cannulary-demo")
	code, _, stderr := run(context.Background(), small(dir)...)
	wants(t, "demo", code, stderr, "cannulary demo: the folder is in use: "+dir+" is locked by a running cannulary, process HOLDER; stop it "+
		"first, or ask it with --http\n")
	if _, err := os.Stat(filepath.Join(dir, "keys")); err != nil {
		t.Errorf("the running one's keys: %v", err)
	}
}

func TestNoCommandMakesAnInstanceAmongOtherFiles(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "letter.txt", "log/syslog", "keys/door")
	says := dir + ` is not the folder of an instance: it holds "letter.txt"; nothing in it was changed; ` +
		"give --data an instance's folder, an empty one, or one that does not exist yet"
	for _, command := range []string{"serve", "rebuild", "status", "card --all --out " + filepath.Join(t.TempDir(), "pack")} {
		args := strings.Fields(command)
		leavesAlone(t, dir, says, append(args, "--data", dir)...)
	}
}

// Copies of log and keys alone, put back into a folder of their own, are an instance.
func TestAnInstancePutBackFromCopiesIsServed(t *testing.T) {
	dir, _, stop := instance(t)
	stop()
	back := t.TempDir()
	for _, part := range []string{"log", "keys"} {
		if err := os.CopyFS(filepath.Join(back, part), os.DirFS(filepath.Join(dir, part))); err != nil {
			t.Fatal(err)
		}
	}
	put(t, back, "lost+found/x")
	if code, _, stderr := run(context.Background(), "rebuild", "--data", back); code != Done {
		t.Errorf("exit code %d: %.2000s", code, stderr)
	}
}

func TestSimulateOverwritesNoFile(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "kept.ndjson")
	kept := filepath.Join(dir, "kept.ndjson")
	feed := []string{"simulate", "--patients", "1", "--months", "1", "--until", "2025-03-31", "--out"}
	leavesAlone(t, dir, kept+" exists already and is not empty; nothing was written; name another file, or remove this one",
		append(feed, kept)...)
	lost := filepath.Join(dir, "none", "x")
	leavesAlone(t, dir, "open "+lost+": no such file or directory; name a new file in a folder that exists", append(feed, lost)...)
	for _, out := range []string{filepath.Join(dir, "new.ndjson"), os.DevNull} {
		if code, stdout, stderr := run(context.Background(), append(feed, out)...); code != Done ||
			!strings.Contains(stdout, `{"written":`) {
			t.Errorf("%s: exit code %d, %q, %q", out, code, stdout, stderr)
		}
	}
}

func TestAnAddressWithoutASchemeIsNoURL(t *testing.T) {
	for _, command := range []string{"status", "report --json", "threshold"} {
		args := append(strings.Fields(command), "--http", "localhost:7451")
		code, _, stderr := run(context.Background(), args...)
		if want := `--http "localhost:7451" is not a URL; give for instance http://127.0.0.1:7451`; code != WrongUse ||
			!strings.Contains(stderr, want) {
			t.Errorf("%s: %d, %q; want %q", command, code, stderr, want)
		}
	}
}
