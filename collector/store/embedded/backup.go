package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"

	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

const (
	databaseName = "holdfast.db"
	readingsName = "readings"
	// unfinished is what is appended to the database's name until a copy is whole.
	unfinished = ".unfinished"
	// copyPages is how many pages of the database are copied between two looks at the
	// context.
	copyPages = 256
)

// A Copied says what a backup or a restore has copied.
type Copied struct {
	Files  int   `json:"files"`  // the database and the files of sealed readings
	Bytes  int64 `json:"bytes"`  // of all files
	Linked int   `json:"linked"` // files that are hard links and took no space
	// Faults says of files of sealed readings that they are missing or damaged, a line
	// each. All else is copied.
	Faults []string `json:"faults,omitempty"`
}

// A sealedFile is a file of sealed readings that the catalogue names.
type sealedFile struct {
	name  string
	bytes int64
	crc   uint32 // of its end, which has the checksums of the rest
}

// errSpoilt: a file of sealed readings is not what it was.
var errSpoilt = errors.New("it is damaged")

// Backup copies the store as it stands into dir, which must be empty or not there; it
// may be used meanwhile, and everything whose Append or Put returned before the call is
// in the copy. The database appears in dir under its name when all is on disk, so a copy
// that was cut short is not taken for one. Files of sealed readings never change: on the
// same file system they are linked, elsewhere the copies are checked. progress, if not
// nil, is told how many bytes of how many are done.
func (s *Store) Backup(ctx context.Context, dir string, progress func(done, total int64)) (_ Copied, err error) {
	if err := s.check(ctx); err != nil {
		return Copied{}, err
	}
	c := copying{ctx: ctx, what: "back up to " + dir, dir: dir, progress: progress, free: s.free, partial: true}
	if err := c.makeEmpty(); err != nil {
		return Copied{}, err
	}
	defer func() {
		if err != nil {
			if s.closed.Load() {
				err = store.ErrClosed
			}
			err = c.failed(err)
			c.undo()
		}
	}()
	release := s.pins.hold()
	defer func() { err = errors.Join(err, release()) }()
	files, err := s.copyDatabase(&c)
	if err != nil {
		return Copied{}, err
	}
	for _, f := range files {
		if err := c.fault(f, c.link(filepath.Join(s.dir, readingsName, f.name), f)); err != nil {
			return Copied{}, err
		}
	}
	return c.out, c.finish()
}

// copyDatabase copies one snapshot of the database and returns the sealed files that
// it names.
func (s *Store) copyDatabase(c *copying) (files []sealedFile, err error) {
	conn, err := s.readers.Conn(c.ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	// While the transaction is open the copying sees its snapshot alone.
	tx, err := conn.BeginTx(c.ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	var pages, pageSize int64
	if err := tx.QueryRowContext(c.ctx, `SELECT (SELECT 1 FROM migration LIMIT 1), page_count, page_size FROM pragma_page_count, pragma_page_size`).
		Scan(new(any), &pages, &pageSize); err != nil {
		return nil, err
	}
	if files, err = sealedFiles(c.ctx, tx); err != nil {
		return nil, err
	}
	c.total = pages * pageSize
	for _, f := range files {
		c.total += f.bytes
	}
	if err := c.room(pages * pageSize); err != nil {
		return nil, err
	}
	to := filepath.Join(c.dir, databaseName+unfinished)
	c.made = append(c.made, to, to+"-journal")
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) // SQLite would open it to others
	if err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	err = conn.Raw(func(raw any) error {
		b, err := raw.(driver.Conn).Raw().BackupInit("main", fileURI(to))
		if err != nil {
			return err
		}
		for {
			done, err := b.Step(s.copyPages)
			if err == nil {
				err = s.check(c.ctx)
			}
			if err != nil {
				b.Close()
				return err
			}
			c.step(int64(b.PageCount()-b.Remaining()) * pageSize)
			if done {
				return b.Close()
			}
		}
	})
	if err != nil {
		return nil, err
	}
	c.copied(pages * pageSize)
	return files, nil
}

// sealedFiles lists the files of sealed readings that a snapshot names.
func sealedFiles(ctx context.Context, tx *sql.Tx) (files []sealedFile, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT file, bytes, crc32c FROM segment ORDER BY id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var f sealedFile
		if err := rows.Scan(&f.name, &f.bytes, &f.crc); err != nil {
			return nil, err
		}
		files = append(files, f)
	}
	return files, rows.Err()
}

