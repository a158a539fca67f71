package cli

import (
	"context"
	"encoding/json"
	"strings"

	"cannulary/internal/app"
)

// eraseCommand erases a person's identity from a stopped instance, or says what that would do.
func eraseCommand(ctx context.Context, env Env, args []string) error {
	var cfg app.Config
	var o app.EraseOptions
	fs := flags(env, "erase", "--data DIR --identifier SYSTEM|VALUE [--also KEY]… [--keep KEY]… [--reopen] [--yes] [--nats URL "+
		"--master-key-file FILE]")
	fs.StringVar(&cfg.Dir, "data", "", "folder of a stopped instance (required)")
	fs.BoolVar(&cfg.NoSNOMED, "no-snomed", false, "leave SNOMED CT codings out of the view that is built again")
	fs.StringVar(&cfg.NATS, "nats", "", "external NATS server with the log; --data is then the folder of a stopped view process")
	natsFlags(fs, &cfg)
	identifier := fs.String("identifier", "", "an identifier of the person, SYSTEM|VALUE (required)")
	fs.Func("also", "a linked patient `key` that is the same person's; may be given several times", gather(&o.Also))
	fs.Func("keep", "a linked patient `key` that is another person's; may be given several times", gather(&o.Keep))
	fs.BoolVar(&o.Reopen, "reopen", false, "let an identity be stated again of a person who was erased; it brings nothing back")
	fs.BoolVar(&o.Yes, "yes", false, "do it; without it the command only says what it would do")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	var ok bool
	if o.System, o.Value, ok = strings.Cut(*identifier, "|"); cfg.Dir == "" || !ok || o.System == "" || o.Value == "" {
		return errUse{"--data DIR and --identifier 'SYSTEM|VALUE' are needed, both parts of the identifier"}
	}
	if err := checkShard(cfg.Shard); err != nil {
		return err
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	out, err := app.Erase(ctx, cfg, o)
	if err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(out)
}
