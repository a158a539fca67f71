package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"

	"cannulary/internal/app"
	"cannulary/internal/card"
	"cannulary/internal/card/downtime"
)

// pack writes the cards of all patients for a day without the service, and a closing line.
func pack(ctx context.Context, env Env, s *source, out, facility string) error {
	if out == "" {
		return errUse{"--out is missing; give a folder that does not exist yet"}
	}
	// Asking takes long, so the folder is checked first.
	if err := downtime.Check(out); err != nil {
		return err
	}
	q := url.Values{"facility": {facility}}
	var cards []card.Card
	var head string
	noted := func(h http.Header) { head = h.Get(app.HeadHeader) }
	err := s.ask(ctx, env, question{method: http.MethodGet, path: "/cards", query: q, header: noted}, func(r io.Reader) (err error) {
		cards, err = readCards(r)
		return err
	})
	if err != nil {
		return err
	}
	result, err := downtime.Write(out, cards, env.Now(), head)
	if err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(result)
}

// readCards reads one card a line. It fails if the answer was cut off.
func readCards(r io.Reader) ([]card.Card, error) {
	d := json.NewDecoder(r)
	var out []card.Card
	for {
		var c card.Card
		err := d.Decode(&c)
		switch {
		case errors.Is(err, io.EOF):
			return out, nil
		case errors.Is(err, io.ErrUnexpectedEOF):
			return nil, fmt.Errorf("the answer broke off after %d cards: %w; nothing was written, ask again", len(out), err)
		case err != nil:
			return nil, fmt.Errorf("line %d of the answer is not a card: %w; do both sides run the same version?", len(out)+1, err)
		}
		if c.Patient.ID == "" || c.Caution == "" {
			return nil, fmt.Errorf("line %d of the answer is not a card; do both sides run the same version?", len(out)+1)
		}
		out = append(out, c)
	}
}