func fileURI(path string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()
}

// RestoreOptions are what Restore can do without.
type RestoreOptions struct {
	// Partial restores a backup too whose files of sealed readings are missing or
	// damaged: what can be read of them is restored, and Faults says which.
	Partial bool
	// Progress, if not nil, is told how many bytes of how many are done.
	Progress func(done, total int64)

	free func(dir string) (uint64, error)
}

// Restore puts the backup in from into dir, which may hold no store. Nobody may have
// the store in dir open. The backup's database is checked, and its files of sealed
// readings are compared with their checksums. Nothing of a restore that failed is taken
// for a store; the backup is not changed.
func Restore(ctx context.Context, from, dir string, o RestoreOptions) (_ Copied, err error) {
	if o.free == nil {
		o.free = freeBytes
	}
	c := copying{ctx: ctx, what: "restore " + from + " to " + dir, dir: dir, progress: o.Progress, free: o.free, partial: o.Partial}
	source := filepath.Join(from, databaseName)
	st, err := os.Stat(source)
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(source + unfinished); err == nil {
			return Copied{}, fmt.Errorf("%s: the backup was cut short and is not whole; take another one", c.what)
		}
		return Copied{}, fmt.Errorf("%s: there is no backup: %s is missing", c.what, source)
	}
	if err != nil {
		return Copied{}, fmt.Errorf("%s: %w", c.what, err)
	}
	if is, err := held(from); err == nil && is {
		return Copied{}, fmt.Errorf("%s: %w: a running holdfast has the first; copy it with holdfast backup", c.what, store.ErrInUse)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return Copied{}, fmt.Errorf("%s: %w", c.what, err)
	}
	l, err := takeLock(dir)
	if errors.Is(err, store.ErrInUse) {
		return Copied{}, fmt.Errorf("%s: %w: a running holdfast has the second; stop it first", c.what, store.ErrInUse)
	}
	if err != nil {
		return Copied{}, fmt.Errorf("%s: %w", c.what, err)
	}
	defer func() { err = errors.Join(err, l.release()) }()
	if err := c.noStore(); err != nil {
		return Copied{}, err
	}
	defer func() {
		if err != nil {
			err = c.failed(err)
			c.undo()
		}
	}()
	if err := c.room(st.Size()); err != nil {
		return Copied{}, err
	}
	c.total = st.Size()
	to := filepath.Join(dir, databaseName+unfinished)
	c.made = append(c.made, to, to+"-wal", to+"-shm")
	if err := c.copyFile(source, to, st.Size()); err != nil {
		return Copied{}, err
	}
	// A folder that was copied by hand may have the database's log beside it.
	if st, err := os.Stat(source + "-wal"); err == nil && st.Size() > 0 {
		if err := c.copyFile(source+"-wal", to+"-wal", st.Size()); err != nil {
			return Copied{}, err
		}
	}
	files, err := checkCopy(ctx, to)
	if err != nil {
		return Copied{}, err
	}
	var size int64
	for _, f := range files {
		size += f.bytes
	}
	if c.total += size; size > 0 {
		if err := c.room(size); err != nil {
			return Copied{}, err
		}
	}
	for _, f := range files {
		if err := c.fault(f, c.copySealed(filepath.Join(from, readingsName, f.name), f)); err != nil {
			return Copied{}, fmt.Errorf("%s/%s: %w; take another backup, or add --partial to restore the rest", readingsName, f.name, err)
		}
	}
	return c.out, c.finish()
}

