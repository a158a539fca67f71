// Package licences holds the licence texts of the modules in this program. `make build` collects them from the
// module cache; nothing of them stands in the project.
package licences

import (
	"bufio"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"runtime/debug"
	"strings"
)

// Collected is the folder that `make build` fills. In a checkout it is empty.
//
//go:embed all:collected
var Collected embed.FS

// File is the name of the collected texts in Collected.
const File = "collected/notices.json"

// GoItself is the module under which the texts of Go's own library stand.
const GoItself = "Go and its standard library"

// Notice is what one module asks to be passed on.
type Notice struct {
	Module  string `json:"module"`
	Version string `json:"version"`
	Texts   []Text `json:"texts"`
}

// Text is one file of a module.
type Text struct {
	File string `json:"file"`
	Text string `json:"text"`
}

// Print writes the notices of every module of the build. It fails if one is not there.
func Print(w io.Writer, from fs.FS, build *debug.BuildInfo) error {
	data, err := fs.ReadFile(from, File)
	if errors.Is(err, fs.ErrNotExist) {
		return errors.New("the licences were not collected: build with `make build`")
	}
	if err != nil {
		return fmt.Errorf("read the licences: %w", err)
	}
	var all []Notice
	if err := json.Unmarshal(data, &all); err != nil {
		return fmt.Errorf("read the licences: %w; build with `make build`", err)
	}
	has := map[string]bool{}
	for _, n := range all {
		has[n.Module+" "+n.Version] = len(n.Texts) > 0
	}
	wants := []string{GoItself + " " + build.GoVersion}
	for _, m := range build.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		wants = append(wants, m.Path+" "+m.Version)
	}
	for _, want := range wants {
		if !has[want] {
			return fmt.Errorf("the licence of %s was not collected; build with `make build`", want)
		}
	}
	out := bufio.NewWriter(w)
	for _, n := range all {
		for _, t := range n.Texts {
			line := fmt.Sprintf("%s %s, %s", n.Module, n.Version, t.File)
			fmt.Fprintf(out, "%s\n%s\n\n%s\n\n", line, strings.Repeat("=", len(line)), strings.TrimSpace(t.Text))
		}
	}
	return out.Flush()
}
