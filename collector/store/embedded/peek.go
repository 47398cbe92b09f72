package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/ncruces/go-sqlite3/driver"

	"holdfast/collector/store/embedded/segment"
)

// A Look is what a data folder shows without being opened.
type Look struct {
	There   bool  // there is a store in it
	Held    bool  // a process holds it
	Version int   // of its form; 0 if it cannot be told, as while it is held
	Newest  int   // the newest form that this program knows
	Bytes   int64 // of all its files
	// Problems says which files of sealed readings cannot be read, and what to do about
	// it, one line each; none while it is held. Their ends alone are looked at.
	Problems []string
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
	if l.Version, err = version(ctx, name); err == nil {
		l.Problems, err = unreadable(filepath.Join(dir, readingsName))
	}
	return l, err
}

// unreadable says which files of a directory of sealed readings cannot be read.
func unreadable(dir string) (lines []string, err error) {
	codec, err := segment.NewCodec(1)
	if err != nil {
		return nil, err
	}
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) { // a store from before there were any
		return nil, nil
	}
	for _, e := range list {
		path := filepath.Join(dir, e.Name())
		switch {
		case strings.HasSuffix(path, damagedSuffix):
			lines = append(lines, wasDamaged(path))
		case strings.HasSuffix(path, ".parquet") && !strings.HasPrefix(e.Name(), ".") && e.Type().IsRegular():
			if err := readable(path, codec); err != nil {
				lines = append(lines, leftAlone(path, err))
			}
		}
	}
	return lines, err
}

func readable(path string, codec *segment.Codec) error {
	r, err := systemDisk{}.Open(path)
	if err != nil {
		return err
	}
	defer r.Close()
	size, err := r.Size()
	if err == nil {
		_, err = segment.Open(r, size, codec)
	}
	return err
}

// wasDamaged says what to do about a file that was set aside.
func wasDamaged(path string) string {
	return fmt.Sprintf("%s was damaged and set aside, and its readings are left out; put a good copy from a backup there as %s and start holdfast again, or import them, then take it away",
		path, strings.TrimSuffix(filepath.Base(path), damagedSuffix))
}

// leftAlone says what to do about a file that cannot be read.
func leftAlone(path string, err error) string {
	if errors.Is(err, segment.ErrOther) {
		return fmt.Sprintf("%s is left alone, and its readings are left out: %v; the version of holdfast that wrote it takes them over; if none did, take it away", path, err)
	}
	return fmt.Sprintf("%s is left alone: %v; put a good copy of it from a backup into its place, or take it away", path, err)
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
