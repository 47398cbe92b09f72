package embedded

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"holdfast/collector/store"
)

// A reserve is the ballast file: given up when the disk is full, so that the ledger
// can go on, and made again when there is space. It is used with the turn to write.
type reserve struct {
	path    string
	size    int64 // 0 or less: none
	checked bool  // made, or found, or found impossible, since the store was opened
	givenUp bool
}

// admit is asked before each write. It makes the reserve before the first, and after
// the reserve was given up it refuses readings until the disk has room for it again.
func (r *reserve) admit(s *Store, what purpose) error {
	if r.size <= 0 || r.checked && !r.givenUp {
		return nil
	}
	free, err := s.free(s.dir)
	if err != nil {
		return nil // nobody knows: let the write itself find out
	}
	room := free >= 2*uint64(r.size)
	if r.givenUp && !room {
		if what != forReadings {
			return nil
		}
		return fmt.Errorf("write store %s: %w: %d MiB are free, %d MiB are needed; free space on its file system, measuring then goes on",
			s.dir, store.ErrFull, free>>20, 2*r.size>>20)
	}
	r.checked = true
	r.givenUp = false
	if !room {
		return nil // a small disk: do without
	}
	if err := r.make(); err != nil {
		s.log.Warn("no reserve for a full disk", "path", r.path, "error", err)
	}
	return nil
}

func (r *reserve) make() error {
	if st, err := os.Stat(r.path); err == nil && st.Size() == r.size {
		return nil
	}
	f, err := os.OpenFile(r.path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(allocate(f, r.size), f.Close()); err != nil {
		os.Remove(r.path)
		return err
	}
	return nil
}

// giveUp frees the reserve's space.
func (r *reserve) giveUp(s *Store) {
	err := os.Remove(r.path)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err != nil {
		s.log.Warn("the reserve for a full disk cannot be freed", "path", r.path, "error", err)
		return
	}
	r.givenUp = true
	s.log.Warn("disk is full; the reserve was freed for the ledger, readings wait for space", "path", r.path)
}

// zeros writes size zero bytes: where nothing better is known, the one way to be
// sure that the space is there.
func zeros(f *os.File, size int64) error {
	block := make([]byte, 64<<10)
	for at := int64(0); at < size; at += int64(len(block)) {
		if _, err := f.WriteAt(block[:min(int64(len(block)), size-at)], at); err != nil {
			return err
		}
	}
	return f.Sync()
}
