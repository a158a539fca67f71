package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"

	"cannulary/internal/door"
)

// socketName is the socket in the folder of a running instance, by which its operator asks.
const socketName = "operator.sock"

// maxSocketPath is the longest path of a socket that every system takes, in bytes: Linux 107, BSD 103.
const maxSocketPath = 103

// atSocket calls use with a path of the operator's socket that is short enough for the system.
func atSocket(dir string, use func(path string) error) error {
	path := filepath.Join(dir, socketName)
	if len(path) <= maxSocketPath {
		return use(path)
	}
	folder, err := os.Open(dir)
	if err != nil {
		return err
	}
	// On Linux the open folder has a short name as well.
	return errors.Join(use(fmt.Sprintf("/proc/self/fd/%d/%s", folder.Fd(), socketName)), folder.Close())
}

// listenOperator makes the operator's socket. One that a killed process left is replaced: the caller holds the folder's lock.
func (a *App) listenOperator(ctx context.Context) error {
	path := filepath.Join(a.cfg.Dir, socketName)
	info, err := os.Lstat(path)
	switch {
	case err == nil && info.Mode().Type() != fs.ModeSocket:
		return fmt.Errorf("%s is no socket; move it away", path)
	case err == nil:
		err = os.Remove(path)
	case errors.Is(err, fs.ErrNotExist):
		err = nil
	}
	if err != nil {
		return err
	}
	err = atSocket(a.cfg.Dir, func(short string) (err error) {
		a.operatorLis, err = (&net.ListenConfig{}).Listen(ctx, "unix", short)
		return err
	})
	if err != nil {
		return err
	}
	// The listener would remove the socket by the short name, which ends with the open folder.
	a.operatorLis.(*net.UnixListener).SetUnlinkOnClose(false)
	// Between the two calls nobody is heard: only later is the socket served, and each peer is asked about.
	return os.Chmod(path, 0o600)
}

// openOperator makes the operator's socket and its server. An instance without a socket is served all the same.
func (a *App) openOperator(ctx context.Context, handler http.Handler) {
	if err := a.listenOperator(ctx); err != nil {
		a.cfg.Slog.Warn("there is no operator's socket; commands can ask this instance with --http and --token-file only", "err", err)
		a.closeOperator()
		return
	}
	a.operator = httpServer(a.trail.HTTP(a.door.Operator(a.trail.Guard(handler))), a.cfg.Slog)
	a.operator.ConnContext = door.ByOperator
}

// closeOperator ends the socket and removes it.
func (a *App) closeOperator() {
	if a.operatorLis == nil {
		return
	}
	_ = a.operatorLis.Close() // an http.Server that was shut down has closed it
	if err := os.Remove(filepath.Join(a.cfg.Dir, socketName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		a.cfg.Slog.Warn("the operator's socket was not removed", "err", err)
	}
	a.operatorLis = nil
}

// DialOperator connects to the operator's socket in the folder of a running instance. The error is fs.ErrNotExist, or
// syscall.ECONNREFUSED, where nobody listens.
func DialOperator(ctx context.Context, dir string) (c net.Conn, err error) {
	err = atSocket(dir, func(short string) (err error) {
		c, err = (&net.Dialer{}).DialContext(ctx, "unix", short)
		return err
	})
	return c, err
}
