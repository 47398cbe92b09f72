// Package embedded is the durable store of a home: one SQLite file in a data
// directory that one process holds at a time.
//
//	DIR/lock             held with flock(2) while the store is open
//	DIR/holdfast.db      the database, with -wal and -shm beside it
//	DIR/readings/        sealed readings, by month, in Parquet files
//	DIR/reserve          ballast that is given up when the disk is full
//
// Readings are keyed by time first: what is measured at one instant lands on one
// page, so that a visit costs about one page of writing and flash lives longer. The
// price is that reading one series walks over its neighbours.
//
// One commit is one sync. If a write fails, nothing of its batch is stored. If the sync
// itself fails the disk is broken: the batch is not shown, but after a crash at that
// moment it may be there, whole.
//
// Hour tallies are packed by day, up to 24 in one row, and compressed with Zstandard where
// that helps: rows of their own would take some 50 bytes more each. The rows lie in the
// order of days, so that following time reads the table once.
package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"github.com/ncruces/go-sqlite3/driver"

	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

// Options are what Open can do without.
type Options struct {
	// ReserveBytes is the size of the ballast file; 0 means 16 MiB, negative none.
	ReserveBytes int64
	// Logger gets what is worth a warning; nil discards it.
	Logger *slog.Logger

	vfs          string                           // SQLite's file layer; "" is the system's
	free         func(dir string) (uint64, error) // bytes that can still be written; nil asks statfs
	probe        func(dir string) error           // what writing some more gives; nil tries it
	pendingLines int                              // 0 means the constant of that name
	copyPages    int                              // likewise
	disk         disk                             // the file layer of sealed readings; nil is the system's
	at           func(moment)                     // is called at each state of a filing
	// 0 means the constants of these names.
	sealRows, hotRows, bulkRows, newRows, compactBytes int
}

const defaultReserve = 16 << 20

// A Store is a log and a ledger in one directory.
type Store struct {
	dir     string
	log     *slog.Logger
	free    func(dir string) (uint64, error)
	probe   func(dir string) error
	reserve reserve
	lock    *lock

	pendingLines, copyPages int

	closed    atomic.Bool
	ledgerSeq atomic.Int64

	// turn holds one token: whoever has it may write. A channel, so that waiting
	// ends with the caller's context.
	turn chan struct{}
	w    writer

	readers *sql.DB
	stmts   readStmts
	pins    pins
	forms   forms

	// Sealed readings.
	disk              disk
	codec             *segment.Codec
	archive           *archive
	at                func(moment)
	sealRows          int
	hotRows           int64
	compactBytes      int64
	bulkRows, newRows int
	lastSegment       atomic.Int64
	stranded          stranded
	tidying           chan struct{}   // holds a token while a Tidy runs
	late              lateCache       // used with the turn to write
	ahead             lookAhead       // likewise
	bulkWriter        *segment.Writer // nil until it is needed

	// mu guards what follows from a commit to its becoming visible here, so that a
	// snapshot of the database and the lines not yet written down agree.
	mu    sync.RWMutex
	cat   catalogue
	shelf *shelf
}

var (
	_ store.Log    = (*Store)(nil)
	_ store.Ledger = (*Store)(nil)
)

// Open opens the store in dir, making it if there is none, readable by the owner
// alone. It fails with [store.ErrInUse] at once if another process, or another Store
// of this one, holds dir, and with [store.ErrNewer] if a newer version wrote it.
func Open(ctx context.Context, dir string, o Options) (*Store, error) {
	s, err := openOnce(ctx, dir, &o)
	if errors.Is(err, store.ErrFull) {
		// Opening writes too: in the space of the reserve, so that what the store holds
		// can be read.
		if r := o.reserveIn(dir); r.giveUp(o.Logger) {
			return openOnce(ctx, dir, &o)
		}
	}
	return s, err
}

func (o *Options) reserveIn(dir string) reserve {
	return reserve{path: filepath.Join(dir, "reserve"), size: o.ReserveBytes}
}

