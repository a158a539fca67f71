package keyring_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cannulary/internal/keyring"
)

// spoil changes one bit of a secret in one file of a closed store.
func spoil(t *testing.T, path string, secret []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(b, secret)
	if at < 0 {
		t.Fatalf("the secret is not in %s", path)
	}
	b[at+3] ^= 4
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func open(t *testing.T, dir string) (*keyring.Ring, keyring.Store) {
	t.Helper()
	store, err := keyring.OpenFolder(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	ring, err := keyring.Open(context.Background(), store)
	if err != nil {
		t.Fatal(err)
	}
	return ring, store
}

// A key that is damaged in one file is read from the other one. Damaged in both it is said to be so, opens
// nothing and is never replaced.
func TestADamagedKeyIsReadFromItsCopyAndNeverReplaced(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	ring, store := open(t, dir)
	sealed, err := ring.Seal(ctx, patient, []byte("invented name"))
	if err != nil {
		t.Fatal(err)
	}
	secret, err := store.Get(ctx, "patient."+patient)
	if err != nil {
		t.Fatal(err)
	}
	print := ring.Fingerprint()
	check := func(name string, want ...string) {
		t.Helper()
		n, bad, err := keyring.Check(ctx, filepath.Join(dir, name), print, map[string][]byte{patient: sealed})
		if err != nil || n != 2 || len(bad) != len(want) || len(want) > 0 && bad[0] != want[0] {
			t.Errorf("%s: %d secrets, bad %v, %v; want bad %v", name, n, bad, err, want)
		}
	}
	for i, name := range keyring.FileNames {
		if err := ring.Close(); err != nil {
			t.Fatal(err)
		}
		check(name)
		spoil(t, filepath.Join(dir, name), secret)
		check(name, "patient."+patient)
		ring, _ = open(t, dir)
		unreadable, halved, err := ring.Look(ctx)
		if want := []string{"patient." + patient}; err != nil || i == 0 && (len(unreadable) > 0 || !slices.Equal(halved, want)) ||
			i == 1 && (!slices.Equal(unreadable, want) || len(halved) > 0) {
			t.Errorf("a look after damage in %d files finds %v unreadable, %v in one file, %v", i+1, unreadable, halved, err)
		}
		plain, err := ring.Unseal(ctx, patient, sealed)
		if i == 0 {
			if err != nil || string(plain) != "invented name" {
				t.Errorf("with the copy it opens as %q, %v", plain, err)
			}
			continue
		}
		if !errors.Is(err, keyring.ErrDamaged) || !ring.Damaged(ctx, patient) {
			t.Errorf("damaged in both it opens as %q, %v", plain, err)
		}
		if _, err := ring.Seal(ctx, patient, []byte("new")); !errors.Is(err, keyring.ErrDamaged) {
			t.Errorf("it seals: %v", err)
		}
	}
	if unreadable, _ := ring.Damage(); unreadable != 1 {
		t.Errorf("%d damages are counted", unreadable)
	}
	// Noticed on use, without a look.
	if err := ring.Close(); err != nil {
		t.Fatal(err)
	}
	ring, _ = open(t, dir)
	_, first := ring.Unseal(ctx, patient, sealed)
	if unreadable, _ := ring.Damage(); unreadable != 1 || !errors.Is(first, keyring.ErrDamaged) {
		t.Errorf("on use %d damages are counted, %v", unreadable, first)
	}
	// An erasure ends it.
	if err := ring.Destroy(ctx, patient); err != nil {
		t.Fatal(err)
	}
	if _, err := ring.Unseal(ctx, patient, sealed); !errors.Is(err, keyring.ErrNoKey) {
		t.Errorf("after the erasure: %v", err)
	}
	if err := ring.Close(); err != nil {
		t.Fatal(err)
	}
	for _, name := range keyring.FileNames {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || bytes.Contains(b, secret[8:]) {
			t.Errorf("%s still holds the key (%v)", name, err)
		}
	}
}
