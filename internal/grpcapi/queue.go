package grpcapi

import "sync"

// queues keep what carries one name in the order in which it came. Only one goroutine lines
// up, so nothing can wait for what came after it.
type queues struct{ last sync.Map } // name → chan struct{}, closed when the last in line is over

// line takes the last place of each name. turn returns when all before are over; over must
// be called in the end, once or more.
func (q *queues) line(names ...string) (turn, over func()) {
	mine := make(chan struct{})
	var before []chan struct{}
	for _, name := range names {
		if c, waiting := q.last.Swap(name, mine); waiting && c != mine { // a name may be given twice
			before = append(before, c.(chan struct{}))
		}
	}
	turn = func() {
		for _, c := range before {
			<-c
		}
	}
	return turn, sync.OnceFunc(func() {
		close(mine)
		for _, name := range names {
			q.last.CompareAndDelete(name, mine)
		}
	})
}
