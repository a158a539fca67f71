// Package seen gathers, while a request is answered, the patients of whom the answer tells something. Whoever
// makes an answer names them before it writes; who keeps the trail takes them.
package seen

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"slices"
	"sync"
)

// KeySize is the size of a patient key, in bytes. As text it has twice as many hexadecimal digits.
const KeySize = 16

// Collector is what is known of one request. It is safe for concurrent use.
type Collector struct {
	mu    sync.Mutex
	known map[[KeySize]byte]bool
	fresh [][]byte
	page  string
	given bool // the page's id came with the request
	who   string
	// of the member of staff
	system, value string
}

type collecting struct{}

// Collect returns a context in which patients are gathered.
func Collect(ctx context.Context) (context.Context, *Collector) {
	c := &Collector{known: map[[KeySize]byte]bool{}}
	return context.WithValue(ctx, collecting{}, c), c
}

// From returns the collector of a context, nil without one.
func From(ctx context.Context) *Collector {
	c, _ := ctx.Value(collecting{}).(*Collector)
	return c
}

// Patients notes patients by their keys. What is no patient key is left out, and nothing is noted where nobody
// collects.
func Patients(ctx context.Context, keys ...string) {
	if c := From(ctx); c != nil {
		c.note(keys)
	}
}

func (c *Collector) note(keys []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, key := range keys {
		raw, err := hex.DecodeString(key)
		if err != nil || len(raw) != KeySize || c.known[[KeySize]byte(raw)] {
			continue
		}
		c.known[[KeySize]byte(raw)] = true
		c.fresh = append(c.fresh, raw)
	}
}

// Take returns the patients who were noted since the last Take, in the order of their keys, each once.
func (c *Collector) Take() [][]byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := c.fresh
	c.fresh = nil
	slices.SortFunc(out, bytes.Compare)
	return out
}

// Again returns them likewise, and forgets them: who comes again counts again.
func (c *Collector) Again() [][]byte {
	out := c.Take()
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, key := range out {
		delete(c.known, [KeySize]byte(key))
	}
	return out
}

// Has reports whether patients were noted since the last Take.
func (c *Collector) Has() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.fresh) > 0
}

// By says whose request it is. system and value identify a member of staff; they are empty where none is known.
func (c *Collector) By(principal, system, value string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.who, c.system, c.value = principal, system, value
}

// Person returns the member of staff whose request it is; empty where none is known.
func (c *Collector) Person() (system, value string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.system, c.value
}

// Principal returns whose request it is; empty where nobody is known.
func (c *Collector) Principal() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.who
}

// Page names the page that is made, so that it can be asked for again under the same name while it is kept
// open. It is the name that came with the request, if one did. It is empty where nobody collects.
func Page(ctx context.Context) string {
	c := From(ctx)
	if c == nil {
		return ""
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.page == "" {
		var b [KeySize]byte
		_, _ = rand.Read(b[:]) // it never fails
		c.page = hex.EncodeToString(b[:])
	}
	return c.page
}

// Reopen says that the request names a page that is open. A name of another form is left out.
func (c *Collector) Reopen(page string) {
	if raw, err := hex.DecodeString(page); err != nil || len(raw) != KeySize {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.page, c.given = page, true
}

// Opened returns the page's name, empty where the answer is no such page, and whether it came with the request.
func (c *Collector) Opened() (page string, given bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.page, c.given
}
