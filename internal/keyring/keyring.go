// Package keyring keeps what identifies a patient apart from the log. One site secret makes the
// patient keys, which are keyed hashes. One key for each patient seals identifying values.
// Destroying a patient's key makes every sealed value of that patient unreadable for ever, while
// the log stays whole.
//
// The package wraps golang.org/x/crypto; the store behind it is a folder on one node or a
// key-value bucket of the cluster.
package keyring

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"

	"golang.org/x/crypto/chacha20poly1305"
)

// SecretSize is the length of the site secret and of every patient's key, in bytes.
const SecretSize = 32

// Errors of a store and of opening.
var (
	// ErrNoKey says that there is no key for the patient: never made, or destroyed.
	ErrNoKey = errors.New("there is no key for this patient")
	// ErrUnreadable says that a sealed value does not open with the patient's key.
	ErrUnreadable = errors.New("the sealed value does not open: it was made with another key or damaged")
)

// Store keeps secrets durably. Names are made of lower-case letters, digits and dots.
type Store interface {
	// Get returns the secret of that name, or ErrNoKey.
	Get(ctx context.Context, name string) ([]byte, error)
	// Create stores a secret under a name that has none, and returns once it is durable.
	// If there is one already, that one is returned instead.
	Create(ctx context.Context, name string, secret []byte) ([]byte, error)
	// Destroy removes a secret for ever. Removing one that is not there is no error.
	Destroy(ctx context.Context, name string) error
	// Close releases the store.
	Close() error
}

// Ring makes patient keys and seals. It is safe for concurrent use.
type Ring struct {
	store  Store
	secret []byte

	mu        sync.Mutex
	cache     map[string][]byte // patient key → sealing key, bounded
	destroyed uint64            // counts destructions, so that the cache undoes none
}

// cacheLimit is the largest number of keys in memory. A unit has some hundred patients, a large
// network some ten thousand.
const cacheLimit = 20000

const siteSecret = "site.secret"

// Open reads the site secret from the store. It makes one in an empty store.
func Open(ctx context.Context, store Store) (*Ring, error) {
	fresh := make([]byte, SecretSize)
	if _, err := rand.Read(fresh); err != nil {
		return nil, fmt.Errorf("make a site secret: %w", err)
	}
	secret, err := store.Create(ctx, siteSecret, fresh)
	if err != nil {
		return nil, fmt.Errorf("read the site secret: %w", err)
	}
	if len(secret) != SecretSize {
		return nil, fmt.Errorf("the site secret has %d bytes, not %d: restore it from its backup", len(secret), SecretSize)
	}
	return &Ring{store: store, secret: secret, cache: map[string][]byte{}}, nil
}

// Fingerprint identifies the site secret without revealing it: 16 hexadecimal digits.
func (r *Ring) Fingerprint() string { return hex.EncodeToString(r.mac("fingerprint"))[:16] }

func (r *Ring) mac(parts ...string) []byte {
	h := hmac.New(sha256.New, r.secret)
	var n [8]byte
	for _, p := range parts {
		binary.BigEndian.PutUint64(n[:], uint64(len(p)))
		h.Write(n[:])
		h.Write([]byte(p))
	}
	return h.Sum(nil)
}

// PatientKey returns the keyed hash of an identifier: 32 hexadecimal digits. Without the site
// secret nobody can reverse it by trying all hospital numbers.
func (r *Ring) PatientKey(system, value string) string {
	return hex.EncodeToString(r.mac("patient", system, value)[:16])
}

// ContentHash returns the keyed hash of a message's content, 32 bytes.
func (r *Ring) ContentHash(content []byte) []byte { return r.mac("content", string(content)) }

// Seal encrypts plain so that only the patient's key opens it (XChaCha20-Poly1305, the patient
// key as associated data, a random nonce before the ciphertext). It makes the patient's key,
// durably, if there is none.
func (r *Ring) Seal(ctx context.Context, patientKey string, plain []byte) ([]byte, error) {
	key, err := r.key(ctx, patientKey, true)
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, fmt.Errorf("seal: %w", err)
	}
	nonce := make([]byte, aead.NonceSize(), aead.NonceSize()+len(plain)+aead.Overhead())
	if _, err := rand.Read(nonce); err != nil {
		return nil, fmt.Errorf("seal: %w", err)
	}
	return aead.Seal(nonce, nonce, plain, []byte(patientKey)), nil
}

// Unseal decrypts what Seal made. It returns ErrNoKey if the patient's key was destroyed, and
// ErrUnreadable if the value does not belong to it.
func (r *Ring) Unseal(ctx context.Context, patientKey string, sealed []byte) ([]byte, error) {
	key, err := r.key(ctx, patientKey, false)
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, fmt.Errorf("unseal: %w", err)
	}
	if len(sealed) < aead.NonceSize() {
		return nil, ErrUnreadable
	}
	plain, err := aead.Open(nil, sealed[:aead.NonceSize()], sealed[aead.NonceSize():], []byte(patientKey))
	if err != nil {
		return nil, ErrUnreadable
	}
	return plain, nil
}

// Destroy removes a patient's key: a lawful erasure.
func (r *Ring) Destroy(ctx context.Context, patientKey string) error {
	err := r.store.Destroy(ctx, name(patientKey))
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.cache, patientKey)
	r.destroyed++
	return err
}

// Destroyed counts the keys that this process has destroyed: what was opened before the count
// changed must not be shown any more.
func (r *Ring) Destroyed() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.destroyed
}

// Close releases the store.
func (r *Ring) Close() error { return r.store.Close() }

func name(patientKey string) string { return "patient." + patientKey }

func (r *Ring) key(ctx context.Context, patientKey string, create bool) ([]byte, error) {
	r.mu.Lock()
	key, ok := r.cache[patientKey]
	destroyed := r.destroyed
	r.mu.Unlock()
	if ok {
		return key, nil
	}
	key, err := r.store.Get(ctx, name(patientKey))
	if errors.Is(err, ErrNoKey) && create {
		fresh := make([]byte, SecretSize)
		if _, err = rand.Read(fresh); err != nil {
			return nil, fmt.Errorf("make a patient's key: %w", err)
		}
		key, err = r.store.Create(ctx, name(patientKey), fresh)
	}
	if err != nil {
		return nil, fmt.Errorf("patient's key: %w", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.destroyed != destroyed {
		return key, nil // not cached: a key may have been destroyed meanwhile
	}
	if len(r.cache) >= cacheLimit {
		r.cache = map[string][]byte{}
	}
	r.cache[patientKey] = key
	return key, nil
}
