package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"

	"cannulary/internal/app"
	"cannulary/internal/card"
)

func cardCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var identifier, asOf, knownAt string
	var asJSON, all bool
	var out, facility string
	fs := flags(env, "card",
		"(--http URL | --data DIR) (--identifier 'SYSTEM|VALUE' [--as-of TIME] [--known-at TIME] [--json] | --all --out DIR [--facility "+
			"CODE])")
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
			return errUse{"--all takes --out and --facility; --identifier, --as-of, --known-at and --json are for one patient's card"}
		}
		return pack(ctx, env, &s, out, facility)
	}
	if out != "" || facility != "" {
		return errUse{"--out and --facility go with --all; one patient's card goes to stdout"}
	}
	if identifier == "" {
		return errUse{"--identifier is missing; give the system, a vertical bar and the value"}
	}
	q := url.Values{"identifier": {identifier}, "as_of": {asOf}, "known_at": {knownAt}}
	for _, v := range []string{asOf, knownAt} {
		if err := checkMoment(v); err != nil {
			return err
		}
	}
	body, err := s.get(ctx, env, "/card", q)
	if err != nil {
		return err
	}
	return show(env, body, asJSON, "a card", func(c *card.Card) string { return card.Text(*c) })
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
	return show(env, body, asJSON, "a status", func(st *app.Status) string { return st.Text(env.Now()) })
}

// show writes an answer as it came, or in words. what names it in an error.
func show[T any](env Env, body []byte, asJSON bool, what string, words func(*T) string) error {
	if asJSON {
		_, err := env.Stdout.Write(body)
		return err
	}
	var v T
	if err := json.Unmarshal(body, &v); err != nil {
		return fmt.Errorf("the answer is not %s: %w; do both sides run the same version?", what, err)
	}
	_, err := io.WriteString(env.Stdout, words(&v))
	return err
}
