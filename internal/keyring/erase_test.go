package keyring_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cannulary/internal/keyring"
)

// SQLite splits and joins pages as a store grows, which may leave an old copy of a row in the unused part of a page. Of a destroyed
// key none may be left in any file, however the store grew.
func TestADestroyedKeyIsInNoFileHoweverTheStoreGrew(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	store, err := keyring.OpenFolder(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	const n = 400
	order := rand.New(rand.NewPCG(1, 2)).Perm(n)
	name := func(i int) string { return fmt.Sprintf("patient.%x", sha256.Sum256([]byte{byte(i), byte(i >> 8)})) }
	secret := func(i int) []byte {
		sum := sha256.Sum256([]byte(name(i)))
		return sum[:]
	}
	for _, i := range order {
		if _, err := store.Create(ctx, name(i), secret(i)); err != nil {
			t.Fatal(err)
		}
	}
	left := func(i int) (where []string) {
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			b, err := os.ReadFile(filepath.Join(dir, f.Name()))
			if err != nil {
				t.Fatal(err)
			}
			for at := 0; at+8 <= keyring.SecretSize; at += 8 {
				if bytes.Contains(b, secret(i)[at:at+8]) {
					where = append(where, fmt.Sprintf("%s has bytes %d to %d", f.Name(), at, at+8))
				}
			}
		}
		return where
	}
	if len(left(0)) == 0 {
		t.Fatal("a key that is there is not found in any file: the search proves nothing")
	}
	for n, i := range rand.New(rand.NewPCG(3, 4)).Perm(n)[:n-50] {
		if err := store.Destroy(ctx, name(i)); err != nil {
			t.Fatal(err)
		}
		if where := left(i); len(where) > 0 {
			t.Fatalf("after %d keys were destroyed: %v", n+1, where)
		}
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
}
