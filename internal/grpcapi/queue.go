package grpcapi

import "sync"

// queues keep what carries one id in the order in which it came. Only one goroutine lines up.
type queues struct{ last sync.Map } // id → chan struct{}, closed when the last in line is over

// line takes the last place of an id. turn returns when all before are over; over must be
// called in the end.
func (q *queues) line(id string) (turn, over func()) {
	mine := make(chan struct{})
	before, waiting := q.last.Swap(id, mine)
	turn = func() {
		if waiting {
			<-before.(chan struct{})
		}
	}
	return turn, func() {
		close(mine)
		q.last.CompareAndDelete(id, mine)
	}
}
