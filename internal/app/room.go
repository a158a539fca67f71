package app

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// Log, index, keys and view share a disk. The view is the largest and can be built again, so it stops first;
// then no message is taken any more, while there is still room for the log to write. The sizes are
// this project's own: a batch of the view takes some 20 MB, beside it in its write-ahead log once more.
const (
	viewReserve = 96 << 20 // bytes free, below which the view waits
	logReserve  = 32 << 20 // bytes free, below which no message is taken
	// full is what counts as no room at all: a write may have failed then, and the log's server writes
	// no more until it is started again.
	full = 1 << 20
	// lookEvery is how often the room is looked at.
	lookEvery = time.Second
)

// errRoomAgain ends the process, for its supervisor to start it again.
var errRoomAgain = errors.New("the disk was full and has room again: the log's server writes no more until it is started again, so this " +
	"process ends; let its supervisor start it (systemd: Restart=always)")

// room is the free room of the data folder as last looked at.
type room struct {
	free  atomic.Uint64
	known atomic.Bool
}

func (r *room) has(reserve uint64) bool { return !r.known.Load() || r.free.Load() >= reserve }

// lookAtRoom reads the free room.
func (a *App) lookAtRoom() {
	free := a.cfg.Free
	if free == nil {
		free = diskFree
	}
	n, ok := free(a.cfg.Dir)
	a.room.free.Store(n)
	a.room.known.Store(ok)
}

// watchRoom looks at the room until ctx ends. It says when something waits for room, and when that is over.
func (a *App) watchRoom(ctx context.Context) error {
	t := time.NewTicker(lookEvery)
	defer t.Stop()
	wasFull, waits := false, false
	for {
		a.lookAtRoom()
		if now := !a.room.has(viewReserve); now != waits {
			if waits = now; waits {
				a.cfg.Slog.Error("the disk is nearly full: the view waits for room, and soon no message is taken",
					"freeBytes", a.room.free.Load(), "viewWaitsBelow", viewReserve, "nothingIsTakenBelow", logReserve)
			} else {
				a.cfg.Slog.Info("the disk has room again", "freeBytes", a.room.free.Load())
			}
		}
		wasFull = wasFull || !a.room.has(full)
		if wasFull && a.room.has(viewReserve) {
			return errRoomAgain
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// waitForRoom returns once the view may write.
func (a *App) waitForRoom(ctx context.Context) error {
	for !a.room.has(viewReserve) {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(lookEvery / 4):
		}
	}
	return nil
}
