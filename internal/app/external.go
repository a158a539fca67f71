package app

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
)

// externalWait is how long a start waits for the external log: its nodes elect a leader, an administrator
// prepares it.
const externalWait = 5 * time.Minute

// external opens keys and log on the external server. It waits for one that does not answer yet.
func (a *App) external(ctx context.Context) error {
	master, err := a.masterKey()
	if err != nil {
		return err
	}
	said := ""
	for end := time.Now().Add(externalWait); ; {
		err := a.try(ctx, master)
		if err == nil || !errors.Is(err, eventlog.ErrNotYet) || ctx.Err() != nil || time.Now().After(end) {
			return err
		}
		if why := err.Error(); why != said {
			a.cfg.Slog.Info("waiting for the external log", "why", why)
			said = why
		}
		if a.nc != nil {
			a.nc.Close()
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

func (a *App) try(ctx context.Context, master []byte) error {
	js, err := a.dial()
	if err != nil {
		return err
	}
	store, err := keyring.OpenBucket(ctx, js, a.bucketName(), a.cfg.Replicas, master)
	if err == nil {
		err = a.openRecord(ctx, store)
	}
	if err == nil && a.answers {
		// An administrator makes log and trail, one after the other.
		if a.trail.stream, err = eventlog.Open(ctx, a.nc, a.trailConfig()); err != nil {
			err = errors.Join(err, a.log.Close(), a.ring.Close())
			a.log, a.ring = nil, nil
		}
	}
	return eventlog.NotYet(err)
}

// dial connects to the external server.
func (a *App) dial() (js jetstream.JetStream, err error) {
	cfg := a.cfg
	a.nc, err = eventlog.Dial(eventlog.Remote{URL: cfg.NATS, Credentials: cfg.Credentials, CA: cfg.NATSCA, Cert: cfg.NATSCert,
		Key: cfg.NATSKey, Refused: func(err error) { cfg.Slog.Warn("the external log server refused a request", "err", err) }})
	if err != nil {
		return nil, err
	}
	return eventlog.JetStream(a.nc, cfg.NATSAPI)
}

func (a *App) bucketName() string { return "cannulary-keys-" + a.cfg.Shard }

// masterKey reads the key that wraps the keys of patients.
func (a *App) masterKey() ([]byte, error) {
	if a.cfg.MasterKeyFile == "" {
		return nil, errors.New("an external log needs --master-key-file: 64 hexadecimal digits that wrap the keys of patients, " +
			"the same for every process; make one with `openssl rand -hex 32` and keep a copy apart from the cluster")
	}
	text, err := os.ReadFile(a.cfg.MasterKeyFile)
	if err != nil {
		return nil, fmt.Errorf("master key: %w", err)
	}
	master, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(master) != keyring.SecretSize {
		return nil, fmt.Errorf("master key file %s does not hold 64 hexadecimal digits; make one with `openssl rand -hex 32`",
			a.cfg.MasterKeyFile)
	}
	return master, nil
}

// Prepare makes the streams and the key bucket of a shard on an external server, if they are not there, sets the
// log's limit, and writes what is there then.
func Prepare(ctx context.Context, cfg Config, out io.Writer) error {
	cfg.Prepare = true
	a := &App{cfg: cfg}
	defer func() {
		if a.nc != nil {
			a.nc.Close()
		}
	}()
	if err := a.openLog(ctx); err != nil {
		return err
	}
	stream, err := eventlog.Open(ctx, a.nc, a.trailConfig())
	if err != nil {
		return fmt.Errorf("make the audit trail: %w", err)
	}
	defer func() { _ = stream.Close() }()
	return json.NewEncoder(out).Encode(map[string]any{"stream": eventlog.StreamName(cfg.Shard), "bucket": a.bucketName(),
		"logId": a.log.ID(), "logMaxBytes": a.log.Limit().Is, "trail": eventlog.TrailName(cfg.Shard),
		"trailMaxBytes": stream.Limit().Is, "replicas": cfg.Replicas})
}
