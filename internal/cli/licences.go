package cli

import (
	"context"
	"errors"
	"runtime/debug"

	"cannulary/internal/licences"
)

// licencesCommand prints the notices of every module in the program.
func licencesCommand(_ context.Context, env Env, args []string) error {
	fs := flags(env, "licences", "")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	build, ok := debug.ReadBuildInfo()
	if !ok {
		return errors.New("this program does not say what it was built from: build with `make build`")
	}
	return licences.Print(env.Stdout, licences.Collected, build)
}