// checkCopy opens a copied database, sees that it is one of this version or before and
// sound, and returns the sealed files that it names.
func checkCopy(ctx context.Context, path string) (files []sealedFile, err error) {
	db, err := driver.Open(fileURI(path))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	var version int
	tx, err := db.BeginTx(ctx, nil)
	if err == nil {
		defer tx.Rollback()
		err = tx.QueryRowContext(ctx, `SELECT max(version) FROM migration`).Scan(&version)
	}
	if err != nil {
		return nil, fmt.Errorf("its database cannot be read: %w", err)
	}
	if version > len(migrations) {
		return nil, newer(version)
	}
	var word string
	if err := tx.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&word); err != nil || word != "ok" {
		return nil, fmt.Errorf("its database is damaged: %s; take another backup", strings.Join(strings.Fields(fmt.Sprint(word, err)), " "))
	}
	if version >= sealedSince {
		if files, err = sealedFiles(ctx, tx); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// A copying is a backup or a restore under way.
type copying struct {
	ctx      context.Context
	what     string // for errors
	dir      string
	progress func(done, total int64)
	free     func(string) (uint64, error)

	out         Copied
	done, total int64
	made        []string // files, which an error takes away again
	sealed      []string // names of files of sealed readings that still have their first name
	madeDir     bool
	madeSealed  bool
	partial     bool // go on without sealed files that are missing or damaged
	codec       *segment.Codec
}

// fault notes that a sealed file is missing or damaged, and is the error itself where
// that is not to be borne.
func (c *copying) fault(f sealedFile, err error) error {
	if err == nil || !c.partial || !errors.Is(err, errSpoilt) && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	c.out.Faults = append(c.out.Faults, fmt.Sprintf("%s/%s: %v", readingsName, f.name, err))
	return nil
}

// check compares a sealed file with its checksums.
func (c *copying) check(path string, f sealedFile) (err error) {
	if c.codec == nil {
		if c.codec, err = segment.NewCodec(1); err != nil {
			return err
		}
	}
	r, err := os.Open(path)
	if err != nil {
		return err
	}
	defer r.Close()
	file, err := segment.Open(r, f.bytes, c.codec)
	if err == nil {
		err = file.Verify()
	}
	switch {
	case errors.Is(err, segment.ErrDamaged) || errors.Is(err, segment.ErrOther):
		return fmt.Errorf("%w: %w", errSpoilt, err)
	case err == nil && file.CRC() != f.crc:
		return fmt.Errorf("%w: the checksum of its end is wrong", errSpoilt)
	}
	return err
}

// makeEmpty makes the folder of a backup, or finds it empty.
func (c *copying) makeEmpty() error {
	entries, err := os.ReadDir(c.dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := os.MkdirAll(c.dir, 0o700); err != nil {
			return fmt.Errorf("%s: %w", c.what, err)
		}
		c.madeDir = true
	case err != nil:
		return fmt.Errorf("%s: %w", c.what, err)
	case len(entries) > 0:
		return fmt.Errorf("%s: the folder is not empty (%s is in it); name a new one", c.what, entries[0].Name())
	}
	return nil
}

// noStore finds the folder of a restore without a store, but for what a restore that
// was killed has left.
func (c *copying) noStore() error {
	for _, pattern := range []string{databaseName + unfinished + "*", filepath.Join(readingsName, ".*"+unfinished)} {
		left, _ := filepath.Glob(filepath.Join(c.dir, pattern)) // its only error is the pattern's
		if err := removeAll(os.Remove, left); err != nil {
			return fmt.Errorf("%s: %w", c.what, err)
		}
	}
	for _, pattern := range []string{databaseName + "*", filepath.Join(readingsName, "*")} {
		if there, _ := filepath.Glob(filepath.Join(c.dir, pattern)); len(there) > 0 {
			return fmt.Errorf("%s: a home is there already (%s); move it away, or name another folder with --data", c.what, there[0])
		}
	}
	return nil
}

// room sees that bytes more can be written.
func (c *copying) room(bytes int64) error {
	if free, err := c.free(c.dir); err == nil && free < uint64(bytes) {
		return fmt.Errorf("%w: %d MiB are needed and %d MiB are free", store.ErrFull, (bytes>>20)+1, free>>20)
	}
	return nil
}

func (c *copying) step(bytes int64) {
	if c.progress != nil {
		c.progress(c.done+bytes, c.total)
	}
}

// copied counts a file.
func (c *copying) copied(bytes int64) {
	c.done += bytes
	c.out.Files++
	c.out.Bytes += bytes
	c.step(0)
}

// link brings a sealed file into a backup.
func (c *copying) link(from string, f sealedFile) error {
	if err := c.ctx.Err(); err != nil {
		return err
	}
	to, err := c.sealedPath(f)
	if err != nil {
		return err
	}
	if os.Link(from, to) != nil {
		return c.copySealed(from, f)
	}
	c.made = append(c.made, to)
	c.sealed = append(c.sealed, f.name)
	c.out.Linked++
	c.copied(f.bytes)
	return sizeIs(to, f.bytes)
}

func (c *copying) copySealed(from string, f sealedFile) error {
	to, err := c.sealedPath(f)
	if err != nil {
		return err
	}
	st, err := os.Stat(from)
	if err != nil {
		return err
	}
	c.made = append(c.made, to)
	c.sealed = append(c.sealed, f.name)
	if err := c.copyFile(from, to, st.Size()); err != nil {
		return err
	}
	if err := sizeIs(to, f.bytes); err != nil {
		return err
	}
	return c.check(to, f)
}

// sealedPath makes the folder of sealed files and returns where a file stands in it
// until all are there.
func (c *copying) sealedPath(f sealedFile) (string, error) {
	if !filepath.IsLocal(f.name) || f.name != filepath.Base(f.name) {
		return "", fmt.Errorf("its database names a file %q, which cannot be one of its own; take another backup", f.name)
	}
	dir := filepath.Join(c.dir, readingsName)
	if !c.madeSealed {
		err := os.Mkdir(dir, 0o700)
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return "", err
		}
		c.madeSealed = true
	}
	return filepath.Join(dir, "."+f.name+unfinished), nil
}

