package keyring

import (
	"context"
	"errors"
	"fmt"
	"maps"
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
// neither file. A file that cannot be read at all is left out where the other one can.
func Read(ctx context.Context, dir string, running bool) (all []Secret, damaged []string, err error) {
	rows, err := readBoth(ctx, dir, running)
	if err != nil {
		return nil, nil, err
	}
	for _, x := range rows {
		if x.whole() {
			all = append(all, Secret{x.name, x.value})
		} else {
			damaged = append(damaged, x.name)
		}
	}
	return all, damaged, nil
}

// readBoth reads both files and gives each secret once, whole where it is whole in one of them, in the order
// of their names.
func readBoth(ctx context.Context, dir string, running bool) ([]secret, error) {
	found := map[string]secret{}
	var failed []error
	for _, name := range FileNames {
		rows, err := readFile(ctx, filepath.Join(dir, name), running)
		if err != nil {
			failed = append(failed, fmt.Errorf("key store %s: %w", filepath.Join(dir, name), err))
			continue
		}
		for _, x := range rows {
			if x.sum == nil { // an older version wrote no checksum
				x.sum = sumOf(x.name, x.value)
			}
			if y, ok := found[x.name]; !ok || x.whole() && !y.whole() {
				found[x.name] = x
			}
		}
	}
	if len(failed) == len(FileNames) || ctx.Err() != nil {
		return nil, errors.Join(failed...)
	}
	out := slices.Collect(maps.Values(found))
	slices.SortFunc(out, func(a, b secret) int { return strings.Compare(a.name, b.name) })
	return out, nil
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
	return newRing(kept, kept[siteSecret]), nil
}

// Write makes a key store with these secrets in a folder that has none.
func Write(ctx context.Context, dir string, all []Secret) error {
	rows := make([]secret, len(all))
	for i, s := range all {
		rows[i] = secret{s.Name, s.Value, sumOf(s.Name, s.Value)}
	}
	return writeBoth(ctx, dir, rows)
}

func writeBoth(ctx context.Context, dir string, rows []secret) (err error) {
	store, err := openFolder(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	for _, x := range rows {
		for _, db := range store.files {
			if _, err := db.ExecContext(ctx, `INSERT INTO secret (name, value, sum) VALUES (?, ?, ?)`, x.name, x.value, x.sum); err != nil {
				return fmt.Errorf("write the key store: %w", err)
			}
		}
	}
	return nil
}

// Mended is what Mend did.
type Mended struct {
	Secrets  int      `json:"secrets"`
	Restored []string `json:"restored"` // taken from the backup
	Damaged  []string `json:"damaged"`  // damaged still: nothing given has them whole
}

// Mend makes a key store in a new folder of the one in another folder, which stays as it is: each secret in
// both files, whole where anything has it whole. more are secrets of a backup; of those only what is damaged
// or gone is taken, and never the key of a patient who was erased. A secret that nothing has whole stays
// damaged, so that no new one takes its place.
func Mend(ctx context.Context, from, to string, more []Secret, erased func(patientKey string) bool) (Mended, error) {
	m := Mended{Restored: []string{}, Damaged: []string{}}
	rows, err := readBoth(ctx, from, false)
	if err != nil && len(more) == 0 {
		return m, err
	}
	at := map[string]int{}
	for i, x := range rows {
		at[x.name] = i
	}
	for _, s := range more {
		i, there := at[s.Name]
		patient, ofPatient := strings.CutPrefix(s.Name, name(""))
		_, gone := at[tombstone(patient)]
		if there && rows[i].whole() || ofPatient && (gone || erased(patient)) {
			continue
		}
		x := secret{s.Name, s.Value, sumOf(s.Name, s.Value)}
		if there {
			rows[i] = x
		} else {
			rows = append(rows, x)
		}
		m.Restored = append(m.Restored, s.Name)
	}
	for _, x := range rows {
		if !x.whole() {
			m.Damaged = append(m.Damaged, x.name)
		}
	}
	m.Secrets = len(rows)
	return m, writeBoth(ctx, to, rows)
}
