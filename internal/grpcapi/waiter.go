package grpcapi

import "sync"

// waiter counts messages under way. Unlike a sync.WaitGroup it may be added to while it
// is waited for.
type waiter struct {
	mu   sync.Mutex
	cond *sync.Cond
	n    int
}

func (w *waiter) add() {
	w.mu.Lock()
	w.n++
	w.mu.Unlock()
}

func (w *waiter) done() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.n--
	if w.cond != nil && w.n == 0 {
		w.cond.Broadcast()
	}
}

// wait returns once nothing is under way.
func (w *waiter) wait() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cond == nil {
		w.cond = sync.NewCond(&w.mu)
	}
	for w.n > 0 {
		w.cond.Wait()
	}
}
