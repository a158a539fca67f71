// Command ingest runs the ingest role alone, on an external NATS server.
package main

import (
	"os"

	"cannulary/internal/cli"
)

// version is set by the linker.
var version = "dev"

func main() { os.Exit(cli.Main(version, cli.RunIngest)) }