func sizeIs(path string, bytes int64) error {
	st, err := os.Stat(path)
	if err != nil {
		return err
	}
	if st.Size() != bytes {
		return fmt.Errorf("%w: it has %d bytes and should have %d", errSpoilt, st.Size(), bytes)
	}
	return nil
}

// copyFile copies a file of a size, to the disk.
func (c *copying) copyFile(from, to string, bytes int64) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	var n int64
	for err == nil {
		var m int64
		if m, err = io.CopyN(out, in, copyPages*4096); n+m > 0 {
			n += m
			c.step(n)
		}
		if err == nil {
			err = c.ctx.Err()
		}
	}
	if errors.Is(err, io.EOF) {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return err
	}
	if n != bytes {
		return fmt.Errorf("%s changed while it was copied; copy a store that is in use with holdfast backup", from)
	}
	c.copied(n)
	return nil
}

// finish gives the files their names, the database last, each step on disk before the
// next.
func (c *copying) finish() error {
	if err := c.ctx.Err(); err != nil {
		return err
	}
	sealed := filepath.Join(c.dir, readingsName)
	for _, name := range c.sealed {
		to := filepath.Join(sealed, name)
		c.made = append(c.made, to)
		if err := os.Rename(filepath.Join(sealed, "."+name+unfinished), to); err != nil {
			return err
		}
	}
	if c.madeSealed {
		if err := syncFile(sealed); err != nil {
			return err
		}
	}
	to := filepath.Join(c.dir, databaseName)
	if err := syncFile(to + unfinished); err != nil {
		return err
	}
	if err := os.Rename(to+unfinished, to); err != nil {
		return err
	}
	c.made = append(c.made, to)
	if err := syncFile(c.dir); err != nil || !c.madeDir {
		return err
	}
	return syncFile(filepath.Dir(c.dir))
}

// syncFile brings a file, or the names in a folder, to the disk.
func syncFile(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// undo takes away what was made.
func (c *copying) undo() {
	removeAll(os.Remove, c.made)
	if c.madeSealed {
		os.Remove(filepath.Join(c.dir, readingsName)) // unless something is in it
	}
	if c.madeDir {
		os.Remove(c.dir)
	}
}

// failed gives an error its place, and a full disk its remedy.
func (c *copying) failed(err error) error {
	if c.ctx.Err() != nil {
		return c.ctx.Err()
	}
	code, ok := errors.AsType[sqlite3.ErrorCode](err)
	full := isFull(err) || ok && code == sqlite3.FULL
	if ok && code == sqlite3.IOERR {
		free, ferr := c.free(c.dir)
		full = full || ferr == nil && free < lowBytes
	}
	if full && !errors.Is(err, store.ErrFull) {
		err = fmt.Errorf("%w (%w)", store.ErrFull, err)
	}
	if errors.Is(err, store.ErrFull) {
		return fmt.Errorf("%s: %w; free space there, or name another folder", c.what, err)
	}
	return fmt.Errorf("%s: %w", c.what, err)
}
