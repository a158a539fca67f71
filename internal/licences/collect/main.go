// Command collect copies the licence texts of the modules that the programs are built from into the folder that
// internal/licences embeds. It runs in the project's root, before the build, and needs the module cache alone.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"

	"cannulary/internal/licences"
)

func main() {
	if err := collect(); err != nil {
		fmt.Fprintln(os.Stderr, "collect the licences:", err)
		os.Exit(1)
	}
}

// wanted are the names of files that a licence asks to pass on.
var wanted = regexp.MustCompile(`(?i)^(licen[cs]e|copying|copyright|notice|patents|unlicense)([-._].*)?$|^ftl\.txt$`)

type module struct {
	Path, Version, Dir string
	Main               bool
	Replace            *module
}

func collect() error {
	cmd := exec.CommandContext(context.Background(), "go", "list", "-deps", "-json=Dir,Standard,Module", "./services/...")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("go list: %w", err)
	}
	modules := map[string]module{}
	dirs := map[string]map[string]bool{} // by module: where its packages are, and all above them
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct {
			Dir      string
			Standard bool
			Module   *module
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return fmt.Errorf("go list: %w", err)
		}
		m := p.Module
		if p.Standard || m == nil || m.Main {
			continue
		}
		if m.Replace != nil {
			m = m.Replace
		}
		key := m.Path + " " + m.Version
		modules[key] = *m
		if dirs[key] == nil {
			// A module of two licences keeps their texts apart.
			dirs[key] = map[string]bool{m.Dir: true, filepath.Join(m.Dir, "licenses"): true}
		}
		for dir := p.Dir; len(dir) > len(m.Dir); dir = filepath.Dir(dir) {
			dirs[key][dir] = true
		}
	}
	root, err := exec.CommandContext(context.Background(), "go", "env", "GOROOT").Output()
	if err != nil {
		return fmt.Errorf("go env GOROOT: %w", err)
	}
	own := module{Path: licences.GoItself, Version: runtime.Version(), Dir: strings.TrimSpace(string(root))}
	modules[""], dirs[""] = own, map[string]bool{own.Dir: true}
	notices := []licences.Notice{}
	for _, key := range slices.Sorted(maps.Keys(modules)) {
		m := modules[key]
		n := licences.Notice{Module: m.Path, Version: m.Version}
		for _, dir := range slices.Sorted(maps.Keys(dirs[key])) {
			texts, err := textsOf(m.Dir, dir)
			if err != nil {
				return err
			}
			n.Texts = append(n.Texts, texts...)
		}
		if len(n.Texts) == 0 {
			return fmt.Errorf("%s %s has no licence in %s", m.Path, m.Version, m.Dir)
		}
		notices = append(notices, n)
	}
	data, err := json.MarshalIndent(notices, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join("internal/licences", licences.File), data, 0o644)
}

// textsOf reads the wanted files of a module's folder.
func textsOf(root, dir string) (texts []licences.Text, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		if !e.Type().IsRegular() || !wanted.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		path := filepath.Join(dir, e.Name())
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return nil, err
		}
		texts = append(texts, licences.Text{File: filepath.ToSlash(name), Text: string(text)})
	}
	return texts, nil
}
