package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"cannulary/internal/app"
	"cannulary/internal/backup"
	"cannulary/internal/chain"
	"cannulary/internal/salvage"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// verifyCommand looks at a stopped instance's folder.
func verifyCommand(ctx context.Context, env Env, args []string) error {
	fs := flags(env, "verify", "--data DIR [--head HEAD]… [--json]")
	dir := fs.String("data", "", "folder of a stopped instance (required)")
	shard := fs.String("shard", "main", "shard")
	asJSON := fs.Bool("json", false, "print the report as JSON")
	var marks []chain.Mark
	fs.Func("head", "`head` of the log that was printed or noted before, as SHARD:SEQUENCE:HEAD; may be given several times",
		func(v string) error {
			m, err := chain.ParseMark(v)
			marks = append(marks, m)
			return err
		})
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *dir == "" {
		return errUse{"--data is missing; name the folder of a stopped instance"}
	}
	if err := checkShard(*shard); err != nil {
		return err
	}
	unlock, err := app.LockExisting(*dir)
	if err != nil {
		return err
	}
	r, err := salvage.Verify(ctx, *dir, *shard, marks...)
	if err = errors.Join(err, unlock()); err != nil {
		return err
	}
	if *asJSON {
		err = json.NewEncoder(env.Stdout).Encode(r)
	} else {
		_, err = fmt.Fprint(env.Stdout, r.Text())
	}
	if err == nil && !r.Whole {
		return errQuiet
	}
	return err
}

// repairCommand mends a stopped instance's folder into a new one.
func repairCommand(ctx context.Context, env Env, args []string) error {
	o := salvage.Options{Now: env.Now, Slog: logger(env)}
	fs := flags(env, "repair", "--data DIR --into NEW [--copy VIEW-FILE|BACKUP-FOLDER]… [--keys-from FOLDER]")
	fs.StringVar(&o.Dir, "data", "", "folder of a stopped instance (required); it stays as it is")
	fs.StringVar(&o.Into, "into", "", "folder for the repaired instance: empty, or not there yet (required)")
	fs.StringVar(&o.Shard, "shard", "main", "shard")
	fs.Func("copy", "`file` of a view of the same log, or folder with the log of a backup; may be given several times", gather(&o.Copies))
	keysFrom := fs.String("keys-from", "", "folder with the keys' part of a backup: damaged keys are taken from it")
	identities := identityFlags(fs)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if o.Dir == "" || o.Into == "" {
		return errUse{"--data or --into is missing; name the damaged folder and an empty one"}
	}
	if err := checkShard(o.Shard); err != nil {
		return err
	}
	if *keysFrom != "" {
		ids, err := identities()
		if err != nil {
			return err
		}
		if o.Keys, err = backup.Secrets(*keysFrom, ids); err != nil {
			return err
		}
	}
	unlock, err := app.LockExisting(o.Dir)
	if err != nil {
		return err
	}
	r, err := salvage.Repair(ctx, o)
	if err == nil {
		err = app.Leave(o.Into, env.Now(), logv1.Action_ACTION_RESTORE, "repair")
	}
	if err = errors.Join(err, unlock()); err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(r)
}
