// Package keyring keeps what identifies a patient apart from the log. One site secret makes the
// patient keys, which are keyed hashes. One key for each patient seals identifying values.
// Destroying a patient's key makes every sealed value of that patient unreadable for ever, while
// the log stays whole.
//
// The package wraps golang.org/x/crypto; the store behind it is a folder on one node or a
// key-value bucket of the cluster.
package keyring

import (
	"bytes"
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
	// ErrDamaged says that the patient's key is there and not what was written. It may be restored.
	ErrDamaged = errors.New("the patient's key is damaged")
	// ErrErased says that the patient's key was destroyed on purpose, and that none may be made again.
	ErrErased = errors.New("the patient's identity was erased")
	// ErrUnreadable says that a sealed value does not open with the patient's key.
	ErrUnreadable = errors.New("the sealed value does not open: it was made with another key or damaged")
)

// Store keeps secrets durably. Names are made of lower-case letters, digits and dots.
type Store interface {
	// Get returns the secret of that name, ErrNoKey or ErrDamaged.
	Get(ctx context.Context, name string) ([]byte, error)
	// Create stores a secret under a name that has none, and returns once it is durable.
	// If there is one already, that one is returned instead, or ErrDamaged.
	Create(ctx context.Context, name string, secret []byte) ([]byte, error)
	// Destroy removes a secret for ever. Removing one that is not there is no error.
	Destroy(ctx context.Context, name string) error
	// Look reads every secret. unreadable are the names of those that cannot be read, halved of those that
	// are damaged in one of two places.
	Look(ctx context.Context) (unreadable, halved []string, err error)
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
	bad       map[string]bool   // secrets that cannot be read, as found by the last look and on use since
	halved    int               // secrets that are damaged in one of two places, by the last look
}

// cacheLimit is the largest number of keys in memory. A unit has some hundred patients, a large
// network some ten thousand.
const cacheLimit = 20000

const siteSecret = "site.secret"

// Open reads the site secret from the store. It makes one in an empty store.
func Open(ctx context.Context, store Store) (*Ring, error) {
	fresh := make([]byte, SecretSize)
	_, _ = rand.Read(fresh) // it never fails
	secret, err := store.Create(ctx, siteSecret, fresh)
	if err != nil {
		return nil, fmt.Errorf("read the site secret: %w", err)
	}
	if len(secret) != SecretSize {
		return nil, fmt.Errorf("the site secret has %d bytes, not %d: restore it from its backup", len(secret), SecretSize)
	}
	return newRing(store, secret), nil
}

func newRing(store Store, secret []byte) *Ring {
	return &Ring{store: store, secret: secret, cache: map[string][]byte{}, bad: map[string]bool{}}
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
// durably, if there is none. A damaged key is never replaced, nor one that was destroyed: the error is
// ErrDamaged or ErrErased.
func (r *Ring) Seal(ctx context.Context, patientKey string, plain []byte) ([]byte, error) {
	key, err := r.key(ctx, patientKey, true)
	if err != nil {
		return nil, err
	}
	return seal(key, plain, patientKey)
}

// seal puts a random nonce before what it encrypts with the key, of which about is the associated data.
func seal(key, plain []byte, about string) ([]byte, error) {
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, fmt.Errorf("seal: %w", err)
	}
	nonce := make([]byte, aead.NonceSize(), aead.NonceSize()+len(plain)+aead.Overhead())
	_, _ = rand.Read(nonce) // it never fails
	return aead.Seal(nonce, nonce, plain, []byte(about)), nil
}

// open decrypts what seal made. The error is ErrUnreadable where that was with another key or about another.
func open(key, sealed []byte, about string) ([]byte, error) {
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, fmt.Errorf("unseal: %w", err)
	}
	if len(sealed) < aead.NonceSize() {
		return nil, ErrUnreadable
	}
	plain, err := aead.Open(nil, sealed[:aead.NonceSize()], sealed[aead.NonceSize():], []byte(about))
	if err != nil {
		return nil, ErrUnreadable
	}
	return plain, nil
}

