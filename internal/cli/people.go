package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"

	"cannulary/internal/app"
	"cannulary/internal/people"
	"cannulary/internal/people/devissuer"
)

// codesCommand makes the sealed codes of a facility.
func codesCommand(ctx context.Context, env Env, args []string) error {
	var cfg app.Config
	var facility, out string
	var count int
	fs := flags(env, "codes", "--data DIR --facility CODE --count N --out FILE [--nats URL]")
	fs.StringVar(&cfg.Dir, "data", "", "folder of an instance on this machine (required without --nats); a running one is asked")
	fs.StringVar(&cfg.NATS, "nats", "", "external NATS server; instances may run meanwhile")
	natsFlags(fs, &cfg)
	fs.StringVar(&facility, "facility", "", "code of the facility (required); codes that it had count no more")
	fs.IntVar(&count, "count", 10, fmt.Sprintf("how many codes, 1 to %d", people.MaxCodes))
	fs.StringVar(&out, "out", "", "new `file` for the codes (required), which only its owner can read: print it, seal it, remove it")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if (cfg.Dir == "") == (cfg.NATS == "") || facility == "" || out == "" {
		return errUse{"--facility, --out and one of --data and --nats are needed"}
	}
	if count < 1 || count > people.MaxCodes {
		return errUse{fmt.Sprintf("--count is %d; give 1 to %d", count, people.MaxCodes)}
	}
	if err := checkShard(cfg.Shard); err != nil {
		return err
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	f, err := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("%w; name a new file in a folder that exists", err)
	}
	codes, err := sealedCodes(ctx, env, cfg, facility, count)
	if err == nil {
		_, err = fmt.Fprintf(f, "Sealed codes of %s, made %s. Each opens the pages once, for 30 minutes, at /break-glass.\n\n%s\n",
			facility, env.Now().UTC().Format("2006-01-02"), strings.Join(codes, "\n\n"))
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(out))
	}
	return json.NewEncoder(env.Stdout).Encode(map[string]any{"facility": facility, "codes": len(codes), "file": out})
}

// sealedCodes has a running instance make the codes, or makes them in a stopped one or on an external log.
func sealedCodes(ctx context.Context, env Env, cfg app.Config, facility string, count int) ([]string, error) {
	if cfg.NATS == "" {
		if running, err := operated(ctx, cfg.Dir); running || err != nil {
			if err != nil {
				return nil, err
			}
			src := source{data: cfg.Dir, shard: cfg.Shard}
			body, err := src.whole(ctx, env, question{method: http.MethodPost, path: app.CodesPath, timeout: getTimeout,
				query: url.Values{"facility": {facility}, "count": {strconv.Itoa(count)}}})
			if err != nil {
				return nil, err
			}
			var made struct{ Codes []string }
			return made.Codes, json.Unmarshal(body, &made)
		}
	}
	return app.Codes(ctx, cfg, facility, count)
}

// developmentIssuer runs the issuer without passwords.
func developmentIssuer(ctx context.Context, env Env, args []string) error {
	var listen, facilities, policy string
	fs := flags(env, "development-issuer", "[--listen 127.0.0.1:0] [--facilities CODE,CODE] [--policy FILE]")
	fs.StringVar(&listen, "listen", "127.0.0.1:0", "address on this machine; port 0 takes a free one")
	fs.StringVar(&facilities, "facilities", "*", "facilities of its invented people, with commas; * for all")
	fs.StringVar(&policy, "policy", "", "new `file` for a policy by which a service takes its logins, and nothing else")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	own := strings.Split(facilities, ",")
	i, err := devissuer.Start(ctx, listen, devissuer.People(own...), env.Now)
	if err != nil {
		return err
	}
	defer i.Stop()
	fmt.Fprintln(env.Stderr, "DEVELOPMENT ISSUER: it asks for no password. Never use it with a real record.")
	if policy != "" {
		if err := writeNew(policy, []byte(i.Policy(own))); err != nil {
			return err
		}
	}
	if err := json.NewEncoder(env.Stdout).Encode(map[string]string{"issuer": i.URL()}); err != nil {
		return err
	}
	<-ctx.Done()
	return nil
}
