package cli

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
)

// commonFlags are those of every process that serves.
func commonFlags(fs *flag.FlagSet, cfg *app.Config) {
	fs.StringVar(&cfg.Dir, "data", "", "folder of this instance (required)")
	fs.StringVar(&cfg.HTTP, "http", "127.0.0.1:7451", "address of FHIR, board, metrics; port 0 takes a free one")
	fs.StringVar(&cfg.NATS, "nats", "", "external NATS server; empty embeds one in DATA/log")
	fs.StringVar(&cfg.Credentials, "nats-credentials", "", "NATS credentials file")
	fs.StringVar(&cfg.MasterKeyFile, "master-key-file", "", "file with 64 hexadecimal digits that wrap patients' keys on an external server")
	fs.IntVar(&cfg.Replicas, "replicas", 1, "replicas of the log on an external cluster: 1 or 3")
	fs.StringVar(&cfg.Shard, "shard", "main", "shard: one stream; facilities that share patients share it")
	fs.Int64Var(&cfg.LogMaxBytes, "log-max-bytes", eventlog.DefaultMaxBytes, "most bytes the log may take; new messages are refused beyond, nothing is dropped")
	fs.StringVar(&cfg.PublicBase, "public-base", "", "public base URL of FHIR links, for instance https://fhir.example/fhir")
	fs.Func("cds-origin", "web origin whose pages may call /cds-services from a browser, for instance https://ehr.example; give it once for each", func(s string) error {
		cfg.CDSOrigins = append(cfg.CDSOrigins, s)
		return nil
	})
	fs.BoolVar(&cfg.NoSNOMED, "no-snomed", false, "leave SNOMED CT codings out")
	fs.Func("watch-certificate", "PEM `file` of a certificate whose end is exported as a metric; may be given several times", func(v string) error {
		cfg.WatchCertificates = append(cfg.WatchCertificates, v)
		return nil
	})
}

func serve(ctx context.Context, env Env, args []string) error {
	cfg := app.Config{Ingest: true, View: true}
	fs := flags(env, "serve", "--data DIR [--grpc HOST:PORT] [--http HOST:PORT] [--nats URL]")
	commonFlags(fs, &cfg)
	fs.StringVar(&cfg.GRPC, "grpc", "127.0.0.1:7450", "address of the gRPC services; port 0 takes a free one")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	return Serve(ctx, env, cfg)
}

// Serve runs the roles of cfg until ctx ends, and says on stdout when it is ready.
func Serve(ctx context.Context, env Env, cfg app.Config) error {
	if cfg.Dir == "" {
		return errUse{"--data is missing; name the folder of this instance"}
	}
	if cfg.Replicas != 1 && cfg.Replicas != 3 {
		return errUse{"--replicas must be 1 or 3"}
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	a, err := app.New(ctx, cfg)
	if err != nil {
		return err
	}
	go func() {
		if waitReady(ctx, a) {
			ready := map[string]string{"http": "http://" + a.HTTPAddr()}
			if a.GRPCAddr() != "" {
				ready["grpc"] = a.GRPCAddr()
			}
			_ = json.NewEncoder(env.Stdout).Encode(ready)
		}
	}()
	return a.Run(ctx)
}

func waitReady(ctx context.Context, a *app.App) bool {
	for !a.Ready() {
		select {
		case <-ctx.Done():
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	return true
}

// rebuild builds the view of a stopped instance again.
func rebuild(ctx context.Context, env Env, args []string) error {
	cfg := app.Config{View: true, HTTP: "127.0.0.1:0"}
	fs := flags(env, "rebuild", "--data DIR")
	fs.StringVar(&cfg.Dir, "data", "", "folder of a stopped instance (required)")
	fs.StringVar(&cfg.Shard, "shard", "main", "shard")
	fs.BoolVar(&cfg.NoSNOMED, "no-snomed", false, "leave SNOMED CT codings out")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if cfg.Dir == "" {
		return errUse{"--data is missing; name the folder of the instance"}
	}
	if _, err := os.Stat(filepath.Join(cfg.Dir, "log")); err != nil {
		return fmt.Errorf("there is no log in %s, nothing to build from; check --data", cfg.Dir)
	}
	lock, err := app.Lock(cfg.Dir)
	if err != nil {
		return err
	}
	if err := removeViews(filepath.Join(cfg.Dir, "view")); err != nil {
		return errors.Join(fmt.Errorf("remove the old view: %w", err), lock.Close())
	}
	if err := lock.Close(); err != nil {
		return err
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	began := time.Now()
	a, err := app.New(ctx, cfg)
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if !waitReadyOrFailed(ctx, a) {
		if err := a.Projector().Failed(); err != nil {
			return err
		}
		return ctx.Err()
	}
	took := time.Since(began).Seconds()
	n := a.Projector().Sequence()
	return json.NewEncoder(env.Stdout).Encode(map[string]any{"events": n, "seconds": took, "eventsPerSecond": float64(n) / took})
}

// removeViews removes the views of all versions from their folder. The folder's name is no
// pattern: it may have brackets.
func removeViews(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), "view-") {
			err = errors.Join(err, os.Remove(filepath.Join(dir, e.Name())))
		}
	}
	return err
}

func waitReadyOrFailed(ctx context.Context, a *app.App) bool {
	for !a.Ready() {
		if a.Projector().Failed() != nil {
			return false
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	return true
}
