package door

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
)

// kept holds what was read from files, and reads them again when their content has changed. What
// cannot be read leaves in force what was read before.
type kept[T any] struct {
	what  string // in errors and logs
	paths []string
	read  func(texts [][]byte) (*T, error)
	slog  *slog.Logger

	value atomic.Pointer[T]
	mu    sync.Mutex
	seen  []byte // what the files held at the last look
	bad   error  // why the files are not in force; nil where they are
}

// look reads the files again, if they have changed. It returns why they are not in force.
func (k *kept[T]) look() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	sum := sha256.New()
	texts := make([][]byte, len(k.paths))
	var err error
	for i, path := range k.paths {
		text, e := os.ReadFile(path)
		if e != nil && err == nil {
			err = e
		}
		texts[i] = text
		fmt.Fprintf(sum, "%d %v ", len(text), e)
		sum.Write(text)
	}
	now := sum.Sum(nil)
	if bytes.Equal(now, k.seen) {
		return k.bad
	}
	k.seen = now
	var v *T
	if err == nil {
		v, err = k.read(texts)
	}
	k.bad = err
	switch before := k.value.Load(); {
	case err == nil:
		k.value.Store(v)
		if before != nil {
			k.slog.Info(k.what+" was read again and is in force", "files", k.paths)
		}
	case before != nil:
		k.slog.Error(k.what+" was changed and cannot be used; what was read before stays in force", "files", k.paths, "err", err)
	}
	return err
}

// refused reports whether the files on disk are not what is in force.
func (k *kept[T]) refused() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.bad != nil
}
