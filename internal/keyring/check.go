package keyring

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"

	"cannulary/internal/sqlitefile"
)

// Check looks at a closed key store's file and changes nothing. n is how many secrets it holds. bad names
// those that cannot be right: they do not agree with their checksum, do not open the value that was sealed for their
// patient, or, for the site secret, have another fingerprint. Without sealed values or a fingerprint
// nobody can tell. The error says what is wrong with the file; it is fs.ErrNotExist where there is none.
func Check(ctx context.Context, path, fingerprint string, sealed map[string][]byte) (n int, bad []string, err error) {
	if _, err := os.Stat(path); err != nil {
		return 0, nil, err
	}
	db, err := sqlitefile.LookSecret(path)
	if err != nil {
		return 0, nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var found string
	if err := db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found); err != nil || found != "ok" {
		return 0, nil, errors.Join(err, fmt.Errorf("it is not as SQLite wrote it: %s", found))
	}
	rows, err := secrets(ctx, db.DB)
	if err != nil {
		return 0, nil, err
	}
	kept := memory{}
	for _, x := range rows {
		if kept[x.name] = x.value; len(x.value) != SecretSize || x.sum != nil && !x.whole() {
			bad = append(bad, x.name)
		}
	}
	r := newRing(kept, kept[siteSecret])
	if fingerprint != "" && r.Fingerprint() != fingerprint && !slices.Contains(bad, siteSecret) {
		bad = append(bad, siteSecret)
	}
	for patient, value := range sealed {
		if _, ok := kept[name(patient)]; !ok {
			continue // destroyed: an erasure
		}
		// Of a patient who was erased and reopened, older values never open again.
		if _, err := r.Unseal(ctx, patient, value); err != nil && !errors.Is(err, ErrNoKey) && !slices.Contains(bad, name(patient)) {
			bad = append(bad, name(patient))
		}
	}
	slices.Sort(bad)
	return len(kept), bad, nil
}

// memory are secrets that were read; a damaged one is empty.
type memory map[string][]byte

func (m memory) Get(_ context.Context, name string) ([]byte, error) {
	v, ok := m[name]
	switch {
	case !ok:
		return nil, ErrNoKey
	case len(v) == 0:
		return nil, ErrDamaged
	}
	return v, nil
}

func (m memory) Create(ctx context.Context, name string, _ []byte) ([]byte, error) {
	return m.Get(ctx, name)
}

func (m memory) Look(context.Context) (unreadable, halved []string, err error) {
	return nil, nil, errors.ErrUnsupported
}

func (m memory) Destroy(context.Context, string) error { return errors.ErrUnsupported }

func (m memory) Close() error { return nil }
