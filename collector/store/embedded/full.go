package embedded

import (
	"errors"
	"fmt"

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
)

// lowBytes is what a disk must still take for an I/O error not to be called a full
// disk: SQLite's own log grows by up to a few megabytes.
const lowBytes = 4 << 20

// explain says "disk is full" with its remedy where that is what an error means.
// SQLite reports it as FULL or as an I/O error of some kind.
func (s *Store) explain(err error) error {
	full := isFull(err) || errors.Is(err, sqlite3.FULL)
	if !full && errors.Is(err, sqlite3.IOERR) {
		free, ferr := s.free(s.dir)
		full = ferr == nil && free < lowBytes
	}
	if !full {
		return fmt.Errorf("write store %s: %w", s.dir, err)
	}
	s.reserve.giveUp(s)
	return fmt.Errorf("write store %s: %w; free space on its file system, measuring then goes on (%w)", s.dir, store.ErrFull, err)
}
