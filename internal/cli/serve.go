package cli

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"sync"
	"syscall"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/salvage"
	"cannulary/internal/web"
)

// commonFlags adds the flags of every process that serves.
func commonFlags(fs *flag.FlagSet, cfg *app.Config) {
	fs.StringVar(&cfg.Dir, "data", "", "folder of this instance (required)")
	fs.StringVar(&cfg.HTTP, "http", "127.0.0.1:7451", "address of FHIR, pages, metrics; port 0 takes a free one")
	fs.StringVar(&cfg.NATS, "nats", "", "external NATS server; empty embeds one in DATA/log")
	natsFlags(fs, cfg)
	fs.Int64Var(&cfg.LogMaxBytes, "log-max-bytes", 0,
		fmt.Sprintf("most bytes the log may take; new messages are refused beyond, nothing is dropped. Left out, a log keeps its limit "+
			"and a new one gets %d. Given, an embedded log is set to it; one on an external server is raised to it by a process that "+
			"ingests, and never lowered", int64(eventlog.DefaultMaxBytes)))
	fs.Int64Var(&cfg.TrailMaxBytes, "trail-max-bytes", 0,
		fmt.Sprintf("most bytes the audit trail may take, as --log-max-bytes for the log; a new trail gets %d",
			int64(eventlog.DefaultTrailBytes)))
	fs.StringVar(&cfg.PublicBase, "public-base", "", "public base URL of FHIR links, for instance https://fhir.example/fhir")
	fs.Func("cds-origin",
		"web origin whose pages may call /cds-services from a browser, for instance https://ehr.example; give it once for each",
		gather(&cfg.CDSOrigins))
	fs.BoolVar(&cfg.NoSNOMED, "no-snomed", false, "leave SNOMED CT codings out")
	var languages []string
	for _, l := range web.Languages() {
		languages = append(languages, l.Tag)
	}
	fs.StringVar(&cfg.Language, "language", languages[0], "language of the pages: "+strings.Join(languages, " or ")+
		"; a unit has one, whatever a browser prefers")
	fs.StringVar(&cfg.Policy, "policy", "", "policy `file`: who may do what (deploy/access.md); read again when it changes")
	fs.StringVar(&cfg.TLSCertificate, "tls-certificate", "", "PEM `file` of the certificate of both listeners, with those between it "+
		"and its authority; read again when it changes")
	fs.StringVar(&cfg.TLSKey, "tls-key", "", "PEM `file` of the certificate's key")
	fs.StringVar(&cfg.TLSClients, "tls-client-ca", "", "PEM `file` of the authorities whose certificates clients may show")
	fs.Func("host", "`name` under which HTTP may be asked, beside this machine's and that of --public-base, for instance a proxy's; "+
		"give it once for each", gather(&cfg.Hosts))
	fs.BoolVar(&cfg.ServeEverybody, "serve-everybody-without-access-control", false,
		"listen where other machines reach it although anybody there could read and write everything: for a test bench, never for a record")
	fs.Func("watch-certificate", "PEM `file` of a certificate whose end is exported as a metric; may be given several times",
		gather(&cfg.WatchCertificates))
}

// natsFlags adds the flags of whoever uses an external log.
func natsFlags(fs *flag.FlagSet, cfg *app.Config) {
	fs.StringVar(&cfg.Credentials, "nats-credentials", "", "NATS credentials file")
	fs.StringVar(&cfg.NATSCA, "nats-ca", "", "PEM file with the authority of the NATS servers' certificates")
	fs.StringVar(&cfg.NATSCert, "nats-cert", "", "PEM file with this process's certificate for NATS")
	fs.StringVar(&cfg.NATSKey, "nats-key", "", "PEM file with the key of that certificate")
	fs.StringVar(&cfg.NATSAPI, "nats-api", "", "prefix of the JetStream API; RECORD with deploy/nats/cluster.conf")
	fs.StringVar(&cfg.MasterKeyFile, "master-key-file", "",
		"file with 64 hexadecimal digits that wrap patients' keys on an external server")
	fs.IntVar(&cfg.Replicas, "replicas", 1, "replicas of the log on an external cluster: 1 or 3")
	fs.StringVar(&cfg.Shard, "shard", "main", "shard: one stream; facilities that share patients share it")
}

