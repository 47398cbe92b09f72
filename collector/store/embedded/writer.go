package embedded

import (
	"context"
	"database/sql"
	"errors"

	"github.com/ncruces/go-sqlite3/driver"
)

// A writer is the one connection that writes, with its prepared statements.
type writer struct {
	db    *sql.DB
	conn  *sql.Conn
	stmts map[string]*sql.Stmt
}

func (w *writer) open(ctx context.Context, dsn string) error {
	var err error
	if w.db, err = driver.Open(dsn); err != nil {
		return err
	}
	w.db.SetMaxOpenConns(1)
	if w.conn, err = w.db.Conn(ctx); err != nil {
		return err
	}
	w.stmts = map[string]*sql.Stmt{}
	return migrate(ctx, w.conn)
}

func (w *writer) close() error {
	if w.db == nil {
		return nil
	}
	var errs []error
	for _, st := range w.stmts {
		errs = append(errs, st.Close())
	}
	if w.conn != nil {
		errs = append(errs, w.conn.Close())
	}
	return errors.Join(append(errs, w.db.Close())...)
}

// prepare returns the statement of a query, prepared once.
func (w *writer) prepare(ctx context.Context, query string) (*sql.Stmt, error) {
	if st, ok := w.stmts[query]; ok {
		return st, nil
	}
	st, err := w.conn.PrepareContext(ctx, query)
	if err == nil {
		w.stmts[query] = st
	}
	return st, err
}

func (w *writer) exec(ctx context.Context, query string, args ...any) error {
	_, err := w.execN(ctx, query, args...)
	return err
}

// execN returns how many rows were changed.
func (w *writer) execN(ctx context.Context, query string, args ...any) (int, error) {
	st, err := w.prepare(ctx, query)
	if err != nil {
		return 0, err
	}
	res, err := st.ExecContext(ctx, args...)
	if err != nil {
		return 0, err
	}
	n, err := res.RowsAffected()
	return int(n), err
}

// row scans the only row of a query; sql.ErrNoRows if there is none.
func (w *writer) row(ctx context.Context, query string, args []any, dest ...any) error {
	st, err := w.prepare(ctx, query)
	if err != nil {
		return err
	}
	return st.QueryRowContext(ctx, args...).Scan(dest...)
}

// rollback ends a transaction that failed. SQLite may have ended it itself; then
// there is nothing to do, and any other trouble shows at the next BEGIN.
func (w *writer) rollback(ctx context.Context) {
	w.conn.ExecContext(ctx, "ROLLBACK")
}
