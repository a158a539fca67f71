package cli

import (
	"context"
	"flag"

	"cannulary/internal/app"
)

// RunIngest runs the ingest process: gRPC in, the external log out.
func RunIngest(ctx context.Context, env Env, args []string) int {
	cfg := app.Config{Ingest: true}
	fs := flags(env, "ingest", "--data DIR --nats URL --master-key-file FILE [--grpc HOST:PORT] [--http HOST:PORT]")
	commonFlags(fs, &cfg)
	fs.StringVar(&cfg.GRPC, "grpc", "127.0.0.1:7450", "address of the gRPC services; port 0 takes a free one")
	return runRole(ctx, env, fs, args, &cfg)
}

// RunView runs the view process: the external log in; FHIR, pages and metrics out.
func RunView(ctx context.Context, env Env, args []string) int {
	cfg := app.Config{View: true}
	fs := flags(env, "view", "--data DIR --nats URL --master-key-file FILE [--http HOST:PORT]")
	commonFlags(fs, &cfg)
	return runRole(ctx, env, fs, args, &cfg)
}

func runRole(ctx context.Context, env Env, fs *flag.FlagSet, args []string, cfg *app.Config) int {
	err := parse(fs, args, 0)
	if err == nil && cfg.NATS == "" {
		err = errUse{"--nats is missing; a single role needs an external NATS server, `cannulary serve` embeds one"}
	}
	if err == nil {
		err = Serve(ctx, env, *cfg)
	}
	return exit(env, fs.Name(), err)
}
