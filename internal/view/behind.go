package view

import (
	"context"
	"database/sql/driver"
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
	next  []queued // statements that are not handed over yet
	lists chan []queued
	under sync.WaitGroup // lists that were handed over
	err   error          // the first one; to be read when nothing is under way
	left  atomic.Bool    // nothing more is run
}

// queued runs a statement with its arguments.
type queued func(driver.ConnPrepareContext) error

// quickStatement is a prepared statement of the driver itself.
type quickStatement interface {
	driver.Stmt
	driver.StmtExecContext
}

// exec queues a statement that gives no rows. Its error is returned by a later read, or by Commit: then some dozens of
// events may have been planned since. A transaction that is rolled back for another cause may never return it; whatever
// failed fails again. The arguments must not be changed any more.
func (t *Tx) exec(sql string, args ...any) error {
	t.next = append(t.next, func(c driver.ConnPrepareContext) error { return t.perform(c, sql, args...) })
	if len(t.next) < listMost {
		return nil
	}
	if t.lists == nil {
		t.lists = make(chan []queued, listsMost)
		go func() {
			for list := range t.lists {
				t.runAll(list)
				t.under.Done()
			}
		}()
	}
	t.under.Add(1)
	t.lists <- t.next
	t.next = make([]queued, 0, listMost)
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
func (t *Tx) runAll(list []queued) {
	if len(list) == 0 || t.err != nil || t.left.Load() {
		return
	}
	t.err = t.raw(func(c driver.ConnPrepareContext) error {
		for _, run := range list {
			if t.left.Load() {
				return nil
			}
			if err := run(c); err != nil {
				return err
			}
		}
		return nil
	})
}

// run runs a statement at once.
func (t *Tx) run(sql string) error {
	return t.raw(func(c driver.ConnPrepareContext) error { return t.perform(c, sql) })
}

// raw lends the driver's connection: database/sql would copy and check every argument, and make a result of every statement.
func (t *Tx) raw(use func(driver.ConnPrepareContext) error) error {
	return t.conn.Raw(func(c any) error {
		p, ok := c.(driver.ConnPrepareContext)
		if !ok {
			return fmt.Errorf("the driver's connection is a %T, which prepares nothing", c)
		}
		return use(p)
	})
}

// perform runs a statement. The driver gets a context that does not end: for any other it starts a goroutine with every
// statement.
func (w *writing) perform(c driver.ConnPrepareContext, sql string, args ...any) error {
	st, err := w.quickly(c, sql)
	if err != nil {
		return err
	}
	w.named = w.named[:0]
	for i, v := range args {
		if n, is := v.(int); is {
			v = int64(n)
		}
		if !driver.IsValue(v) {
			return fmt.Errorf("value %d is a %T, which no column holds, in %q", i+1, v, sql)
		}
		w.named = append(w.named, driver.NamedValue{Ordinal: i + 1, Value: v})
	}
	if _, err := st.ExecContext(context.Background(), w.named); err != nil {
		return fmt.Errorf("%w in %q", err, sql)
	}
	return nil
}

// quickly prepares each statement once.
func (w *writing) quickly(c driver.ConnPrepareContext, sql string) (quickStatement, error) {
	if st, ok := w.quick[sql]; ok {
		return st, nil
	}
	prepared, err := c.PrepareContext(context.Background(), sql)
	if err != nil {
		return nil, fmt.Errorf("%w in %q", err, sql)
	}
	st, ok := prepared.(quickStatement)
	if !ok {
		return nil, fmt.Errorf("the driver's statement is a %T, which takes no context", prepared)
	}
	w.quick[sql] = st
	return st, nil
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
