package keyring

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// bucketStore keeps secrets in a JetStream key-value bucket, for processes that share an
// external log. Each secret is wrapped with a master key that never enters the cluster.
type bucketStore struct {
	kv     jetstream.KeyValue
	stream jetstream.Stream // below kv
	master []byte
}

// OpenBucket opens or makes the key bucket. master wraps every secret in it: 32 bytes, the same
// for every process, kept by the operator outside the cluster. replicas is 1 or 3 and should be
// that of the log.
func OpenBucket(ctx context.Context, js jetstream.JetStream, bucket string, replicas int, master []byte) (Store, error) {
	if len(master) != SecretSize {
		return nil, fmt.Errorf("the master key has %d bytes, not %d", len(master), SecretSize)
	}
	stream, err := js.Stream(ctx, "KV_"+bucket)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		// The library's own buckets let a value be replaced, keep the bytes of a deleted one, and are read from
		// nodes that may not have the newest.
		stream, err = js.CreateStream(ctx, jetstream.StreamConfig{
			Name: "KV_" + bucket, Description: "cannulary: wrapped keys of patients", Subjects: []string{"$KV." + bucket + ".>"},
			Storage: jetstream.FileStorage, Replicas: replicas,
			MaxMsgsPerSubject: 1, Discard: jetstream.DiscardNew, DiscardNewPerSubject: true, DenyPurge: true,
		})
	}
	if err != nil {
		return nil, fmt.Errorf("key bucket %s: %w", bucket, err)
	}
	c := stream.CachedInfo().Config
	if !c.DiscardNewPerSubject || c.AllowRollup || c.DenyDelete || c.AllowDirect || c.Discard != jetstream.DiscardNew {
		return nil, fmt.Errorf("the key bucket %s is not safe for keys: a key could be replaced or missed, or not be erased; it was "+
			"made or changed by something else, correct it before starting", bucket)
	}
	kv, err := js.KeyValue(ctx, bucket)
	if err != nil {
		return nil, fmt.Errorf("key bucket %s: %w", bucket, err)
	}
	return &bucketStore{kv: kv, stream: stream, master: master}, nil
}

func (s *bucketStore) Get(ctx context.Context, name string) ([]byte, error) {
	e, err := s.kv.Get(ctx, name)
	if errors.Is(err, jetstream.ErrKeyNotFound) || errors.Is(err, jetstream.ErrKeyDeleted) {
		return nil, ErrNoKey
	}
	if err != nil {
		return nil, err
	}
	plain, err := open(s.master, e.Value(), name)
	if err != nil {
		return nil, fmt.Errorf("%w; is this the master key that the bucket was made with?", err)
	}
	return plain, nil
}

func (s *bucketStore) Create(ctx context.Context, name string, secret []byte) ([]byte, error) {
	// A process that only reads may not even try to write.
	if there, err := s.Get(ctx, name); !errors.Is(err, ErrNoKey) {
		return there, err
	}
	sealed, err := seal(s.master, secret, name)
	if err != nil {
		return nil, err
	}
	if _, err = s.kv.Create(ctx, name, sealed); err == nil {
		return secret, nil
	}
	// Another process may have made it meanwhile.
	there, reading := s.Get(ctx, name)
	if errors.Is(reading, ErrNoKey) {
		return nil, err
	}
	return there, reading
}

func (s *bucketStore) Look(ctx context.Context) (unreadable, _ []string, err error) {
	info, err := s.stream.Info(ctx, jetstream.WithSubjectFilter(">"))
	if err != nil {
		return nil, nil, err
	}
	for subject := range info.State.Subjects {
		name := strings.TrimPrefix(subject, "$KV."+s.kv.Bucket()+".")
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
	e, err := s.kv.Get(ctx, name)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return s.stream.SecureDeleteMsg(ctx, e.Revision()) // its bytes are overwritten
}

func (s *bucketStore) Close() error { return nil }
