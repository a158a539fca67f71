package cli

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"
)

// Main runs one of the programs on the process's own streams, arguments and clock, until it ends
// or gets an interrupt or SIGTERM. It returns the exit code.
func Main(version string, run func(context.Context, Env, []string) int) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return run(ctx, Env{Stdout: os.Stdout, Stderr: os.Stderr, Now: time.Now, Version: version}, os.Args[1:])
}
