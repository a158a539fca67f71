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

// get asks path of the instance and reads the whole answer.
func (s *source) get(ctx context.Context, env Env, path string, query url.Values) (body []byte, err error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	err = s.ask(ctx, env, path, query, func(r io.Reader) error {
		body, err = io.ReadAll(io.LimitReader(r, 64<<20))
		return err
	})
	return body, err
}

// ask asks path of the instance and has the answer read; a stopped one is started for the
// question on a free port.
func (s *source) ask(ctx context.Context, env Env, path string, query url.Values, read func(io.Reader) error) error {
	if (s.http == "") == (s.data == "") {
		return errUse{"give either --http URL, for a running instance, or --data DIR, for a stopped one"}
	}
	base := strings.TrimRight(s.http, "/")
	if s.data != "" {
		if _, err := os.Stat(filepath.Join(s.data, "log")); err != nil {
			return fmt.Errorf("there is no instance in %s; check --data", s.data)
		}
		a, err := app.New(ctx, app.Config{Dir: s.data, Shard: s.shard, View: true, HTTP: "127.0.0.1:0", Version: env.Version, Now: env.Now, Slog: logger(env)})
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
		base = "http://" + a.HTTPAddr()
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+path+"?"+query.Encode(), nil)
	if err != nil {
		return errUse{fmt.Sprintf("--http %q is no URL", s.http)}
	}
	req.Header.Set("Accept", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("ask %s: %w; is it running?", base, err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return refusal(base, resp)
	}
	if err := read(resp.Body); err != nil {
		return fmt.Errorf("read the answer of %s: %w", base, err)
	}
	return nil
}

// refusal is what an instance said instead of an answer.
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

func cardCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var identifier, asOf, knownAt string
	var asJSON, all bool
	var out, facility string
	fs := flags(env, "card", "(--http URL | --data DIR) (--identifier 'SYSTEM|VALUE' [--as-of TIME] [--known-at TIME] [--json] | --all --out DIR [--facility CODE])")
	s.flags(fs)
	fs.StringVar(&identifier, "identifier", "", "patient's identifier, SYSTEM|VALUE (required, or --all)")
	fs.BoolVar(&all, "all", false, "the cards of all patients, to be printed, for a day without the service")
	fs.StringVar(&out, "out", "", "with --all: folder to write them to; must not exist yet, or be empty")
	fs.StringVar(&facility, "facility", "", "with --all: the patients of this facility only")
	fs.StringVar(&asOf, "as-of", "", "the clinical moment asked for; default now")
	fs.StringVar(&knownAt, "known-at", "", "only what the log held then; default everything")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of text")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if all {
		if identifier != "" || asOf != "" || knownAt != "" || asJSON {
			return errUse{"--all takes --out and --facility; --identifier, --as-of, --known-at and --json are of one patient's card"}
		}
		return pack(ctx, env, &s, out, facility)
	}
	if out != "" || facility != "" {
		return errUse{"--out and --facility go with --all; one patient's card goes to stdout"}
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
