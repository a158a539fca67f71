package cli

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// whatIfTimeout limits a comparison: years of many patients are judged twice.
const whatIfTimeout = 15 * time.Minute

// whatIfCommand judges the record by another protocol and prints what would differ.
func whatIfCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var file, facility string
	var asJSON bool
	fs := flags(env, "what-if", "--protocol FILE (--http URL | --data DIR) [--facility ID] [--json]")
	s.flags(fs)
	fs.StringVar(&file, "protocol", "", "file with the other protocol: protobuf-JSON of ProtocolAdopted, or of Protocol alone; "+
		"parameters that it leaves out keep the unit's own values (required)")
	fs.StringVar(&facility, "facility", "", "facility whose protocol it would be; default all")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of a table")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if file == "" {
		return errUse{"--protocol is missing; name a file with the other protocol in protobuf-JSON"}
	}
	if err := s.check(); err != nil {
		return err
	}
	p, err := readProtocol(file)
	if err != nil {
		return err
	}
	text, err := protojson.Marshal(&cannularyv1.ProtocolAdopted{Version: p.Version, EffectiveFrom: p.From, Protocol: p.Protocol})
	if err != nil {
		return fmt.Errorf("write the protocol of %s as JSON: %w", file, err)
	}
	body, err := s.whole(ctx, env, question{method: http.MethodPost, path: "/what-if", query: url.Values{"facility": {facility}},
		body: text, timeout: whatIfTimeout})
	if err != nil {
		return err
	}
	return show(env, body, asJSON, "a comparison", whatif.Text)
}

func readProtocol(file string) (whatif.Proposal, error) {
	f, err := os.Open(file)
	if err != nil {
		return whatif.Proposal{}, fmt.Errorf("read the protocol: %w; check --protocol", err)
	}
	defer func() { _ = f.Close() }() // the file was only read
	text, err := io.ReadAll(io.LimitReader(f, proposal.MaxBytes+1))
	if err != nil {
		return whatif.Proposal{}, fmt.Errorf("read the protocol %s: %w; check --protocol", file, err)
	}
	return proposal.Read(filepath.Base(file), text)
}
