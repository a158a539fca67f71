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
// those that cannot be right: they have not their size, do not open the value that was sealed for their
// patient, or, for the site secret, have another fingerprint. Without sealed values or a fingerprint
// nobody can tell. The error says what is wrong with the file; it is fs.ErrNotExist where there is none.
func Check(ctx context.Context, path, fingerprint string, sealed map[string][]byte) (n int, bad []string, err error) {
	if _, err := os.Stat(path); err != nil {
		return 0, nil, err
	}
	db, err := sqlitefile.Look(path)
	if err != nil {
		return 0, nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var found string
	if err := db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found); err != nil || found != "ok" {
		return 0, nil, errors.Join(err, fmt.Errorf("it is not as SQLite wrote it: %s", found))
	}
	secrets := memory{}
	rows, err := db.QueryContext(ctx, `SELECT name, value FROM secret`)
	if err != nil {
		return 0, nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var name string
		var value []byte
		if err := rows.Scan(&name, &value); err != nil {
			return 0, nil, err
		}
		if secrets[name] = value; len(value) != SecretSize {
			bad = append(bad, name)
		}
	}
	if err := rows.Err(); err != nil {
		return 0, nil, err
	}
	r := &Ring{store: secrets, secret: secrets[siteSecret], cache: map[string][]byte{}}
	if fingerprint != "" && r.Fingerprint() != fingerprint {
		bad = append(bad, siteSecret)
	}
	for patient, value := range sealed {
		if _, ok := secrets[name(patient)]; !ok {
			continue // destroyed: an erasure
		}
		if _, err := r.Unseal(ctx, patient, value); err != nil && !slices.Contains(bad, name(patient)) {
			bad = append(bad, name(patient))
		}
	}
	slices.Sort(bad)
	return len(secrets), bad, nil
}

// memory are secrets that were read.
type memory map[string][]byte

func (m memory) Get(_ context.Context, name string) ([]byte, error) {
	if v, ok := m[name]; ok {
		return v, nil
	}
	return nil, ErrNoKey
}

func (m memory) Create(ctx context.Context, name string, _ []byte) ([]byte, error) {
	return m.Get(ctx, name)
}

func (m memory) Destroy(context.Context, string) error { return errors.ErrUnsupported }

func (m memory) Close() error { return nil }
