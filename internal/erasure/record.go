package erasure

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"
)

// FileName is the file beside the log in which every erasure stands, one a line. It names patient keys,
// which are keyed hashes, and nobody.
const FileName = "erasures.ndjson"

// Entry is a line of the file.
type Entry struct {
	At   time.Time `json:"at"`
	What string    `json:"what"` // Begun, Done or Reopened
	Keys []string  `json:"keys"`
}

// What happened to keys.
const (
	Begun    = "begun"    // their destruction
	Done     = "done"     // they are destroyed, and the view was built again
	Reopened = "reopened" // an identity may be stated of them again
)

// Read reads the file; none is an empty one.
func Read(path string) (out []Entry, err error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the list of erasures: %w", err)
	}
	lines := bufio.NewScanner(bytes.NewReader(b))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		var e Entry
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil || !slices.Contains([]string{Begun, Done, Reopened}, e.What) {
			return nil, fmt.Errorf("line %d of %s is not an erasure: %.60q; restore the file from its copy, or remove that line if "+
				"it is not "+
				"whole", n, path, lines.Text())
		}
		out = append(out, e)
	}
	return out, lines.Err()
}

// Append adds a line, and returns once it is on the disk.
func Append(path string, e Entry) (err error) {
	b, err := json.Marshal(e)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("write down an erasure: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := f.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("write down an erasure: %w", err)
	}
	return f.Sync()
}

// Last is what happened last to each key.
func Last(list []Entry) map[string]string {
	out := map[string]string{}
	for _, e := range list {
		for _, k := range e.Keys {
			out[k] = e.What
		}
	}
	return out
}
