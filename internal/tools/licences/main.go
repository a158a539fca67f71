// Command licences reads the texts that internal/licences/collect collected and fails where one is not a licence
// that this project allows, or where a module has none.
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"

	"github.com/google/licensecheck"
)

// allowed are the licences that ask for no more than that their text is passed on, by their SPDX names. A new one
// is added by a person who has read it.
var allowed = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "FTL", "MIT", "OFL-1.1"}

// known are texts that the library does not recognise, each read by a person: where they stand, a sentence that
// tells them, and what they are.
var known = []struct{ module, file, says, what string }{
	{"github.com/ajstarks/svgo", "LICENSE", "Creative Commons Attribution 4.0 International Public License", "CC-BY-4.0: names its author, as the notices do"},
	{"github.com/ajstarks/svgo", "LICENSE-link.txt", "the Creative Commons Attribution 4.0 International license", "the same, by address"},
	{"github.com/golang/freetype", "LICENSE", "your choice of exactly one of the following two licenses: * The FreeType License",
		"the FreeType licence is chosen; its text is licenses/ftl.txt"},
	{"modernc.org/libc", "LICENSE-3RD-PARTY.md", "This repository contains code and assets acquired from third-party sources",
		"BSD and MIT, of Go, musl and others"},
	{"modernc.org/memory", "LICENSE-LOGO", "Memory_infra_logo.png", "a picture that is in no program"},
	{"modernc.org/sqlite", "LICENSE-3RD-PARTY.md", "MPL-2.0, appears here and only here", "BSD and MIT; what has MPL-2.0 is in no program"},
	{"modernc.org/sqlite", "LICENSE-SQLITE", "All of the code and documentation in SQLite has been dedicated to the public domain", "public domain"},
}

// least is the part of a licence text, in percent, that must be known words of a licence.
const least = 75

// other texts of a module are passed on, but are no licence by themselves.
var other = regexp.MustCompile(`(?i)(^|/)(notice|patents)[^/]*$`)

type notice struct {
	Module, Version string
	Texts           []struct{ File, Text string }
}

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: licences NOTICES.json")
		os.Exit(2)
	}
	data, err := os.ReadFile(os.Args[1])
	if err == nil {
		err = check(data)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// check names every text that is not allowed.
func check(data []byte) error {
	var all []notice
	if err := json.Unmarshal(data, &all); err != nil {
		return fmt.Errorf("read the notices: %w", err)
	}
	if len(all) == 0 {
		return errors.New("there are no notices; run make licences")
	}
	var bad []error
	for _, n := range all {
		licences := 0
		for _, t := range n.Texts {
			if other.MatchString(t.File) {
				continue
			}
			licences++
			if why := refused(n.Module, t.File, t.Text); why != "" {
				bad = append(bad, fmt.Errorf("%s %s, %s: %s", n.Module, n.Version, t.File, why))
			}
		}
		if licences == 0 {
			bad = append(bad, fmt.Errorf("%s %s has no licence", n.Module, n.Version))
		}
	}
	return errors.Join(bad...)
}

// refused says why a text is not allowed; empty where it is.
func refused(module, file, text string) string {
	for _, k := range known {
		if k.module == module && k.file == file && strings.Contains(strings.Join(strings.Fields(text), " "), k.says) {
			return ""
		}
	}
	cover := licensecheck.Scan([]byte(text))
	var names []string
	for _, m := range cover.Match {
		names = append(names, m.ID)
		if !slices.Contains(allowed, m.ID) {
			return fmt.Sprintf("%s is not allowed", m.ID)
		}
	}
	if len(names) == 0 || cover.Percent < least {
		return fmt.Sprintf("only %.0f %% of the text is a known licence %v; read it, and allow it by name", cover.Percent, names)
	}
	return ""
}
