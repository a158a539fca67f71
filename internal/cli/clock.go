package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"cannulary/internal/app"
)

// clockCommand notes that a person found the machine's clock right.
func clockCommand(_ context.Context, env Env, args []string) error {
	if len(args) == 0 || args[0] != "confirm" {
		return errUse{"say what to do: `cannulary clock confirm --data DIR`, after you have looked at the machine's clock"}
	}
	fs := flags(env, "clock confirm", "--data DIR")
	dir := fs.String("data", "", "folder of an instance, running or not (required)")
	if err := parse(fs, args[1:], 0); err != nil {
		return err
	}
	if *dir == "" {
		return errUse{"--data is missing; name the folder of the instance"}
	}
	if _, err := os.Stat(filepath.Join(*dir, "ingest")); err != nil {
		return fmt.Errorf("there is no instance that takes messages in %s; check --data", *dir)
	}
	at := env.Now()
	if err := app.ConfirmClock(*dir, at); err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(map[string]any{"confirmed": at.UTC()})
}
