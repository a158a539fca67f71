// Command cannulary runs all roles in one process, and the operator's commands.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"

	"cannulary/internal/cli"
)

// version is set by the linker.
var version = "dev"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Run(ctx, cli.Env{Stdout: os.Stdout, Stderr: os.Stderr, Now: time.Now, Version: version}, os.Args[1:])
	stop()
	os.Exit(code)
}
