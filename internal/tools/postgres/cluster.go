package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// cluster is a running PostgreSQL with a folder of its own, reached by a Unix socket alone.
type cluster struct {
	dir, socket string
	process     *exec.Cmd
	ended       chan error // how the process ended
	log         *bytes.Buffer
}

// settings are Debian's defaults but for memory and for checkpoints, which a team raises first.
// Durability stays as it comes, and is said so that nothing outside can lower it.
func settings() []string {
	return []string{
		"listen_addresses=", "fsync=on", "synchronous_commit=on", "full_page_writes=on",
		"shared_buffers=1GB", "max_wal_size=4GB", "max_connections=100",
	}
}

// means are what a cluster needs on this machine.
type means struct {
	bin, dir string
	as       *syscall.SysProcAttr // nil for whoever runs the program
}

// look finds them, or tells what to do. As root a cluster runs as another user, because
// PostgreSQL refuses root.
func look(dir string) (m means, err error) {
	if m.bin, err = binaries(os.Getenv("PATH"), "/usr/lib/postgresql/*/bin", "/usr/local/bin"); err != nil {
		return m, err
	}
	if m.as, err = unprivileged(os.Geteuid()); err != nil {
		return m, err
	}
	if m.dir, err = filepath.Abs(dir); err != nil {
		return m, err
	}
	return m, reachable(m.dir, m.as)
}

// start makes a cluster in a folder of its own and waits until it answers.
func start(ctx context.Context, m means) (c *cluster, err error) {
	c = &cluster{ended: make(chan error, 1), log: &bytes.Buffer{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.stop())
			c = nil
		}
	}()
	if c.dir, err = folder(m.dir, m.as); err != nil {
		return c, err
	}
	// A socket's path may have a hundred letters: it has a short folder.
	if c.socket, err = folder("", m.as); err != nil {
		return c, err
	}
	initdb := exec.CommandContext(ctx, filepath.Join(m.bin, "initdb"),
		"-D", filepath.Join(c.dir, "data"), "-U", "bench", "--auth=trust", "--encoding=UTF8", "--locale=C")
	initdb.SysProcAttr, initdb.Dir = m.as, c.dir
	if out, err := initdb.CombinedOutput(); err != nil {
		return c, fmt.Errorf("initdb: %w: %s", err, out)
	}
	args := []string{"-D", filepath.Join(c.dir, "data"), "-k", c.socket}
	for _, s := range settings() {
		args = append(args, "-c", s)
	}
	// Not bound to the context: it is stopped in order.
	c.process = exec.Command(filepath.Join(m.bin, "postgres"), args...)
	c.process.SysProcAttr, c.process.Dir, c.process.Stdout, c.process.Stderr = m.as, c.dir, c.log, c.log
	if err := c.process.Start(); err != nil {
		c.process = nil
		return c, err
	}
	go func() { c.ended <- c.process.Wait(); close(c.ended) }()
	return c, c.untilAnswering(ctx)
}

func (c *cluster) untilAnswering(ctx context.Context) error {
	for {
		conn, err := c.connect(ctx)
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-c.ended:
			return fmt.Errorf("PostgreSQL did not start: %w: %s", err, c.said())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func (c *cluster) connect(ctx context.Context) (*pgx.Conn, error) {
	return pgx.Connect(ctx, fmt.Sprintf("host=%s user=bench dbname=postgres", c.socket))
}

// said is what the ended process wrote.
func (c *cluster) said() string { return c.log.String() }

// stop ends the process in order and removes its folders.
func (c *cluster) stop() error {
	var errs []error
	if c.process != nil {
		// SIGINT ends it without waiting for clients. It may have ended already: ended tells.
		_ = c.process.Process.Signal(os.Interrupt)
		if err, first := <-c.ended; first && err != nil {
			errs = append(errs, fmt.Errorf("PostgreSQL did not end in order: %w: %s", err, c.said()))
		}
	}
	for _, dir := range []string{c.dir, c.socket} {
		if dir != "" {
			errs = append(errs, os.RemoveAll(dir))
		}
	}
	return errors.Join(errs...)
}

// binaries finds the folder with initdb and postgres: on the path, else the first place that has
// both, of several versions the newest.
func binaries(path string, places ...string) (string, error) {
	var all []string
	for _, place := range places {
		found, err := filepath.Glob(place)
		if err != nil {
			return "", err
		}
		slices.SortFunc(found, func(a, b string) int { return version(b) - version(a) })
		all = append(all, found...)
	}
	for _, dir := range append(filepath.SplitList(path), all...) {
		if executable(filepath.Join(dir, "initdb")) && executable(filepath.Join(dir, "postgres")) {
			return dir, nil
		}
	}
	return "", fmt.Errorf("no PostgreSQL found on the path nor in %s: install Debian's package postgresql (apt-get install postgresql)",
		strings.Join(places, ", "))
}

// version is the number in …/15/bin; 0 where there is none.
func version(bin string) int {
	n, err := strconv.Atoi(filepath.Base(filepath.Dir(bin)))
	if err != nil {
		return 0
	}
	return n
}

func executable(file string) bool {
	i, err := os.Stat(file)
	return err == nil && i.Mode().IsRegular() && i.Mode()&0o111 != 0
}

// unprivileged says as whom processes run: for root the package's user, else nobody; for others
// as they are.
func unprivileged(uid int) (*syscall.SysProcAttr, error) {
	if uid != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		if err != nil {
			return nil, err
		}
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		if err != nil {
			return nil, err
		}
		return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}, nil
	}
	return nil, errors.New("PostgreSQL refuses root, and there is no user postgres or nobody: run the benchmark as another user")
}

// reachable reports whether the user can enter the folder and all above it.
func reachable(dir string, as *syscall.SysProcAttr) error {
	if as == nil {
		return nil
	}
	for at := dir; ; at = filepath.Dir(at) {
		i, err := os.Stat(at)
		if err != nil {
			return err
		}
		if i.Mode()&0o001 == 0 {
			return fmt.Errorf("PostgreSQL refuses root, and its user cannot enter %s: run the benchmark as another user, "+
				"or give a folder below which everybody can enter with -out", at)
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

// folder makes a new folder of the user below dir; below the one for temporary files where dir
// is empty.
func folder(dir string, as *syscall.SysProcAttr) (string, error) {
	made, err := os.MkdirTemp(dir, "postgres-")
	if err != nil || as == nil {
		return made, err
	}
	return made, os.Chown(made, int(as.Credential.Uid), int(as.Credential.Gid))
}
