// Package bucket keeps values of access control that several processes share: the identifiers of tokens that were used, the
// access tokens that are valid, the sessions of people, the codes of break-glass. It is a key-value bucket of NATS
// JetStream, on the embedded server and on an external one alike. It is a stream of its own: the record's stream knows
// nothing of it, and no view rests on it. What is in it is forgotten after its time.
package bucket

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/fault"
)

// The errors that callers tell apart.
var (
	ErrTaken   = errors.New("bucket: the key is taken")
	ErrMissing = errors.New("bucket: there is no such key")
	ErrChanged = errors.New("bucket: somebody else changed the value")
)

// Bucket is an open bucket. It is safe for concurrent use, by several processes.
type Bucket struct{ kv jetstream.KeyValue }

// Config says how a bucket is made. Processes that share a bucket must agree.
type Config struct {
	Name     string
	Replicas int           // 1, or 3 on a cluster
	Keep     time.Duration // a value is forgotten after this time; 0 keeps it
	MaxBytes int64         // beyond it, new values are refused and no old one is dropped
}

// Open opens the bucket, and makes it if there is none.
func Open(ctx context.Context, js jetstream.JetStream, cfg Config) (*Bucket, error) {
	kv, err := open(ctx, js, cfg)
	if err != nil {
		return nil, fmt.Errorf("bucket %s: %w; the log's server must let this process use it", cfg.Name, err)
	}
	return &Bucket{kv}, nil
}

func open(ctx context.Context, js jetstream.JetStream, cfg Config) (jetstream.KeyValue, error) {
	s, err := js.Stream(ctx, "KV_"+cfg.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		// The library's own buckets are read from any node, and one that lags does not know a new token yet. Another
		// process may make this one at the same time: with the same configuration that is no error.
		s, err = js.CreateStream(ctx, jetstream.StreamConfig{
			Name: "KV_" + cfg.Name, Description: "cannulary: values of access control",
			Subjects: []string{"$KV." + cfg.Name + ".>"},
			Storage:  jetstream.FileStorage, Replicas: cfg.Replicas, MaxAge: cfg.Keep, MaxBytes: cfg.MaxBytes, MaxMsgsPerSubject: 1,
			Discard: jetstream.DiscardNew, DenyDelete: true, DenyPurge: true,
		})
	}
	if err != nil {
		return nil, err
	}
	switch is := s.CachedInfo().Config; {
	case is.MaxAge != 0 && cfg.Keep == 0:
		return nil, fmt.Errorf("it forgets after %s, but must keep its values; make it anew", is.MaxAge)
	case is.MaxAge != 0 && is.MaxAge < cfg.Keep:
		return nil, fmt.Errorf("it forgets after %s, but must keep for %s; make it anew", is.MaxAge, cfg.Keep)
	case is.AllowDirect || is.Discard != jetstream.DiscardNew:
		return nil, errors.New("it was made by something else, and could miss a new token or forget a used one; make it anew")
	}
	return js.KeyValue(ctx, cfg.Name)
}

// Create keeps a value under a key that nobody used before. If the key is taken, by whatever process, the
// error is ErrTaken.
func (b *Bucket) Create(ctx context.Context, key string, value []byte) error {
	_, err := b.kv.Create(ctx, key, value)
	if errors.Is(err, jetstream.ErrKeyExists) {
		return ErrTaken
	}
	return unavailable(err)
}

// Get returns the value under a key. If there is none, or no longer, the error is ErrMissing.
func (b *Bucket) Get(ctx context.Context, key string) ([]byte, error) {
	value, _, err := b.Read(ctx, key)
	return value, err
}

// Read is Get with the revision of the value, which Replace asks for.
func (b *Bucket) Read(ctx context.Context, key string) (value []byte, revision uint64, err error) {
	e, err := b.kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil, 0, ErrMissing
	}
	if err != nil {
		return nil, 0, unavailable(err)
	}
	return e.Value(), e.Revision(), nil
}

// Replace changes the value under a key, and returns its new revision. If it is not of that revision any more, or forgotten,
// the error is ErrChanged.
func (b *Bucket) Replace(ctx context.Context, key string, value []byte, revision uint64) (uint64, error) {
	now, err := b.kv.Update(ctx, key, value, revision)
	if errors.Is(err, jetstream.ErrKeyExists) {
		return 0, ErrChanged
	}
	return now, unavailable(err)
}

// Put keeps a value under a key, whatever stood there.
func (b *Bucket) Put(ctx context.Context, key string, value []byte) error {
	_, err := b.kv.Put(ctx, key, value)
	return unavailable(err)
}

// Forget removes the value under a key, if there is one.
func (b *Bucket) Forget(ctx context.Context, key string) error {
	return unavailable(b.kv.Delete(ctx, key))
}

func unavailable(err error) error {
	if err == nil {
		return nil
	}
	return fault.Wrap(fault.Unavailable, err, "who asks cannot be checked now: the shared store of access control does not answer",
		"try again; if it stays, tell the operator, whose log has the cause")
}
