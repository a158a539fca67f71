package main

import (
	"encoding/json"
	"strings"
	"testing"
)

const mit = `Copyright (c) 2026 Somebody

Permission is hereby granted, free of charge, to any person obtaining a copy of this software and associated documentation files (the "Software"), to deal in the Software without restriction, including without limitation the rights to use, copy, modify, merge, publish, distribute, sublicense, and/or sell copies of the Software, and to permit persons to whom the Software is furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in all copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND, EXPRESS OR IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY, FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM, OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN THE SOFTWARE.`

const gpl = `This program is free software; you can redistribute it and/or modify it under the terms of the GNU General Public License as published by the Free Software Foundation; either version 2 of the License, or (at your option) any later version.`

func TestWhatIsAllowed(t *testing.T) {
	for name, c := range map[string]struct {
		module, file, text string
		says               string // empty: allowed
	}{
		"MIT":                  {"example.org/a", "LICENSE", mit, ""},
		"with a notice beside": {"example.org/a", "NOTICE", "Somebody made this.", "has no licence"},
		"GPL":                  {"example.org/a", "COPYING", gpl, "GPL-2.0-or-later is not allowed"},
		"both":                 {"example.org/a", "LICENSE", mit + "\n" + gpl, "GPL-2.0-or-later is not allowed"},
		"a text of its own":    {"example.org/a", "LICENSE", "You may do as you like.", "only 0 % of the text is a known licence"},
		"a condition more":     {"example.org/a", "LICENSE", mit + strings.Repeat(" It shall not be used by those whom the author does not like.", 20), "read it, and allow it by name"},
		"known by name":        {"modernc.org/sqlite", "LICENSE-SQLITE", "All of the code and documentation in SQLite has been dedicated to the\npublic domain", ""},
		"known for another":    {"example.org/a", "LICENSE-SQLITE", "All of the code and documentation in SQLite has been dedicated to the\npublic domain", "only 0 %"},
		"known, then changed":  {"modernc.org/sqlite", "LICENSE-SQLITE", "All of the code and documentation in SQLite is ours", "only 0 %"},
	} {
		data, err := json.Marshal([]map[string]any{{"module": c.module, "version": "v1", "texts": []map[string]string{{"file": c.file, "text": c.text}}}})
		if err != nil {
			t.Fatal(err)
		}
		err = check(data)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), c.module+" v1")) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	if err := check([]byte(`[{"module":"example.org/a","version":"v1"}]`)); err == nil || !strings.Contains(err.Error(), "example.org/a v1 has no licence") {
		t.Errorf("a module without a text: %v", err)
	}
	if err := check([]byte("[]")); err == nil {
		t.Error("no notices at all pass")
	}
}