// prepare makes the streams of log and audit trail and the key bucket on an external server, as its administrator.
func prepare(ctx context.Context, env Env, args []string) error {
	var cfg app.Config
	fs := flags(env, "prepare", "--nats URL --master-key-file FILE [--replicas 3] [--log-max-bytes N] [--trail-max-bytes N]")
	fs.StringVar(&cfg.NATS, "nats", "", "external NATS server (required)")
	natsFlags(fs, &cfg)
	fs.Int64Var(&cfg.LogMaxBytes, "log-max-bytes", 0, "most bytes the log may take; left out, a log keeps its limit")
	fs.Int64Var(&cfg.TrailMaxBytes, "trail-max-bytes", 0, "most bytes the audit trail may take; left out, it keeps its limit")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if cfg.NATS == "" {
		return errUse{"--nats is missing; name the external server, for instance tls://127.0.0.1:4222"}
	}
	if err := checkLog(cfg); err != nil {
		return err
	}
	cfg.Now, cfg.Slog = env.Now, logger(env)
	return app.Prepare(ctx, cfg, env.Stdout)
}

// checkLog refuses what no log can be.
func checkLog(cfg app.Config) error {
	if cfg.Replicas != 1 && cfg.Replicas != 3 {
		return errUse{fmt.Sprintf("--replicas is %d; give 1 or 3", cfg.Replicas)}
	}
	if cfg.LogMaxBytes < 0 {
		return errUse{"--log-max-bytes must not be negative; leave it out to keep the log's limit"}
	}
	if cfg.TrailMaxBytes < 0 {
		return errUse{"--trail-max-bytes must not be negative; leave it out to keep the trail's limit"}
	}
	return checkShard(cfg.Shard)
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

// Serve runs the roles of cfg until ctx ends. It prints on stdout when it is ready.
func Serve(ctx context.Context, env Env, cfg app.Config) error {
	if cfg.Dir == "" {
		return errUse{"--data is missing; name the folder of this instance"}
	}
	if err := checkLog(cfg); err != nil {
		return err
	}
	if err := web.CheckLanguage(cfg.Language); err != nil {
		return errUse{"--language: " + err.Error()}
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	if app.OfDemo(cfg.Dir) {
		cfg.Slog.Warn("this folder is a demo's: the next demo on it deletes what it holds; keep a record elsewhere", "folder", cfg.Dir)
	}
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	var told sync.Once
	for {
		a, err := app.New(ctx, cfg)
		if err != nil {
			return err
		}
		run, cancel := context.WithCancel(ctx)
		go func() {
			if a.WaitReady(run) == nil {
				told.Do(func() { tellReady(env, a) })
			}
		}()
		go func() {
			for {
				select {
				case <-run.Done():
					return
				case <-hangup:
					a.Reload()
				}
			}
		}()
		err = a.Run(ctx)
		cancel()
		switch {
		case !errors.Is(err, app.ErrReopen):
			return err
		case ctx.Err() != nil: // it was to end anyway
			return nil
		}
		// Whoever asks finds it at the same addresses.
		cfg.HTTP, cfg.GRPC = a.HTTPAddr(), a.GRPCAddr()
	}
}

// tellReady prints where the service is, for whoever started it.
func tellReady(env Env, a *app.App) {
	ready := map[string]string{"http": a.URL()}
	if a.GRPCAddr() != "" {
		ready["grpc"] = a.GRPCAddr()
	}
	_ = json.NewEncoder(env.Stdout).Encode(ready)
}

// checkShard refuses a name that no stream can have.
func checkShard(name string) error {
	for _, r := range name {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_') {
			return errUse{fmt.Sprintf("--shard %q cannot be a shard's name; use letters, digits, - and _, for instance main", name)}
		}
	}
	return nil
}

// rebuild builds the view of a stopped instance again, beside the old one.
func rebuild(ctx context.Context, env Env, args []string) error {
	var cfg app.Config
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
	if err := checkShard(cfg.Shard); err != nil {
		return err
	}
	if err := salvage.Holds(cfg.Dir, salvage.LogFolder); err != nil {
		return err
	}
	cfg.Now, cfg.Slog, cfg.Version = env.Now, logger(env), env.Version
	began := time.Now()
	n, err := app.Rebuild(ctx, cfg)
	if err != nil {
		return err
	}
	took := time.Since(began).Seconds()
	return json.NewEncoder(env.Stdout).Encode(map[string]any{"events": n, "seconds": took, "eventsPerSecond": float64(n) / took})
}
