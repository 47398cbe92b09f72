package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/ncruces/go-sqlite3/driver"
)

// A Look is what a data folder shows without being opened.
type Look struct {
	There   bool  // there is a store in it
	Held    bool  // a process holds it
	Version int   // of its form; 0 if it cannot be told, as while it is held
	Newest  int   // the newest form that this program knows
	Bytes   int64 // of all its files
}

// Peek looks at a data folder and changes nothing in it, not even by the files that
// reading a database leaves. Errors are those of reading.
func Peek(ctx context.Context, dir string) (Look, error) {
	l := Look{Newest: len(migrations)}
	name := filepath.Join(dir, databaseName)
	if _, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) {
		return l, nil
	} else if err != nil {
		return l, fmt.Errorf("look at the store: %w", err)
	}
	l.There = true
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if info, err := d.Info(); err == nil && info.Mode().IsRegular() { // one that went meanwhile has no size
			l.Bytes += info.Size()
		}
		return nil
	})
	if err != nil {
		return l, fmt.Errorf("look at the store: %w", err)
	}
	if l.Held, err = held(dir); err != nil || l.Held {
		return l, err
	}
	l.Version, err = version(ctx, name)
	return l, err
}

// version reads the form of a database that nobody holds. immutable: nothing is
// written beside it. What a killed process left in the write-ahead log is not seen: of a
// store that was never closed the version is 0.
func version(ctx context.Context, name string) (v int, err error) {
	db, err := driver.Open(fileURI(name) + "?mode=ro&immutable=1")
	if err != nil {
		return 0, fmt.Errorf("read the store's version: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var n sql.NullInt64
	switch err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = 'migration'`).Scan(&v); {
	case err != nil:
		return 0, fmt.Errorf("read the store's version: %w", err)
	case v == 0:
		return 0, nil
	}
	if err := db.QueryRowContext(ctx, `SELECT max(version) FROM migration`).Scan(&n); err != nil {
		return 0, fmt.Errorf("read the store's version: %w", err)
	}
	return int(n.Int64), nil
}
