package downtime

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/durable"
)

// Result is what a pack holds.
type Result struct {
	Cards int    `json:"cards"`
	Held  int    `json:"held"` // cards with an open hold
	Out   string `json:"out"`
}

// Check reports whether a pack may be written to dir. dir must not exist or be an empty folder,
// and its parent folder must exist.
func Check(dir string) error {
	if dir == "" {
		return errors.New("no folder is named for the pack; give one that does not exist yet")
	}
	parent, err := os.Stat(filepath.Dir(filepath.Clean(dir)))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the folder %s, in which %s would lie, does not exist; make it first", filepath.Dir(filepath.Clean(dir)), dir)
	case err != nil:
		return fmt.Errorf("look at %s: %w", filepath.Dir(filepath.Clean(dir)), err)
	case !parent.IsDir():
		return fmt.Errorf("%s is a file, not a folder; give a folder that does not exist yet", filepath.Dir(filepath.Clean(dir)))
	}
	info, err := os.Lstat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("look at %s: %w", dir, err)
	case !info.IsDir():
		return fmt.Errorf("%s exists and is not a folder; give a folder that does not exist yet", dir)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("look into %s: %w", dir, err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("the folder %s exists and is not empty, and an older pack is never mixed with a newer one; give a folder that "+
			"does not exist yet", dir)
	}
	return nil
}

// fileName returns the name of a card's file. It contains no patient name and no identifier,
// only the id that the service gave the patient. It fails for any other id.
func fileName(c card.Card) (string, error) {
	id := c.Patient.ID
	ok := id != "" && len(id) <= 128
	for _, r := range id {
		ok = ok && (r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == '-' || r == '_')
	}
	if !ok {
		return "", fmt.Errorf("a card has the patient id %.60q, which cannot be a file name; do both sides run the same version?", id)
	}
	return "card-" + id + ".html", nil
}

// Write makes the pack in dir: a file for each card, index.html, print.html with everything that is to be
// printed, and cards.json. The pack appears
// as a whole or not at all: it is written beside dir and renamed. It contains names, so only the
// owner can read its folder and files.
func Write(dir string, cards []card.Card, printedAt time.Time, head string) (r Result, err error) {
	if err := Check(dir); err != nil {
		return Result{}, err
	}
	dir = filepath.Clean(dir)
	partial, err := os.MkdirTemp(filepath.Dir(dir), "."+filepath.Base(dir)+".partial-")
	if err != nil {
		return Result{}, fmt.Errorf("make a folder beside %s: %w", dir, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(partial))
		}
	}()
	sorted := byName(cards)
	if sorted == nil {
		sorted = []card.Card{}
	}
	r = Result{Cards: len(sorted), Out: dir}
	written := map[string]bool{}
	for _, c := range sorted {
		name, err := fileName(c)
		if err != nil {
			return Result{}, err
		}
		// Some file systems ignore the case of names.
		if low := strings.ToLower(name); written[low] {
			return Result{}, fmt.Errorf("two cards have the patient id %.60q; ask again", c.Patient.ID)
		} else {
			written[low] = true
		}
		if c.StandingHold {
			r.Held++
		}
		if err := put(partial, name, func(w io.Writer) error { return PrintCard(w, c, printedAt) }); err != nil {
			return Result{}, err
		}
	}
	if err := put(partial, "index.html", func(w io.Writer) error { return PrintIndex(w, sorted, printedAt, head) }); err != nil {
		return Result{}, err
	}
	if err := put(partial, "print.html", func(w io.Writer) error { return PrintAll(w, sorted, printedAt, head) }); err != nil {
		return Result{}, err
	}
	if err := put(partial, "cards.json", func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetEscapeHTML(false)
		return e.Encode(sorted)
	}); err != nil {
		return Result{}, err
	}
	if err := durable.Sync(partial); err != nil {
		return Result{}, err
	}
	// An empty folder of that name makes room. A folder that was filled meanwhile stays, and the
	// rename fails.
	if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Result{}, fmt.Errorf("make room for the pack at %s: %w", dir, err)
	}
	if err := os.Rename(partial, dir); err != nil {
		return Result{}, fmt.Errorf("put the finished pack to %s: %w", dir, err)
	}
	return r, durable.Sync(filepath.Dir(dir))
}

// put writes one file of the pack to the disk.
func put(dir, name string, content func(io.Writer) error) (err error) {
	var b bytes.Buffer
	if err := content(&b); err != nil {
		return fmt.Errorf("make %s: %w", name, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("write the pack: %w", err)
	}
	_, err = f.Write(b.Bytes())
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write the pack's %s: %w; is the disk full?", name, err)
	}
	return nil
}
