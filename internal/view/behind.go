package view

import (
	"fmt"
	"sync"
	"sync/atomic"
)

// A transaction writes behind: exec only queues a statement, and one goroutine runs the queue in its order, beside
// what is planned meanwhile. Whoever reads waits until all before it has run: settle.

const (
	// listMost is how many statements are handed over at once, listsMost how many such lists may wait: the rows of some
	// dozens of events.
	listMost  = 32
	listsMost = 32
)

// behind is the queue of a transaction.
type behind struct {
	next  []func() error // statements that are not handed over yet
	lists chan []func() error
	under sync.WaitGroup // lists that were handed over
	err   error          // the first one; to be read when nothing is under way
	left  atomic.Bool    // nothing more is run
}

// exec queues a statement that gives no rows. Its error is returned by a later read, or by Commit: then some dozens of
// events may have been planned since. A transaction that is rolled back for another cause may never return it; whatever
// failed fails again. The arguments must not be changed any more.
func (t *Tx) exec(sql string, args ...any) error {
	t.next = append(t.next, func() error { return t.run(sql, args...) })
	if len(t.next) < listMost {
		return nil
	}
	if t.lists == nil {
		t.lists = make(chan []func() error, listsMost)
		go func() {
			for list := range t.lists {
				t.runAll(list)
				t.under.Done()
			}
		}()
	}
	t.under.Add(1)
	t.lists <- t.next
	t.next = make([]func() error, 0, listMost)
	return nil
}

// settle returns once every queued statement has run. The connection is the caller's until the next exec.
func (t *Tx) settle() error {
	t.under.Wait()
	t.runAll(t.next)
	clear(t.next)
	t.next = t.next[:0]
	return t.err
}

// runAll runs statements until one fails. Nothing runs after that one.
func (t *Tx) runAll(list []func() error) {
	for _, run := range list {
		if t.err == nil && !t.left.Load() {
			t.err = run()
		}
	}
}

// run runs a statement at once.
func (t *Tx) run(sql string, args ...any) error {
	st, err := t.stmt(sql)
	if err != nil {
		return err
	}
	if _, err := st.ExecContext(t.ctx, args...); err != nil {
		return fmt.Errorf("%w in %q", err, sql)
	}
	return nil
}

// leave ends the goroutine. What is still queued is dropped.
func (t *Tx) leave() {
	t.left.Store(true)
	t.under.Wait()
	if t.lists != nil {
		close(t.lists)
		t.lists = nil
	}
}
