package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/salvage"
)

// source is where a question goes: an address of a running instance, or an instance's folder.
type source struct {
	http, data, shard string
	credentials       credentials
}

func (s *source) flags(fs interface {
	StringVar(*string, string, string, string)
}) {
	fs.StringVar(&s.http, "http", "", "URL of a running instance, for instance http://127.0.0.1:7451")
	fs.StringVar(&s.data, "data", "", "folder of an instance on this machine; a running one is asked by the operator's socket in it")
	fs.StringVar(&s.shard, "shard", "main", "shard, with --data")
	s.credentials.flags(fs)
}

// check refuses neither and both.
func (s *source) check() error {
	if (s.http == "") == (s.data == "") {
		return errUse{"give either --http URL, for a running instance, or --data DIR, for one on this machine"}
	}
	return checkShard(s.shard)
}

// question is what an instance is asked. timeout limits the time for an answer; 0 does not. A
// stopped instance has in addition all the time that it needs to start, and to build its view.
type question struct {
	method, path string
	query        url.Values
	body         []byte // JSON; nil for none
	timeout      time.Duration
	header       func(http.Header) // is given the answer's header; nil for nobody
}

// getTimeout limits an answer that the instance has at once.
const getTimeout = time.Minute

// get asks for a path of the instance and returns the whole answer.
func (s *source) get(ctx context.Context, env Env, path string, query url.Values) ([]byte, error) {
	return s.whole(ctx, env, question{method: http.MethodGet, path: path, query: query, timeout: getTimeout})
}

// maxAnswer is the largest answer that is read as a whole, in bytes: many times the largest
// expected.
const maxAnswer = 256 << 20

// whole asks the instance and returns the whole answer.
func (s *source) whole(ctx context.Context, env Env, q question) (body []byte, err error) {
	err = s.ask(ctx, env, q, func(r io.Reader) error {
		if body, err = io.ReadAll(io.LimitReader(r, maxAnswer+1)); err == nil && len(body) > maxAnswer {
			err = fmt.Errorf("it has more than %d MB", maxAnswer>>20)
		}
		return err
	})
	return body, err
}

// ask asks the instance and calls read with the answer.
func (s *source) ask(ctx context.Context, env Env, q question, read func(io.Reader) error) error {
	stop, err := s.open(ctx, env)
	if err != nil {
		return err
	}
	defer stop()
	base, at := strings.TrimRight(s.http, "/"), s.http
	if s.data != "" {
		base, at = "http://localhost", s.data // only the path counts at a socket
	}
	maps.DeleteFunc(q.query, func(_ string, v []string) bool { return v[0] == "" }) // what is not given is not asked
	req, err := http.NewRequestWithContext(ctx, q.method, base+q.path+"?"+q.query.Encode(), bytes.NewReader(q.body))
	if err != nil || req.URL.Host == "" {
		return errUse{fmt.Sprintf("--http %q is not a URL; give for instance http://127.0.0.1:7451", s.http)}
	}
	req.Header.Set("Accept", "application/json")
	if q.body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	transport := &http.Transport{Proxy: http.ProxyFromEnvironment}
	defer transport.CloseIdleConnections()
	if s.data != "" {
		transport.Proxy = nil
		transport.DialContext = func(ctx context.Context, _, _ string) (net.Conn, error) { return app.DialOperator(ctx, s.data) }
	} else {
		if transport.TLSClientConfig, err = s.credentials.tls(); err != nil {
			return err
		}
		token, err := s.credentials.token(req.URL.Hostname(), req.URL.Scheme == "https")
		if err != nil {
			return err
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
	}
	resp, err := (&http.Client{Timeout: q.timeout, Transport: transport}).Do(req)
	if err != nil {
		return fmt.Errorf("ask %s: %w; is it running?", at, err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return refusal(at, resp)
	}
	if q.header != nil {
		q.header(resp.Header)
	}
	if err := read(resp.Body); err != nil {
		return fmt.Errorf("read the answer of %s: %w", at, err)
	}
	return nil
}

// open makes sure that somebody answers. It starts a stopped instance for the question, which listens at the socket in its
// folder only; stop ends it.
func (s *source) open(ctx context.Context, env Env) (stop func(), err error) {
	stop = func() {}
	if err := s.check(); err != nil || s.data == "" {
		return stop, err
	}
	running, err := operated(ctx, s.data)
	if running || err != nil {
		return stop, err
	}
	if err := salvage.CheckFinished(s.data); err != nil {
		return nil, err
	}
	if err := salvage.Holds(s.data, salvage.LogFolder); err != nil {
		return nil, err
	}
	a, err := app.New(ctx, app.Config{Dir: s.data, Shard: s.shard, View: true, Version: env.Version, Now: env.Now, Slog: logger(env)})
	if errors.Is(err, app.ErrLocked) {
		return nil, fmt.Errorf("%w and --token-file: it has no operator's socket", err)
	}
	if err != nil {
		return nil, err
	}
	a.Start()
	if err := a.WaitReady(ctx); err != nil {
		a.Stop()
		return nil, err
	}
	return a.Stop, nil
}

// operated reports whether a running instance answers at the operator's socket in the folder.
func operated(ctx context.Context, dir string) (bool, error) {
	c, err := app.DialOperator(ctx, dir)
	switch {
	case err == nil:
		return true, c.Close()
	case errors.Is(err, fs.ErrPermission):
		return false, fmt.Errorf("%w; ask as root or as the user who runs the instance, or with --http and --token-file", err)
	}
	return false, nil // nobody listens: the folder says what is the matter
}

// refusal returns what an instance said instead of an answer.
func refusal(at string, resp *http.Response) error {
	body, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("read the answer of %s: %w", at, err)
	}
	var e struct {
		Error struct {
			Text string `json:"text"`
		} `json:"error"`
	}
	if json.Unmarshal(body, &e) == nil && e.Error.Text != "" {
		return fmt.Errorf("%s", e.Error.Text)
	}
	return fmt.Errorf("%s answered %s: %.200s", at, resp.Status, body)
}
