package salvage

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"cannulary/internal/erasure"
	"cannulary/internal/keyring"
	"cannulary/internal/sqlitefile"
)

// KeyPart is what the key store holds.
type KeyPart struct {
	Text    string   `json:"text"`
	Damages []string `json:"damages"`
	// Mendable tells that each secret is whole in one of the files.
	Mendable bool `json:"mendable"`
}

// mendKeys makes the key store of the new folder, and takes the list of erasures along.
func mendKeys(ctx context.Context, o Options) (m keyring.Mended, err error) {
	list, err := erasure.Read(filepath.Join(o.Dir, erasure.FileName))
	if err != nil {
		return m, err
	}
	last := erasure.Last(list)
	erased := func(key string) bool { return last[key] == erasure.Begun || last[key] == erasure.Done }
	if m, err = keyring.Mend(ctx, filepath.Join(o.Dir, KeyFolder), filepath.Join(o.Into, KeyFolder), o.Keys, erased); err != nil {
		return m, fmt.Errorf("%w; give a backup of the keys with --keys-from", err)
	}
	for _, e := range list {
		err = errors.Join(err, erasure.Append(filepath.Join(o.Into, erasure.FileName), e))
	}
	return m, err
}

// keys looks at both files of the key store.
func (s *salvage) keys(ctx context.Context) KeyPart {
	p := KeyPart{Damages: []string{}}
	const repair = "; `cannulary repair` takes what is damaged from the other file, or from a backup (--keys-from)"
	damaged, read := map[string]int{}, 0
	for i, name := range keyring.FileNames {
		path := filepath.Join(s.found.Dir, KeyFolder, name)
		n, bad, err := keyring.Check(ctx, path, s.fingerprint, s.sealed)
		switch {
		case errors.Is(err, sqlitefile.ErrPending):
			p.Text, p.Mendable = "not looked at: "+err.Error(), true
			return p
		case errors.Is(err, fs.ErrNotExist) && i > 0: // a store of an older version has no copy
			continue
		case errors.Is(err, fs.ErrNotExist):
			p.Damages = append(p.Damages, fmt.Sprintf("the key store %s is gone", path)+repair)
			continue
		case err != nil:
			p.Damages = append(p.Damages, fmt.Sprintf("the key store %s is damaged: %v", path, err)+repair)
			continue
		case len(bad) > 0:
			p.Damages = append(p.Damages, fmt.Sprintf("the key store %s: %d of %d secrets are damaged (%s)", path, len(bad), n,
				strings.Join(bad, ", "))+repair)
		}
		read++
		for _, b := range bad {
			damaged[b]++
		}
		p.Text = fmt.Sprintf("%d keys", n)
	}
	p.Mendable = read > 0
	for _, n := range damaged {
		p.Mendable = p.Mendable && n < read
	}
	return p
}
