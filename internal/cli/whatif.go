package cli

import (
	"bytes"
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

	"google.golang.org/protobuf/encoding/protojson"

	"cannulary/internal/app"
	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// whatIfTimeout bounds a comparison: years of many patients are judged twice.
const whatIfTimeout = 15 * time.Minute

// whatIfCommand judges the record by another protocol and says what would differ.
func whatIfCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var file, facility string
	var asJSON bool
	fs := flags(env, "what-if", "--protocol FILE (--http URL | --data DIR) [--facility ID] [--json]")
	s.flags(fs)
	fs.StringVar(&file, "protocol", "", "file with the other protocol: protobuf-JSON of ProtocolAdopted, or of Protocol alone (required)")
	fs.StringVar(&facility, "facility", "", "facility whose protocol it would be; default all")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of a table")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if file == "" {
		return errUse{"--protocol is missing; name a file with the other protocol in protobuf-JSON"}
	}
	if (s.http == "") == (s.data == "") {
		return errUse{"give either --http URL, for a running instance, or --data DIR, for a stopped one"}
	}
	p, err := readProtocol(file)
	if err != nil {
		return err
	}
	text, err := protojson.Marshal(&cannularyv1.ProtocolAdopted{Version: p.Version, EffectiveFrom: p.From, Protocol: p.Protocol})
	if err != nil {
		return fmt.Errorf("write the protocol of %s as JSON: %w", file, err)
	}
	query := url.Values{}
	if facility != "" {
		query.Set("facility", facility)
	}
	body, err := s.post(ctx, env, "/what-if", query, text)
	if err != nil {
		return err
	}
	if asJSON {
		_, err = env.Stdout.Write(body)
		return err
	}
	var r whatif.Report
	if err := json.Unmarshal(body, &r); err != nil {
		return fmt.Errorf("the answer is not a comparison: %w; do versions of both sides agree?", err)
	}
	_, err = io.WriteString(env.Stdout, whatif.Text(&r))
	return err
}

func readProtocol(file string) (whatif.Proposal, error) {
	f, err := os.Open(file)
	if err != nil {
		return whatif.Proposal{}, fmt.Errorf("read the protocol: %w; check --protocol", err)
	}
	defer func() { _ = f.Close() }() // it was only read
	text, err := io.ReadAll(io.LimitReader(f, proposal.MaxBytes+1))
	if err != nil {
		return whatif.Proposal{}, fmt.Errorf("read the protocol %s: %w; check --protocol", file, err)
	}
	return proposal.Read(filepath.Base(file), text)
}

// post is get with a body.
func (s *source) post(ctx context.Context, env Env, path string, query url.Values, body []byte) ([]byte, error) {
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
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+path+"?"+query.Encode(), bytes.NewReader(body))
	if err != nil || req.URL.Host == "" {
		return nil, errUse{fmt.Sprintf("--http %q is no URL; give for instance http://127.0.0.1:7451", s.http)}
	}
	req.Header.Set("Accept", "application/json")
	req.Header.Set("Content-Type", "application/json")
	resp, err := (&http.Client{Timeout: whatIfTimeout}).Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w; is it running?", base, err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return nil, refusal(base, resp)
	}
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, fmt.Errorf("read the answer of %s: %w", base, err)
	}
	return answer, nil
}
