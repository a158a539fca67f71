// Command dictionary writes the dictionary with which the view packs its pages, from the
// resources that the tests of package fhir keep. Run it in internal/view, by go generate, and
// raise view.SchemaVersion: pages of before cannot be read with another dictionary.
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/klauspost/compress/zstd"
)

// golden is where the rendered resources are kept.
const golden = "../../fhir/testdata/golden"

// known is up to which part of its size a resource may take, packed with those taken before,
// to be left out: it says little that they do not say.
const known = 0.15

func main() {
	data, err := build()
	if err == nil {
		err = os.WriteFile("dictionary.ndjson", data, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "dictionary:", err)
		os.Exit(1)
	}
}

// build takes each resource that those taken before do not foretell. The last ones in the
// dictionary are the cheapest to refer to: the session's are the most frequent.
func build() ([]byte, error) {
	var all [][]byte
	for _, name := range []string{"session.json", "judgement.json", "parties.json", "reports.json", "kinds.ndjson"} {
		list, err := read(filepath.Join(golden, name))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		all = append(all, list...)
	}
	var taken [][]byte
	for _, body := range all {
		packed, err := size(bytes.Join(taken, nil), body)
		if err != nil {
			return nil, err
		}
		if float64(packed) > known*float64(len(body)) {
			taken = append(taken, append(body, '\n'))
		}
	}
	slices.Reverse(taken)
	return bytes.Join(taken, nil), nil
}

// read reads the bodies of a list of resources with what is known of each, or of one resource a line.
func read(file string) ([][]byte, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var list []json.RawMessage
	if filepath.Ext(file) == ".json" {
		var entries []struct{ Body json.RawMessage }
		if err := json.Unmarshal(data, &entries); err != nil {
			return nil, err
		}
		for _, e := range entries {
			list = append(list, e.Body)
		}
	} else {
		for line := range bytes.Lines(data) {
			list = append(list, bytes.TrimSpace(line))
		}
	}
	var out [][]byte
	for _, body := range list {
		var b bytes.Buffer
		if err := json.Compact(&b, body); err != nil {
			return nil, err
		}
		out = append(out, b.Bytes())
	}
	return out, nil
}

// size is how many bytes a body takes, packed with a dictionary.
func size(dictionary, body []byte) (int, error) {
	options := []zstd.EOption{zstd.WithEncoderConcurrency(1)}
	if len(dictionary) > 0 {
		options = append(options, zstd.WithEncoderDictRaw(1, dictionary))
	}
	e, err := zstd.NewWriter(nil, options...)
	if err != nil {
		return 0, err
	}
	return len(e.EncodeAll(body, nil)), e.Close()
}