// Unseal decrypts what Seal made. It returns ErrNoKey if the key that sealed it was destroyed, ErrDamaged if the
// patient's key is damaged, and ErrUnreadable if the value does not belong to it.
func (r *Ring) Unseal(ctx context.Context, patientKey string, sealed []byte) ([]byte, error) {
	key, err := r.key(ctx, patientKey, false)
	if err != nil {
		return nil, err
	}
	plain, err := open(key, sealed, patientKey)
	if err == nil || len(sealed) < chacha20poly1305.NonceSizeX {
		return plain, err
	}
	if again, err := r.there(ctx, reopened(patientKey)); err != nil {
		return nil, err
	} else if again {
		return nil, ErrNoKey
	}
	return nil, ErrUnreadable
}

// Look reads every secret of the store and returns the names of those that cannot be read. Damage counts
// them from then on.
func (r *Ring) Look(ctx context.Context) (unreadable, halved []string, err error) {
	if unreadable, halved, err = r.store.Look(ctx); err != nil {
		return nil, nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.bad, r.halved = map[string]bool{}, len(halved)
	for _, n := range unreadable {
		r.bad[n] = true
	}
	return unreadable, halved, nil
}

// Damage counts the secrets that cannot be read, found by the last look and on use since, and those that the
// last look found damaged in one of two places.
func (r *Ring) Damage() (unreadable, halved int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.bad), r.halved
}

// Damaged reports whether a patient's key is damaged.
func (r *Ring) Damaged(ctx context.Context, patientKey string) bool {
	_, err := r.key(ctx, patientKey, false)
	return errors.Is(err, ErrDamaged)
}

// Destroy removes a patient's key: a lawful erasure. What remains is a mark by which no new key is made.
func (r *Ring) Destroy(ctx context.Context, patientKey string) error {
	// The mark comes first: between the two the key is there, and the erasure can be asked for again.
	_, err := r.store.Create(ctx, tombstone(patientKey), make([]byte, SecretSize))
	if err == nil {
		err = r.store.Destroy(ctx, name(patientKey))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.cache, patientKey)
	if err == nil {
		delete(r.bad, name(patientKey))
	}
	r.destroyed++
	return err
}

// Reopen lets an identity be stated again of a patient who was erased. What was sealed before stays
// unreadable, and is no damage: a mark that stays says so.
func (r *Ring) Reopen(ctx context.Context, patientKey string) error {
	if _, err := r.store.Create(ctx, reopened(patientKey), make([]byte, SecretSize)); err != nil {
		return err
	}
	return r.store.Destroy(ctx, tombstone(patientKey))
}

func reopened(patientKey string) string { return "reopened." + patientKey }

// Has reports whether there is a key for the patient, whole or damaged.
func (r *Ring) Has(ctx context.Context, patientKey string) (bool, error) {
	return r.there(ctx, name(patientKey))
}

// Erased reports whether the patient's key was destroyed on purpose, and no operator has reopened it.
func (r *Ring) Erased(ctx context.Context, patientKey string) (bool, error) {
	return r.there(ctx, tombstone(patientKey))
}

func (r *Ring) there(ctx context.Context, name string) (bool, error) {
	_, err := r.store.Get(ctx, name)
	if errors.Is(err, ErrNoKey) {
		return false, nil
	}
	if errors.Is(err, ErrDamaged) || errors.Is(err, ErrUnreadable) {
		return true, nil
	}
	return err == nil, err
}

func tombstone(patientKey string) string { return "erased." + patientKey }

// Alive returns an error where the store does not answer, or does not have the site secret any more that
// it had at the start.
func (r *Ring) Alive(ctx context.Context) error {
	secret, err := r.store.Get(ctx, siteSecret)
	if err != nil {
		return fmt.Errorf("the key store does not answer: %w", err)
	}
	if !bytes.Equal(secret, r.secret) {
		return errors.New("the key store has another site secret than at the start")
	}
	return nil
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
		if _, err := r.store.Get(ctx, tombstone(patientKey)); !errors.Is(err, ErrNoKey) {
			return nil, errors.Join(ErrErased, err)
		}
		fresh := make([]byte, SecretSize)
		_, _ = rand.Read(fresh) // it never fails
		key, err = r.store.Create(ctx, name(patientKey), fresh)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if errors.Is(err, ErrDamaged) || errors.Is(err, ErrUnreadable) {
		r.bad[name(patientKey)] = true
	}
	if err != nil {
		return nil, fmt.Errorf("patient's key: %w", err)
	}
	if r.destroyed != destroyed {
		return key, nil // not cached: a key may have been destroyed meanwhile
	}
	if len(r.cache) >= cacheLimit {
		r.cache = map[string][]byte{}
	}
	r.cache[patientKey] = key
	return key, nil
}
