// Command cannulary runs all roles in one process, and the operator's commands.
package main

import (
	"os"

	"cannulary/internal/cli"
)

// version is set by the linker.
var version = "dev"

func main() { os.Exit(cli.Main(version, cli.Run)) }
