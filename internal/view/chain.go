package view

import (
	"context"
	"database/sql"
	"errors"

	"cannulary/internal/chain"
)

// Chain reads how far the chains of the log's writers were followed. SumAt reads from the transaction.
func (t *Tx) Chain() (*chain.Checker, error) {
	c := chain.New(t.EntrySum)
	at, ok, err := t.Checkpoint()
	if err != nil || !ok {
		return c, err
	}
	c.Seq = at.Seq
	var head []byte
	if _, err := t.row(`SELECT sum FROM head`, nil, &head); err != nil {
		return nil, err
	}
	copy(c.Head[:], head)
	if err := t.load().each(`SELECT name, seq, ordinal, sum FROM writer`, nil, func(scan func(...any) error) error {
		var name string
		var seq, ordinal int64
		var sum []byte
		err := scan(&name, &seq, &ordinal, &sum)
		last := chain.Last{Seq: uint64(seq), Ordinal: uint64(ordinal)}
		copy(last.Sum[:], sum)
		c.Writers[name] = last
		return err
	}); err != nil {
		return nil, err
	}
	c.Findings, err = findings(t.ctx, t.conn)
	return c, err
}

// KeepChain writes what changed of it.
func (t *Tx) KeepChain(c *chain.Checker) error {
	head := c.Head // exec keeps it
	err := t.exec(`INSERT INTO head (one, sum) VALUES (1, ?) ON CONFLICT (one) DO UPDATE SET sum = excluded.sum`, head[:])
	if err != nil {
		return err
	}
	for name := range c.Touched {
		l := c.Writers[name]
		err := t.exec(`INSERT INTO writer (name, seq, ordinal, sum) VALUES (?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET
			seq = excluded.seq, ordinal = excluded.ordinal, sum = excluded.sum`, name, int64(l.Seq), int64(l.Ordinal), l.Sum[:])
		if err != nil {
			return err
		}
	}
	clear(c.Touched)
	if !c.Changed {
		return nil
	}
	c.Changed = false
	if err := t.exec(`DELETE FROM doubt`); err != nil {
		return err
	}
	for i, f := range c.Findings {
		if err := t.exec(`INSERT INTO doubt (place, kind, first, last, writer, low, high, want) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, i,
			string(f.Kind), int64(f.First), int64(f.Last), f.Writer, int64(f.From), int64(f.To), f.Want[:]); err != nil {
			return err
		}
	}
	return nil
}

// EntrySum is the sum of an entry that the view has a copy of.
func (t *Tx) EntrySum(seq uint64) (sum chain.Sum, ok bool, err error) {
	var data []byte
	ok, err = t.row(`SELECT data FROM event WHERE seq = ?`, []any{int64(seq)}, &data)
	return chain.SumOf(data), ok, err
}

// Head is the log's head at the view's checkpoint, and the checkpoint's sequence; 0 in an empty view.
func (s *Store) Head(ctx context.Context) (seq uint64, head chain.Sum, err error) {
	return readHead(ctx, s.r)
}

// Head is that of a view of this version; 0 for others.
func (c *Copy) Head(ctx context.Context) (seq uint64, head chain.Sum, err error) {
	var n int
	err = c.db.QueryRowContext(ctx, `SELECT count(*) FROM pragma_table_info('head')`).Scan(&n)
	if err != nil || n == 0 {
		return 0, head, err
	}
	return readHead(ctx, c.db)
}

func readHead(ctx context.Context, q queryer) (seq uint64, head chain.Sum, err error) {
	var at int64
	var sum []byte
	err = q.QueryRowContext(ctx, `SELECT seq, sum FROM checkpoint, head`).Scan(&at, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, head, nil
	}
	copy(head[:], sum)
	return uint64(at), head, err
}

// Findings are what an untouched log would not have, as far as it was projected.
func (s *Store) Findings(ctx context.Context) ([]chain.Finding, error) { return findings(ctx, s.r) }

func findings(ctx context.Context, q queryer) ([]chain.Finding, error) {
	return all(ctx, q, func(scan func(...any) error) (f chain.Finding, err error) {
		var first, last, low, high int64
		var want []byte
		err = scan(&f.Kind, &first, &last, &f.Writer, &low, &high, &want)
		f.First, f.Last, f.From, f.To = uint64(first), uint64(last), uint64(low), uint64(high)
		copy(f.Want[:], want)
		return f, err
	}, `SELECT kind, first, last, writer, low, high, want FROM doubt ORDER BY place`)
}
