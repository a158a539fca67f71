package bucket_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/bucket"
	"cannulary/internal/fault"
	"cannulary/internal/testkit"
)

// TestBucket says what a bucket keeps, and that a restart of the server forgets nothing.
func TestBucket(t *testing.T) {
	ctx, dir := testkit.Context(t), t.TempDir()
	cfg := bucket.Config{Name: "access", Replicas: 1, Keep: time.Hour, MaxBytes: 32 << 10}
	open := func() (*bucket.Bucket, func()) {
		s := testkit.Server(t, dir)
		nc := testkit.Connect(t, s)
		js, err := jetstream.New(nc)
		if err != nil {
			t.Fatal(err)
		}
		b, err := bucket.Open(ctx, js, cfg)
		if err != nil {
			t.Fatal(err)
		}
		longer := cfg
		longer.Keep = 2 * time.Hour
		if _, err := bucket.Open(ctx, js, longer); err == nil || !strings.Contains(err.Error(), "it forgets after 1h0m0s, but must keep for 2h0m0s; make it anew") {
			t.Errorf("a bucket that forgets too early: %v", err)
		}
		return b, func() { nc.Close(); s.Stop() }
	}
	b, stop := open()
	if err := b.Create(ctx, "a.1", []byte("x")); err != nil {
		t.Fatal(err)
	}
	if err := b.Create(ctx, "a.1", []byte("y")); !errors.Is(err, bucket.ErrTaken) {
		t.Errorf("a key that is taken: %v", err)
	}
	stop()
	b, stop = open()
	if v, err := b.Get(ctx, "a.1"); err != nil || string(v) != "x" {
		t.Errorf("after a restart: %q %v", v, err)
	}
	if _, err := b.Get(ctx, "a.2"); !errors.Is(err, bucket.ErrMissing) {
		t.Errorf("a key that is not there: %v", err)
	}
	// A full bucket refuses, and forgets nothing: an older token could be used again.
	if err := b.Create(ctx, "a.3", make([]byte, 40<<10)); fault.As(err).Kind != fault.Unavailable {
		t.Errorf("a value without room: %v", err)
	}
	if _, err := b.Get(ctx, "a.1"); err != nil {
		t.Errorf("a full bucket forgot: %v", err)
	}
	stop()
	if _, err := b.Get(ctx, "a.1"); fault.As(err).Kind != fault.Unavailable {
		t.Errorf("without the server: %v", err)
	}
}

// TestABucketOfTheLibraryIsRefused: a node that lags would not know a new token.
func TestABucketOfTheLibraryIsRefused(t *testing.T) {
	ctx := testkit.Context(t)
	js, err := jetstream.New(testkit.Connect(t, testkit.Server(t, t.TempDir())))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.CreateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: "access"}); err != nil {
		t.Fatal(err)
	}
	_, err = bucket.Open(ctx, js, bucket.Config{Name: "access", Replicas: 1, Keep: time.Hour, MaxBytes: 32 << 10})
	if err == nil || !strings.Contains(err.Error(), "could miss a new token or forget a used one") {
		t.Errorf("%v", err)
	}
}

// TestAValueIsForgotten waits for the server to forget.
func TestAValueIsForgotten(t *testing.T) {
	ctx := testkit.Context(t)
	js, err := jetstream.New(testkit.Connect(t, testkit.Server(t, t.TempDir())))
	if err != nil {
		t.Fatal(err)
	}
	b, err := bucket.Open(ctx, js, bucket.Config{Name: "access", Replicas: 1, Keep: 200 * time.Millisecond, MaxBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Create(ctx, "a", nil); err != nil {
		t.Fatal(err)
	}
	testkit.Eventually(t, "the value is forgotten", func() bool {
		_, err := b.Get(ctx, "a")
		return errors.Is(err, bucket.ErrMissing)
	})
	if err := b.Create(ctx, "a", nil); err != nil {
		t.Errorf("a key that was forgotten: %v", err)
	}
}

// TestABucketChanges: a value is replaced by who knows its newest revision, and by nobody else.
func TestABucketChanges(t *testing.T) {
	ctx := testkit.Context(t)
	js, err := jetstream.New(testkit.Connect(t, testkit.Server(t, t.TempDir())))
	if err != nil {
		t.Fatal(err)
	}
	cfg := bucket.Config{Name: "people", Replicas: 1, MaxBytes: 32 << 10}
	b, err := bucket.Open(ctx, js, cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Create(ctx, "a", []byte("1")); err != nil {
		t.Fatal(err)
	}
	_, first, err := b.Read(ctx, "a")
	if err != nil {
		t.Fatal(err)
	}
	second, err := b.Replace(ctx, "a", []byte("2"), first)
	if err != nil || second <= first {
		t.Fatalf("%d after %d: %v", second, first, err)
	}
	if _, err := b.Replace(ctx, "a", []byte("3"), first); !errors.Is(err, bucket.ErrChanged) {
		t.Errorf("by an old revision: %v", err)
	}
	if v, rev, err := b.Read(ctx, "a"); string(v) != "2" || rev != second || err != nil {
		t.Errorf("%s %d %v", v, rev, err)
	}
	if err := b.Forget(ctx, "a"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Replace(ctx, "a", []byte("4"), second); !errors.Is(err, bucket.ErrChanged) {
		t.Errorf("what is forgotten comes back: %v", err)
	}
	if _, err := b.Get(ctx, "a"); !errors.Is(err, bucket.ErrMissing) {
		t.Errorf("after it was forgotten: %v", err)
	}
	for range 2 {
		if err := b.Put(ctx, "b", []byte("x")); err != nil {
			t.Error(err)
		}
	}
	forgets := cfg
	forgets.Name, forgets.Keep = "forgets", time.Hour
	if _, err := bucket.Open(ctx, js, forgets); err != nil {
		t.Fatal(err)
	}
	forgets.Keep = 0
	if _, err := bucket.Open(ctx, js, forgets); err == nil || !strings.Contains(err.Error(), "it forgets after 1h0m0s, but must keep its values; make it anew") {
		t.Errorf("a bucket that forgets: %v", err)
	}
}
