package eventlog

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Remote is how an external server or cluster is reached.
type Remote struct {
	URL         string
	Credentials string // NATS credentials file; empty for none
	// CA holds the certificates of the authority of the nodes; Cert and Key are this process's own.
	// PEM files, read again with each connection. Empty uses no TLS of our own.
	CA, Cert, Key string
	// Refused hears what the server did not allow. nil hears nothing.
	Refused func(error)
}

// ErrNotYet says that the external log may be there soon: its server does not answer yet, or nobody has made
// the stream or the bucket.
var ErrNotYet = errors.New("the external log is not there yet")

// Dial connects to an external server or cluster. It reconnects for ever when the connection
// breaks.
func Dial(r Remote) (*nats.Conn, error) {
	if strings.TrimSpace(r.URL) == "" {
		return nil, errors.New("the address of the NATS server is empty; give one, for instance nats://127.0.0.1:4222")
	}
	opts := []nats.Option{nats.Name("cannulary"), nats.MaxReconnects(-1), nats.ReconnectWait(500 * time.Millisecond)}
	if r.Credentials != "" {
		opts = append(opts, nats.UserCredentials(r.Credentials))
	}
	if (r.Cert == "") != (r.Key == "") {
		return nil, errors.New("a certificate for NATS and its key belong together; give both --nats-cert and --nats-key")
	}
	for flag, file := range map[string]string{"--nats-ca": r.CA, "--nats-cert": r.Cert, "--nats-key": r.Key} {
		if file == "" {
			continue
		}
		if f, err := os.Open(file); err != nil {
			return nil, fmt.Errorf("%s: %w", flag, err)
		} else if err := f.Close(); err != nil {
			return nil, fmt.Errorf("%s: %w", flag, err)
		}
	}
	if r.CA != "" {
		opts = append(opts, nats.RootCAs(r.CA))
	}
	if r.Cert != "" {
		opts = append(opts, nats.ClientCert(r.Cert, r.Key))
	}
	if r.Refused != nil {
		opts = append(opts, nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { r.Refused(err) }))
	}
	nc, err := nats.Connect(r.URL, opts...)
	switch {
	case err == nil:
		return nc, nil
	case errors.Is(err, nats.ErrNoServers):
		return nil, fmt.Errorf("%w: connect to NATS at %s: %w; is it running and JetStream enabled?", ErrNotYet, r.URL, err)
	}
	return nil, fmt.Errorf("connect to NATS at %s: %w; does it take this certificate, and do --nats-ca, --nats-cert and --nats-key "+
		"name the right files?", r.URL, err)
}

// JetStream opens the API of a connection. prefix is that of the API; empty is the server's own.
func JetStream(nc *nats.Conn, prefix string, opts ...jetstream.JetStreamOpt) (jetstream.JetStream, error) {
	if prefix == "" {
		return jetstream.New(nc, opts...)
	}
	return jetstream.NewWithAPIPrefix(nc, prefix, opts...)
}

// clusterStarts is the server's error while a cluster has no leader yet.
const clusterStarts = 10008

// NotYet adds ErrNotYet to an error that waiting may cure. A server gives no answer to what it does not let this
// user ask.
func NotYet(err error) error {
	var api *jetstream.APIError
	if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrJetStreamNotEnabled) ||
		errors.Is(err, context.DeadlineExceeded) || errors.As(err, &api) && api.ErrorCode == clusterStarts {
		return fmt.Errorf("%w: %w; do its nodes see each other, and did the administrator run `cannulary prepare`?", ErrNotYet, err)
	}
	return err
}
