package app

import (
	"context"
	"net/http"

	"cannulary/internal/chain"
)

// HeadHeader is the header of an answer of cards that holds the log's head for the print.
const HeadHeader = "Cannulary-Log-Head"

// head is the log's head as far as the view has come, signed. The mark is empty in an empty view.
func (a *App) head(ctx context.Context) (chain.Mark, error) {
	seq, sum, err := a.store.Head(ctx)
	if err != nil || seq == 0 {
		return chain.Mark{}, err
	}
	m := chain.MarkOf(a.log.Shard(), seq, sum)
	m.Signature = a.ring.Sign(m.Text())
	return m, nil
}

// noteHead writes the log's head into the operator's log, once a day: where that log is sent to another machine,
// the head stands where whoever changes this one cannot reach it. A command that only asks a stopped instance notes
// nothing.
func (a *App) noteHead(ctx context.Context) error {
	if a.store == nil || !a.cfg.Ingest && a.cfg.NATS == "" {
		return nil
	}
	m, err := a.head(ctx)
	if err != nil || m.Seq == 0 {
		return err
	}
	list, err := a.store.Findings(ctx)
	if err != nil {
		return err
	}
	a.cfg.Slog.Info("the log's head; `cannulary verify --head` holds the log against it", "head", m.String(),
		"findings", chain.Broken(list))
	for i, f := range list {
		if i == findingsSaid {
			break
		}
		a.cfg.Slog.Warn("the log is not as its writers left it, see runbook CannularyChainBroken", "finding", f.String())
	}
	return nil
}

// findingsSaid is how many findings are written into the operator's log, and into a status.
const findingsSaid = 20

// headed adds the log's head to the answer.
func (a *App) headed(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if m, err := a.head(r.Context()); err == nil && m.Seq > 0 {
			w.Header().Set(HeadHeader, m.Short())
		}
		h.ServeHTTP(w, r)
	})
}
