package cli

import (
	"context"
	"os"
	"path/filepath"
	"testing"
)

func TestWrongUseIsSaidInOneLine(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	for command, cases := range map[string][]refused{
		"serve": {
			{"two replicas", []string{"--data", dir, "--replicas", "2"}, WrongUse, "--replicas is 2; give 1 or 3"},
			{"a shard with a space", []string{"--data", dir, "--shard", "a b"}, WrongUse,
				`--shard "a b" cannot be a shard's name; use letters, digits, - and _, for instance main`},
		},
		"rebuild": {{"a shard with a dot", []string{"--data", dir, "--shard", "a.b"}, WrongUse, `--shard "a.b" cannot be a shard's name`}},
		"status":  {{"a shard with a star", []string{"--data", dir, "--shard", "*"}, WrongUse, `--shard "*" cannot be a shard's name`}},
		"erase": {
			{"no identifier", []string{"--data", dir}, WrongUse, "--data DIR and --identifier 'SYSTEM|VALUE' are needed, both parts"},
			{"no system", []string{"--data", dir, "--identifier", "|4711"}, WrongUse, "both parts of the identifier"},
		},
		"backup": {
			{"nowhere to go", []string{"--data", dir}, WrongUse, "--data DIR is needed, and --to FOLDER, --keys-to FOLDER or both"},
			{"a passphrase without keys", []string{"--data", dir, "--to", dir, "--passphrase-file", dir}, WrongUse,
				"--passphrase-file and --recipient encrypt the keys: give one of them, with --keys-to"},
			{"a recipient that is no key", []string{"--data", dir, "--keys-to", dir, "--recipient", "age1x"}, WrongUse,
				`--recipient "age1x" is not an age public key`},
		},
		"restore": {{"no keys", []string{"--data", dir, "--from", dir}, WrongUse,
			"--from FOLDER, --keys-from FOLDER and --data NEW are needed"}},
		"simulate": {{"fewer than no patients", []string{"--out", "-", "--patients", "-1"}, WrongUse,
			"cannulary simulate: Patients is -1: give a whole number from 1 to 400"}},
	} {
		for _, c := range cases {
			c.check(t, command)
		}
	}
	base := []string{"--data", t.TempDir(), "--public-base", "fhir.example", "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0"}
	refused{"a public base that is no URL", base, Failed,
		`cannulary serve: the public base "fhir.example" is no http or https URL; give for instance https://fhir.example/fhir`}.check(t,
		"serve")
	if _, err := os.Stat(dir); err == nil {
		t.Error("a command that was refused made its folder")
	}
}

// A feed of several files is not sent by half because the last one's name is wrong.
func TestLoadLooksForItsFilesFirst(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "first.ndjson")
	missing := filepath.Join(dir, "second.ndjson")
	code, stdout, stderr := run(context.Background(), "load", "--grpc", "127.0.0.1:1", filepath.Join(dir, "first.ndjson"), missing)
	if want := "cannulary load: stat " + missing +
		": no such file or directory; nothing was sent; check the file's name\n"; code != Failed || stderr != want {
		t.Errorf("exit code %d, %q; want %q", code, stderr, want)
	}
	if want := `{"sent":0,"accepted":0,"duplicates":0,"refused":0}` + "\n"; stdout != want {
		t.Errorf("stdout %q; want %q", stdout, want)
	}
}
