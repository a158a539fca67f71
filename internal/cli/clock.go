package cli

import (
	"context"
	"encoding/json"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/salvage"
)

// clockCommand is about the machine's clock: a person confirms it, or declares that it was wrong.
func clockCommand(ctx context.Context, env Env, args []string) error {
	const say = "say what to do: `cannulary clock confirm --data DIR`, after you have looked at the machine's clock; or `cannulary " +
		"clock wrong --data DIR --first N --last N --ahead TIME --reason TEXT`, if it was wrong when entries were written"
	if len(args) == 0 {
		return errUse{say}
	}
	switch args[0] {
	case "confirm":
		return clockConfirm(env, args[1:])
	case "wrong":
		return clockWrong(ctx, env, args[1:])
	}
	return errUse{say}
}

func clockConfirm(env Env, args []string) error {
	fs := flags(env, "clock confirm", "--data DIR")
	dir := fs.String("data", "", "folder of an instance, running or not (required)")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *dir == "" {
		return errUse{"--data is missing; name the folder of the instance"}
	}
	if err := salvage.Holds(*dir, "ingest"); err != nil {
		return err
	}
	at := env.Now()
	if err := app.ConfirmClock(*dir, at); err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(map[string]any{"confirmed": at.UTC()})
}

func clockWrong(ctx context.Context, env Env, args []string) error {
	var w eventlog.WrongClock
	fs := flags(env, "clock wrong", "--data DIR --first N --last N --ahead TIME --reason TEXT")
	dir := fs.String("data", "", "folder of a stopped instance (required)")
	shard := fs.String("shard", "main", "shard")
	reason := fs.String("reason", "", "who declares it, and why; name no patient (required)")
	fs.Uint64Var(&w.First, "first", 0, "first `entry` that was dated by the wrong clock (required)")
	fs.Uint64Var(&w.Last, "last", 0, "last `entry` that was (required)")
	fs.DurationVar(&w.Ahead, "ahead", 0, "how far the clock was ahead, for instance 8760h; -1h where it was an hour behind (required)")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	w.Ahead = w.Ahead.Truncate(time.Second)
	if *dir == "" || *reason == "" || w.First == 0 || w.Last == 0 || w.Ahead == 0 {
		return errUse{"--data, --first, --last, --ahead or --reason is missing; `cannulary verify --data DIR` names entries that may be " +
			"meant"}
	}
	if err := checkShard(*shard); err != nil {
		return err
	}
	if err := salvage.CheckFinished(*dir); err != nil {
		return err
	}
	if err := salvage.Holds(*dir, salvage.LogFolder); err != nil {
		return err
	}
	d, err := app.DeclareWrongClock(ctx, app.Config{Dir: *dir, Shard: *shard, Version: env.Version, Now: env.Now, Slog: logger(env)}, w,
		*reason)
	if err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(d)
}