func openOnce(ctx context.Context, dir string, o *Options) (_ *Store, err error) {
	if o.ReserveBytes == 0 {
		o.ReserveBytes = defaultReserve
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.pendingLines == 0 {
		o.pendingLines = pendingLines
	}
	if o.copyPages == 0 {
		o.copyPages = copyPages
	}
	if o.free == nil {
		o.free = freeBytes
	}
	if o.probe == nil {
		o.probe = probeWrite
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	codec, err := segment.NewCodec(1)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", dir, err)
	}
	s := &Store{dir: dir, log: o.Logger, free: o.free, probe: o.probe, turn: make(chan struct{}, 1),
		pendingLines: o.pendingLines, copyPages: o.copyPages,
		disk: cmp.Or[disk](o.disk, systemDisk{}), codec: codec, at: o.at, tidying: make(chan struct{}, 1),
		sealRows: cmp.Or(o.sealRows, sealRows), hotRows: int64(cmp.Or(o.hotRows, hotRows)), bulkRows: cmp.Or(o.bulkRows, bulkRows), newRows: cmp.Or(o.newRows, newRows),
		compactBytes: int64(cmp.Or(o.compactBytes, compactBytes))}
	s.pins.remove = s.disk.Remove
	s.archive = newArchive(s.disk, codec, s.log, s.readings())
	s.reserve = o.reserveIn(dir)
	if s.lock, err = takeLock(dir); err != nil {
		return nil, fmt.Errorf("open store %s: %w", dir, err)
	}
	defer func() {
		if err != nil {
			place := s.explain("open", err)
			if place == err {
				place = fmt.Errorf("open store %s: %w", dir, err)
			}
			err = errors.Join(place, s.release())
		}
	}()
	if err := s.w.open(ctx, dsn(dir, o.vfs, false)); err != nil {
		return nil, err
	}
	if s.readers, err = driver.Open(dsn(dir, o.vfs, true)); err != nil {
		return nil, err
	}
	// No limit on open connections: with one, iterators nested in several goroutines
	// could wait for each other for ever.
	s.readers.SetMaxIdleConns(3)
	if err := s.stmts.prepare(ctx, s.readers); err != nil {
		return nil, err
	}
	if err := s.recover(ctx); err != nil {
		return nil, err
	}
	if err := s.openReadings(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// openReadings opens the sealed readings, and takes over what lies beside them.
func (s *Store) openReadings(ctx context.Context) (err error) {
	if s.shelf, err = loadShelf(ctx, s.readers); err != nil {
		return err
	}
	if err := s.prepareReadings(); err != nil {
		return err
	}
	var last int64
	if err := s.readers.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'segment'`).Scan(&last); err != nil {
		return err
	}
	s.lastSegment.Store(last)
	orphans, err := s.sweep()
	if err != nil {
		return err
	}
	s.turn <- struct{}{}
	if err := s.strikeAside(ctx); errors.Is(err, store.ErrFull) {
		s.log.Warn("what is missing of the sealed readings is still counted", "error", err)
	} else if err != nil {
		return err
	}
	return s.adopt(ctx, orphans)
}

// dsn names the database for the driver. The writer's durable settings follow in
// [writer.open], after the version was seen.
func dsn(dir, vfs string, reader bool) string {
	q := url.Values{}
	q.Add("_pragma", "busy_timeout(10000)")
	q.Add("_pragma", "foreign_keys(1)")
	q.Add("_pragma", "cache_size(-4096)")
	if vfs != "" {
		q.Set("vfs", vfs)
	}
	if reader {
		q.Set("_txlock", "deferred")
		q.Add("_pragma", "query_only(1)")
	}
	path := filepath.ToSlash(filepath.Join(dir, databaseName))
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + q.Encode()
}

// Close waits for a running write, then releases the directory. Iterators that are
// under way end with [store.ErrClosed]. It may be called twice.
func (s *Store) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	<-s.turn // kept: nobody writes again
	return s.release()
}

func (s *Store) release() error {
	var errs []error
	if s.readers != nil {
		errs = append(errs, s.stmts.close(), s.readers.Close())
	}
	errs = append(errs, s.w.close(), s.lock.release())
	s.archive.close()
	return errors.Join(errs...)
}

// write runs fn as one transaction of the writing connection. fn's effects are
// durable, and done was called, when it returns nil; else nothing of it is stored.
func (s *Store) write(ctx context.Context, what purpose, fn func() error, done func()) error {
	if s.closed.Load() {
		return store.ErrClosed
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.turn:
	}
	defer func() { s.turn <- struct{}{} }()
	if s.closed.Load() {
		return store.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := s.reserve.admit(s, what); err != nil {
		return err
	}
	err := s.writeOnce(ctx, fn, done)
	if errors.Is(err, store.ErrFull) && s.reserve.giveUp(s.log) && what == forLedger {
		err = s.writeOnce(ctx, fn, done) // in the space of the reserve
	}
	return err
}

func (s *Store) writeOnce(ctx context.Context, fn func() error, done func()) error {
	// Statements run to their end: a commit that was cut short would leave the
	// caller not knowing. fn looks at the context between them.
	run := context.WithoutCancel(ctx)
	err := s.w.exec(run, "BEGIN IMMEDIATE")
	if err != nil {
		return s.explain("write", err)
	}
	if err = fn(); err == nil {
		err = ctx.Err()
	}
	if err == nil {
		s.mu.Lock()
		if err = s.w.exec(run, "COMMIT"); err == nil && done != nil {
			done()
		}
		s.mu.Unlock()
	}
	if err != nil {
		s.w.rollback(run)
		return s.explain("write", err)
	}
	return nil
}

// read runs fn in a snapshot. prepare, if not nil, runs when the snapshot is taken
// and no commit can come between.
func (s *Store) read(ctx context.Context, prepare func(), fn func(tx *sql.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if s.closed.Load() {
		return store.ErrClosed
	}
	tx, err := s.readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return s.failed(ctx, err)
	}
	defer tx.Rollback()
	if prepare != nil {
		s.mu.RLock()
		// The snapshot is taken by the first read, not by BEGIN.
		err = tx.StmtContext(ctx, s.stmts.snapshot).QueryRowContext(ctx).Scan(new(any))
		prepare()
		s.mu.RUnlock()
		if err != nil {
			return s.failed(ctx, err)
		}
	}
	return s.failed(ctx, fn(tx))
}

// failed gives an error its reason: Close and a cancelled context show themselves
// in many ways.
func (s *Store) failed(ctx context.Context, err error) error {
	switch {
	case err == nil || errors.Is(err, errStop):
		return err
	case s.closed.Load():
		return store.ErrClosed
	case ctx.Err() != nil:
		return ctx.Err()
	}
	return s.explain("read", err)
}

// check ends long reads: at Close and with the context.
func (s *Store) check(ctx context.Context) error {
	if s.closed.Load() {
		return store.ErrClosed
	}
	return ctx.Err()
}

// errStop ends a read whose consumer has had enough.
var errStop = errors.New("stop")

// deliver runs a read whose rows go to yield, and hands yield its error.
func deliver[T any](yield func(T, error) bool, err error) {
	if err != nil && !errors.Is(err, errStop) {
		var none T
		yield(none, err)
	}
}
