package keyring

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"cannulary/internal/sqlitefile"
)

// Secret is one secret of a store, for a copy of the store.
type Secret struct {
	Name  string `json:"name"`
	Value []byte `json:"value"`
}

// Read reads every secret of the store in a folder, from the file in which it is whole, and changes
// nothing. running says that a service has the store open. damaged names the secrets that are whole in
// neither file.
func Read(ctx context.Context, dir string, running bool) (all []Secret, damaged []string, err error) {
	kept, bad := memory{}, map[string]bool{}
	for i, name := range FileNames {
		rows, err := readFile(ctx, filepath.Join(dir, name), running)
		if errors.Is(err, fs.ErrNotExist) && i > 0 { // a store of an older version has no copy
			continue
		}
		if err != nil {
			return nil, nil, fmt.Errorf("key store %s: %w", filepath.Join(dir, name), err)
		}
		for _, x := range rows {
			if x.sum == nil || x.whole() { // an older version wrote no checksum
				kept[x.name] = x.value
			} else {
				bad[x.name] = true
			}
		}
	}
	for name, value := range kept {
		all = append(all, Secret{name, value})
		delete(bad, name)
	}
	slices.SortFunc(all, func(a, b Secret) int { return strings.Compare(a.Name, b.Name) })
	for name := range bad {
		damaged = append(damaged, name)
	}
	slices.Sort(damaged)
	return all, damaged, nil
}

func readFile(ctx context.Context, path string, running bool) (rows []secret, err error) {
	look := sqlitefile.LookSecret
	if running {
		look = sqlitefile.LookBeside
	}
	db, err := look(path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return secrets(ctx, db.DB)
}

// Looking is a ring of what Read returned. It makes no secrets and destroys none.
func Looking(all []Secret, damaged []string) (*Ring, error) {
	kept := memory{}
	for _, name := range damaged {
		kept[name] = nil
	}
	for _, s := range all {
		kept[s.Name] = s.Value
	}
	if len(kept[siteSecret]) != SecretSize {
		return nil, errors.New("the site secret is missing or damaged: restore the key store from its backup")
	}
	return &Ring{store: kept, secret: kept[siteSecret], cache: map[string][]byte{}}, nil
}

// Write makes a key store with these secrets in a folder that has none.
func Write(ctx context.Context, dir string, all []Secret) (err error) {
	store, err := OpenFolder(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	for _, s := range all {
		if _, err := store.Create(ctx, s.Name, s.Value); err != nil {
			return fmt.Errorf("write the key store: %w", err)
		}
	}
	return nil
}
