package keyring

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/crypto/chacha20poly1305"
)

// bucketStore keeps secrets in a JetStream key-value bucket, for processes that share an
// external log. Each secret is wrapped with a master key that never enters the cluster.
type bucketStore struct {
	kv     jetstream.KeyValue
	master []byte
}

// OpenBucket opens or makes the key bucket. master wraps every secret in it: 32 bytes, the same
// for every process, kept by the operator outside the cluster. replicas is 1 or 3 and should be
// that of the log.
func OpenBucket(ctx context.Context, js jetstream.JetStream, bucket string, replicas int, master []byte) (Store, error) {
	if len(master) != SecretSize {
		return nil, fmt.Errorf("the master key has %d bytes, not %d", len(master), SecretSize)
	}
	kv, err := js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{
		Bucket: bucket, Description: "cannulary: wrapped keys of patients", History: 1,
		Storage: jetstream.FileStorage, Replicas: replicas,
	})
	if err != nil {
		return nil, fmt.Errorf("key bucket %s: %w", bucket, err)
	}
	return &bucketStore{kv: kv, master: master}, nil
}

func (s *bucketStore) Get(ctx context.Context, name string) ([]byte, error) {
	e, err := s.kv.Get(ctx, name)
	if errors.Is(err, jetstream.ErrKeyNotFound) || errors.Is(err, jetstream.ErrKeyDeleted) {
		return nil, ErrNoKey
	}
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(s.master)
	if err != nil {
		return nil, err
	}
	if len(e.Value()) < aead.NonceSize() {
		return nil, ErrUnreadable
	}
	plain, err := aead.Open(nil, e.Value()[:aead.NonceSize()], e.Value()[aead.NonceSize():], []byte(name))
	if err != nil {
		return nil, fmt.Errorf("%w; is this the master key that the bucket was made with?", ErrUnreadable)
	}
	return plain, nil
}

func (s *bucketStore) Create(ctx context.Context, name string, secret []byte) ([]byte, error) {
	aead, err := chacha20poly1305.NewX(s.master)
	if err != nil {
		return nil, err
	}
	nonce := make([]byte, aead.NonceSize())
	if _, err := rand.Read(nonce); err != nil {
		return nil, err
	}
	_, err = s.kv.Create(ctx, name, aead.Seal(nonce, nonce, secret, []byte(name)))
	if err != nil && !errors.Is(err, jetstream.ErrKeyExists) {
		return nil, err
	}
	return s.Get(ctx, name)
}

func (s *bucketStore) Look(ctx context.Context) (unreadable, _ []string, err error) {
	names, err := s.kv.ListKeys(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = names.Stop() }() // an error says that it ended by itself
	for name := range names.Keys() {
		switch _, err := s.Get(ctx, name); {
		case errors.Is(err, ErrUnreadable):
			unreadable = append(unreadable, name)
		case err != nil && !errors.Is(err, ErrNoKey): // destroyed meanwhile
			return nil, nil, err
		}
	}
	return unreadable, nil, nil
}

func (s *bucketStore) Destroy(ctx context.Context, name string) error {
	return s.kv.Purge(ctx, name)
}

func (s *bucketStore) Close() error { return nil }
