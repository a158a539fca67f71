package keyring_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
)

const (
	patient = "0123456789abcdef0123456789abcdef"
	another = "fedcba9876543210fedcba9876543210"
)

// stores opens each kind of store; calling open again opens the same store anew.
func stores(t *testing.T) map[string]func() keyring.Store {
	t.Helper()
	dir := t.TempDir()
	js := bucket(t)
	return map[string]func() keyring.Store{
		"folder": func() keyring.Store {
			s, err := keyring.OpenFolder(testkit.Context(t), dir)
			return opened(t, s, err)
		},
		"bucket": func() keyring.Store {
			s, err := keyring.OpenBucket(testkit.Context(t), js, "keys", 1, master(1))
			return opened(t, s, err)
		},
	}
}

func opened(t *testing.T, s keyring.Store, err error) keyring.Store {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func bucket(t *testing.T) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(testkit.Connect(t, testkit.Server(t, t.TempDir())))
	if err != nil {
		t.Fatal(err)
	}
	return js
}

func master(n byte) []byte { return bytes.Repeat([]byte{n}, keyring.SecretSize) }

func ring(t *testing.T, s keyring.Store) *keyring.Ring {
	t.Helper()
	r, err := keyring.Open(testkit.Context(t), s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func seal(t *testing.T, r *keyring.Ring, key, plain string) []byte {
	t.Helper()
	b, err := r.Seal(testkit.Context(t), key, []byte(plain))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestSealing goes through the life of a sealed value on each kind of store.
func TestSealing(t *testing.T) {
	for name, open := range stores(t) {
		t.Run(name, func(t *testing.T) {
			ctx := testkit.Context(t)
			r := ring(t, open())
			if _, err := r.Unseal(ctx, patient, make([]byte, 100)); !errors.Is(err, keyring.ErrNoKey) {
				t.Errorf("a patient without a key: %v", err)
			}
			const plain = "Invented, Example; born 1961-05-17"
			one, two := seal(t, r, patient, plain), seal(t, r, patient, plain)
			if bytes.Contains(one, []byte("Invented")) || bytes.Equal(one, two) {
				t.Error("the sealed value shows what is in it, or that it was sealed before")
			}
			foreign := seal(t, r, another, plain)
			for what, c := range map[string]struct {
				key    string
				sealed []byte
				want   error
			}{
				"whole":                       {patient, one, nil},
				"sealed a second time":        {patient, two, nil},
				"another patient's":           {patient, foreign, keyring.ErrUnreadable},
				"with another patient's key":  {another, one, keyring.ErrUnreadable},
				"one bit changed":             {patient, flip(one, len(one)-1), keyring.ErrUnreadable},
				"one bit of the nonce":        {patient, flip(one, 0), keyring.ErrUnreadable},
				"cut off":                     {patient, one[:len(one)-1], keyring.ErrUnreadable},
				"shorter than a nonce":        {patient, one[:5], keyring.ErrUnreadable},
				"nothing":                     {patient, nil, keyring.ErrUnreadable},
				"of a patient never heard of": {strings.Repeat("0", 32), one, keyring.ErrNoKey},
			} {
				got, err := r.Unseal(ctx, c.key, c.sealed)
				if !errors.Is(err, c.want) || c.want == nil && string(got) != plain {
					t.Errorf("%s: %q, %v; want %v", what, got, err, c.want)
				}
			}
			again := ring(t, open())
			if got, err := again.Unseal(ctx, patient, one); err != nil || string(got) != plain {
				t.Errorf("after reopening: %q, %v", got, err)
			}
			if again.Fingerprint() != r.Fingerprint() || len(r.Fingerprint()) != 16 ||
				again.PatientKey("urn:x", "1") != r.PatientKey("urn:x", "1") {
				t.Error("after reopening the site secret is another")
			}
			erase(t, r, open, one, foreign)
		})
	}
}

// erase destroys the first patient's key and checks who can still read what.
func erase(t *testing.T, r *keyring.Ring, open func() keyring.Store, mine, foreign []byte) {
	t.Helper()
	ctx := testkit.Context(t)
	for range 2 { // a second time is no error
		if err := r.Destroy(ctx, patient); err != nil {
			t.Fatal(err)
		}
	}
	for what, x := range map[string]*keyring.Ring{"the same ring": r, "another ring": ring(t, open())} {
		if _, err := x.Unseal(ctx, patient, mine); !errors.Is(err, keyring.ErrNoKey) {
			t.Errorf("%s, after the key was destroyed: %v", what, err)
		}
		if _, err := x.Unseal(ctx, another, foreign); err != nil {
			t.Errorf("%s, the other patient: %v", what, err)
		}
	}
	// Nothing new is sealed until somebody reopens it.
	for what, x := range map[string]*keyring.Ring{"the same ring": r, "another ring": ring(t, open())} {
		if _, err := x.Seal(ctx, patient, []byte("again")); !errors.Is(err, keyring.ErrErased) {
			t.Errorf("%s seals after the erasure: %v", what, err)
		}
	}
	if err := r.Reopen(ctx, patient); err != nil {
		t.Fatal(err)
	}
	later := seal(t, r, patient, "after the erasure")
	if got, err := r.Unseal(ctx, patient, later); err != nil || string(got) != "after the erasure" {
		t.Errorf("what is sealed after the erasure: %q, %v", got, err)
	}
	if _, err := r.Unseal(ctx, patient, mine); !errors.Is(err, keyring.ErrNoKey) {
		t.Errorf("the erased value with the new key: %v", err)
	}
}

func flip(b []byte, at int) []byte {
	out := bytes.Clone(b)
	out[at] ^= 1
	return out
}

// TestConcurrentCreateAgrees makes the same secret from many sides at once: all get the
// one that is stored.
func TestConcurrentCreateAgrees(t *testing.T) {
	for name, open := range stores(t) {
		t.Run(name, func(t *testing.T) {
			const sides = 16
			got := make([][]byte, sides)
			prints := make([]string, sides)
			var wg sync.WaitGroup
			for i := range sides {
				s := open()
				wg.Add(1)
				go func() {
					defer wg.Done()
					var err error
					if got[i], err = s.Create(context.Background(), "patient."+patient, master(byte(i))); err != nil {
						t.Error(err)
					}
					r, err := keyring.Open(context.Background(), s)
					if err != nil {
						t.Error(err)
						return
					}
					prints[i] = r.Fingerprint()
				}()
			}
			wg.Wait()
			stored, err := open().Get(testkit.Context(t), "patient."+patient)
			if err != nil {
				t.Fatal(err)
			}
			for i := range sides {
				if !bytes.Equal(got[i], stored) || prints[i] != prints[0] {
					t.Errorf("side %d has another secret", i)
				}
			}
		})
	}
}

// TestConcurrentSealsOpen seals a new patient's first values from two rings at once: each
// opens with either.
func TestConcurrentSealsOpen(t *testing.T) {
	for name, open := range stores(t) {
		t.Run(name, func(t *testing.T) {
			rings := []*keyring.Ring{ring(t, open()), ring(t, open())}
			sealed := make([][]byte, 20)
			var wg sync.WaitGroup
			for i := range sealed {
				wg.Add(1)
				go func() {
					defer wg.Done()
					var err error
					if sealed[i], err = rings[i%2].Seal(context.Background(), patient, []byte{byte(i)}); err != nil {
						t.Error(err)
					}
				}()
			}
			wg.Wait()
			for i, b := range sealed {
				for j, r := range rings {
					if got, err := r.Unseal(testkit.Context(t), patient, b); err != nil || got[0] != byte(i) {
						t.Errorf("value %d with ring %d: %v, %v", i, j, got, err)
					}
				}
			}
		})
	}
}

// slow is a store whose next answer to Get is held back, as that of a busy disk, until
// the test lets it go.
type slow struct {
	keyring.Store
	read, letGo chan struct{}
}

func (s *slow) Get(ctx context.Context, name string) ([]byte, error) {
	key, err := s.Store.Get(ctx, name)
	if s.read != nil {
		close(s.read)
		<-s.letGo
	}
	return key, err
}

// TestDestroyIsNotUndoneByAReader destroys a key while it is being read: whoever read it
// may still use it for that once, but it must not live on in memory.
func TestDestroyIsNotUndoneByAReader(t *testing.T) {
	folder, err := keyring.OpenFolder(testkit.Context(t), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	store := &slow{Store: opened(t, folder, nil)}
	sealed := seal(t, ring(t, store), patient, "x")
	r := ring(t, store) // has read no key yet
	store.read, store.letGo = make(chan struct{}), make(chan struct{})
	done := make(chan error)
	go func() {
		_, err := r.Unseal(context.Background(), patient, sealed)
		done <- err
	}()
	<-store.read
	if err := r.Destroy(testkit.Context(t), patient); err != nil {
		t.Fatal(err)
	}
	close(store.letGo)
	if err := <-done; err != nil {
		t.Errorf("the one who had read it: %v", err)
	}
	store.read = nil
	if _, err := r.Unseal(testkit.Context(t), patient, sealed); !errors.Is(err, keyring.ErrNoKey) {
		t.Errorf("after the key was destroyed: %v", err)
	}
}

// TestFolderIsItsOwnersAlone checks the modes of everything in the folder, and that a
// destroyed key is in none of its files.
func TestFolderIsItsOwnersAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	s, err := keyring.OpenFolder(testkit.Context(t), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	secret := []byte("a secret of thirty-two characters")[:keyring.SecretSize]
	if _, err := s.Create(testkit.Context(t), "patient."+patient, secret); err != nil {
		t.Fatal(err)
	}
	files := func() (found bool) {
		t.Helper()
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) == 0 {
			t.Fatal(entries, err)
		}
		for _, e := range entries {
			info, err := e.Info()
			if err != nil {
				t.Fatal(err)
			}
			if info.Mode().Perm() != 0o600 {
				t.Errorf("%s has mode %v", e.Name(), info.Mode())
			}
			data, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			found = found || bytes.Contains(data, secret)
		}
		return found
	}
	if !files() {
		t.Error("the secret is in no file: the check after this one would prove nothing")
	}
	if info, err := os.Stat(dir); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the folder: %v, %v", info.Mode(), err)
	}
	if err := s.Destroy(testkit.Context(t), "patient."+patient); err != nil {
		t.Fatal(err)
	}
	if files() {
		t.Error("the destroyed secret is still on disk")
	}
}

// TestBucketNeedsItsMasterKey opens a bucket with another master key, and one too short.
func TestBucketNeedsItsMasterKey(t *testing.T) {
	js := bucket(t)
	open := func(key []byte) (keyring.Store, error) {
		return keyring.OpenBucket(testkit.Context(t), js, "keys", 1, key)
	}
	s, err := open(master(1))
	if err != nil {
		t.Fatal(err)
	}
	r := ring(t, s)
	sealed := seal(t, r, patient, "x")
	wrong, err := open(master(2))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := keyring.Open(testkit.Context(t), wrong); !errors.Is(err, keyring.ErrUnreadable) ||
		!strings.Contains(err.Error(), "is this the master key that the bucket was made with?") {
		t.Errorf("another master key: %v", err)
	}
	if unreadable, _, err := wrong.Look(testkit.Context(t)); err != nil || len(unreadable) != 2 {
		t.Errorf("a look with another master key finds %v, %v", unreadable, err)
	}
	if unreadable, halved, err := s.Look(testkit.Context(t)); err != nil || len(unreadable)+len(halved) > 0 {
		t.Errorf("a look at whole keys finds %v %v, %v", unreadable, halved, err)
	}
	if _, err := open(master(1)[:16]); err == nil || !strings.Contains(err.Error(), "has 16 bytes, not 32") {
		t.Errorf("a short master key: %v", err)
	}
	if got, err := ring(t, s).Unseal(testkit.Context(t), patient, sealed); err != nil || string(got) != "x" {
		t.Errorf("with the right one afterwards: %q, %v", got, err)
	}
	kv, err := js.KeyValue(testkit.Context(t), "keys")
	if err != nil {
		t.Fatal(err)
	}
	e, err := kv.Get(testkit.Context(t), "site.secret")
	if err != nil || len(e.Value()) <= keyring.SecretSize {
		t.Errorf("the bucket holds the site secret unwrapped: %d bytes, %v", len(e.Value()), err)
	}
}

// TestKeysDependOnEveryPart keeps patients apart whose identifiers run together.
func TestKeysDependOnEveryPart(t *testing.T) {
	r := testkit.Ring(t, t.TempDir())
	seen := map[string]string{}
	for _, id := range [][2]string{{"urn:x", "1"}, {"urn:x1", ""}, {"", "urn:x1"}, {"urn:x", "2"}, {"urn:y", "1"}, {"1", "urn:x"}} {
		k := r.PatientKey(id[0], id[1])
		if len(k) != 32 || seen[k] != "" {
			t.Errorf("%v has key %q, as %s", id, k, seen[k])
		}
		seen[k] = id[0] + "|" + id[1]
	}
	other := testkit.Ring(t, t.TempDir())
	if other.PatientKey("urn:x", "1") == r.PatientKey("urn:x", "1") || other.Fingerprint() == r.Fingerprint() ||
		bytes.Equal(other.ContentHash([]byte("x")), r.ContentHash([]byte("x"))) {
		t.Error("two sites have the same secret")
	}
	if bytes.Equal(r.ContentHash([]byte("x")), r.ContentHash([]byte("y"))) || len(r.ContentHash(nil)) != 32 {
		t.Error("the content's hash does not depend on the content")
	}
}
