package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/card"
)

// source is where a question is asked: a running instance, or a stopped one's folder.
type source struct{ http, data, shard string }

func (s *source) flags(fs interface {
	StringVar(*string, string, string, string)
}) {
	fs.StringVar(&s.http, "http", "", "URL of a running instance, for instance http://127.0.0.1:7451")
	fs.StringVar(&s.data, "data", "", "folder of a stopped instance")
	fs.StringVar(&s.shard, "shard", "main", "shard, with --data")
}

// get asks path of the instance; a stopped one is started for the question on a free port.
func (s *source) get(ctx context.Context, env Env, path string, query url.Values) ([]byte, error) {
	if (s.http == "") == (s.data == "") {
		return nil, errUse{"give either --http URL, for a running instance, or --data DIR, for a stopped one"}
	}
	base := strings.TrimRight(s.http, "/")
	if s.data != "" {
		if _, err := os.Stat(filepath.Join(s.data, "log")); err != nil {
			return nil, fmt.Errorf("there is no instance in %s; check --data", s.data)
		}
		a, err := app.New(ctx, app.Config{Dir: s.data, Shard: s.shard, View: true, HTTP: "127.0.0.1:0", Version: env.Version, Now: env.Now, Slog: logger(env)})
		if err != nil {
			return nil, err
		}
		defer a.Stop()
		a.Start()
		if !waitReadyOrFailed(ctx, a) {
			if err := a.Projector().Failed(); err != nil {
				return nil, err
			}
			return nil, ctx.Err()
		}
		base = "http://" + a.HTTPAddr()
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+path+"?"+query.Encode(), nil)
	if err != nil {
		return nil, errUse{fmt.Sprintf("--http %q is no URL", s.http)}
	}
	req.Header.Set("Accept", "application/json")
	resp, err := (&http.Client{Timeout: time.Minute}).Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w; is it running?", base, err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(io.LimitReader(resp.Body, 64<<20))
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", base, err)
	}
	if resp.StatusCode != http.StatusOK {
		var e struct {
			Error struct {
				Text string `json:"text"`
			} `json:"error"`
		}
		if json.Unmarshal(body, &e) == nil && e.Error.Text != "" {
			return nil, fmt.Errorf("%s", e.Error.Text)
		}
		return nil, fmt.Errorf("%s answered %s: %.200s", base, resp.Status, body)
	}
	return body, nil
}

func cardCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var identifier, asOf, knownAt string
	var asJSON bool
	fs := flags(env, "card", "(--http URL | --data DIR) --identifier 'SYSTEM|VALUE' [--as-of TIME] [--known-at TIME] [--json]")
	s.flags(fs)
	fs.StringVar(&identifier, "identifier", "", "patient's identifier, SYSTEM|VALUE (required)")
	fs.StringVar(&asOf, "as-of", "", "the clinical moment asked for; default now")
	fs.StringVar(&knownAt, "known-at", "", "only what the log held then; default everything")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of text")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if identifier == "" {
		return errUse{"--identifier is missing; give the system, a vertical bar and the value"}
	}
	q := url.Values{"identifier": {identifier}}
	for name, v := range map[string]string{"as_of": asOf, "known_at": knownAt} {
		if _, err := parseMoment(v); err != nil {
			return err
		}
		if v != "" {
			q.Set(name, v)
		}
	}
	body, err := s.get(ctx, env, "/card", q)
	if err != nil {
		return err
	}
	if asJSON {
		_, err = env.Stdout.Write(body)
		return err
	}
	var c card.Card
	if err := json.Unmarshal(body, &c); err != nil {
		return fmt.Errorf("the answer is not a card: %w; do versions of both sides agree?", err)
	}
	_, err = io.WriteString(env.Stdout, card.Text(c))
	return err
}

func statusCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var asJSON bool
	fs := flags(env, "status", "(--http URL | --data DIR) [--json]")
	s.flags(fs)
	fs.BoolVar(&asJSON, "json", false, "JSON instead of text")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	body, err := s.get(ctx, env, "/status", nil)
	if err != nil {
		return err
	}
	if asJSON {
		_, err = env.Stdout.Write(body)
		return err
	}
	var st app.Status
	if err := json.Unmarshal(body, &st); err != nil {
		return fmt.Errorf("the answer is not a status: %w; do versions of both sides agree?", err)
	}
	_, err = io.WriteString(env.Stdout, st.Text(env.Now()))
	return err
}
