package embedded

import (
	"context"
	"database/sql"
	"fmt"
	"iter"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// Put implements [store.Ledger].
func (s *Store) Put(ctx context.Context, entries ...reception.Entry) error {
	run := context.WithoutCancel(ctx)
	last := s.ledgerSeq.Load()
	return s.write(ctx, forLedger, func() error {
		for _, e := range entries {
			body := e.Body
			if body == nil {
				body = []byte{} // a nil slice would be null
			}
			n, err := s.w.execN(run, `INSERT INTO entry (kind, key, held, known, body) VALUES (?, ?, ?, ?, ?)
				ON CONFLICT (kind, held, key, known) DO NOTHING`, e.Kind, e.Key, e.Held, e.Known, body)
			if err != nil {
				return err
			}
			if n == 1 {
				continue
			}
			var kept []byte
			if err := s.w.row(run, `SELECT body FROM entry WHERE kind = ? AND held = ? AND key = ? AND known = ?`,
				[]any{e.Kind, e.Held, e.Key, e.Known}, &kept); err != nil {
				return err
			}
			if string(kept) != string(body) {
				return fmt.Errorf("put %s: there is another entry known at the same instant; give a later one", store.EntryName(e))
			}
		}
		return s.w.row(run, lastEntry, nil, &last)
	}, func() { s.ledgerSeq.Store(last) })
}

// Entries implements [store.Ledger].
func (s *Store) Entries(ctx context.Context, kind string) iter.Seq2[reception.Entry, error] {
	return s.entries(ctx, s.stmts.entries, kind)
}

// History implements [store.Ledger].
func (s *Store) History(ctx context.Context, kind string) iter.Seq2[reception.Entry, error] {
	return s.entries(ctx, s.stmts.history, kind)
}

func (s *Store) entries(ctx context.Context, st *sql.Stmt, kind string) iter.Seq2[reception.Entry, error] {
	return func(yield func(reception.Entry, error) bool) {
		deliver(yield, s.read(ctx, nil, func(tx *sql.Tx) error {
			return each(ctx, s, tx, st, []any{kind}, func(rows *sql.Rows) (e reception.Entry, err error) {
				return e, rows.Scan(&e.Kind, &e.Key, &e.Held, &e.Known, &e.Body)
			}, yield)
		}))
	}
}

const lastEntry = `SELECT coalesce(max(id), 0) FROM entry`

// LedgerSeq implements [store.Ledger]. Each visit asks for it, so it is known by heart.
func (s *Store) LedgerSeq(ctx context.Context) (int64, error) {
	return s.ledgerSeq.Load(), s.check(ctx)
}
