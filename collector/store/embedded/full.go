package embedded

import (
	"errors"
	"fmt"
	"os"

	"github.com/ncruces/go-sqlite3"

	"holdfast/collector/store"
)

// purpose says what a write is for: on a full disk the reserve serves the ledger,
// so that "the disk is full" can be written down, and not readings, which would
// only use it up.
type purpose int

const (
	forReadings purpose = iota
	forLedger
	forSealing // makes room in the end
)

// lowBytes is what a disk must still take for an I/O error not to be called a full
// disk: SQLite's own log grows by up to a few megabytes.
const lowBytes = 4 << 20

// explain gives an error of SQLite its place and a remedy; what is "open", "read" or
// "write". Other errors pass. A full disk is reported as FULL or as an I/O error of
// some kind that has lost the system's own word, so the file system is asked.
func (s *Store) explain(what string, err error) error {
	code, ok := errors.AsType[sqlite3.ErrorCode](err)
	if !ok {
		return err
	}
	at := what + " store " + s.dir
	full := code == sqlite3.FULL
	if code == sqlite3.IOERR {
		free, ferr := s.free(s.dir)
		full = isFull(err) || ferr == nil && free < lowBytes || isFull(s.probe(s.dir))
	}
	switch {
	case full:
		return fmt.Errorf("%s: %w: free space on its file system, measuring then goes on (%w)", at, store.ErrFull, err)
	case code == sqlite3.IOERR:
		return fmt.Errorf("%s: %w; look at the disk and at the system's log", at, err)
	case code == sqlite3.CORRUPT || code == sqlite3.NOTADB:
		return fmt.Errorf("%s: its database is damaged: %w; keep a copy of the directory and restore a backup", at, err)
	}
	return fmt.Errorf("%s: %w", at, err)
}

// probeWrite returns the error that writing some more gives: a full quota, or no
// inode left, does not show in the free bytes.
func probeWrite(dir string) error {
	f, err := os.CreateTemp(dir, "probe")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, 64<<10))
	return errors.Join(err, f.Close(), os.Remove(f.Name()))
}
