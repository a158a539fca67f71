package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/salvage"
)

// source is where a question goes: a running instance, or a stopped one's folder.
type source struct {
	http, data, shard string
	credentials       credentials
}

func (s *source) flags(fs interface {
	StringVar(*string, string, string, string)
}) {
	fs.StringVar(&s.http, "http", "", "URL of a running instance, for instance http://127.0.0.1:7451")
	fs.StringVar(&s.data, "data", "", "folder of a stopped instance")
	fs.StringVar(&s.shard, "shard", "main", "shard, with --data")
	s.credentials.flags(fs)
}

// check refuses neither and both.
func (s *source) check() error {
	if (s.http == "") == (s.data == "") {
		return errUse{"give either --http URL, for a running instance, or --data DIR, for a stopped one"}
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
	base, stop, err := s.open(ctx, env)
	if err != nil {
		return err
	}
	defer stop()
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
	if s.data == "" {
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
		return fmt.Errorf("ask %s: %w; is it running?", base, err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return refusal(base, resp)
	}
	if q.header != nil {
		q.header(resp.Header)
	}
	if err := read(resp.Body); err != nil {
		return fmt.Errorf("read the answer of %s: %w", base, err)
	}
	return nil
}

// open returns the address to ask. It starts a stopped instance on a free port for the question;
// stop ends it.
func (s *source) open(ctx context.Context, env Env) (base string, stop func(), err error) {
	if err := s.check(); err != nil {
		return "", nil, err
	}
	if s.data == "" {
		return strings.TrimRight(s.http, "/"), func() {}, nil
	}
	if err := salvage.CheckFinished(s.data); err != nil {
		return "", nil, err
	}
	if _, err := os.Stat(filepath.Join(s.data, "log")); err != nil {
		return "", nil, fmt.Errorf("there is no instance in %s; check --data", s.data)
	}
	a, err := app.New(ctx, app.Config{Dir: s.data, Shard: s.shard, View: true, HTTP: "127.0.0.1:0", Version: env.Version,
		Now: env.Now, Slog: logger(env)})
	if err != nil {
		return "", nil, err
	}
	a.Start()
	if !waitReadyOrFailed(ctx, a) {
		err := errors.Join(a.Projector().Failed(), ctx.Err())
		a.Stop()
		return "", nil, err
	}
	return "http://" + a.HTTPAddr(), a.Stop, nil
}

// refusal returns what an instance said instead of an answer.
func refusal(base string, resp *http.Response) error {
	body, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("read the answer of %s: %w", base, err)
	}
	var e struct {
		Error struct {
			Text string `json:"text"`
		} `json:"error"`
	}
	if json.Unmarshal(body, &e) == nil && e.Error.Text != "" {
		return fmt.Errorf("%s", e.Error.Text)
	}
	return fmt.Errorf("%s answered %s: %.200s", base, resp.Status, body)
}
