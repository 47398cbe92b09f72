package embedded

import (
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"

	"holdfast/collector/store"
)

// A reserve is the ballast file: given up when the disk is full, so that the ledger
// can go on, and made again when there is space. While it is given up it is there with
// no length, so that the next process knows too. It is used with the turn to write.
type reserve struct {
	path    string
	size    int64 // 0 or less: none
	looked  bool  // whether it was given up by a process before
	made    bool  // or found
	failed  bool  // it cannot be made; said once
	wait    int   // writes until room is looked for again
	givenUp bool
}

// lookEvery is after how many writes a disk that had no room for the reserve is looked
// at again.
const lookEvery = 100

// admit is asked before each write. It makes the reserve before the first, and after
// the reserve was given up it refuses readings until the disk has room for it again.
func (r *reserve) admit(s *Store, what purpose) error {
	if r.size <= 0 || r.made || r.failed {
		return nil
	}
	if !r.looked {
		st, err := os.Stat(r.path)
		r.looked, r.givenUp, r.made = true, err == nil && st.Size() == 0, err == nil && st.Size() == r.size
		if r.made {
			return nil
		}
	}
	if r.wait--; r.wait > 0 && !r.givenUp {
		return nil
	}
	free, err := s.free(s.dir)
	if err != nil {
		return nil // nobody knows: let the write itself find out
	}
	if free < 2*uint64(r.size) {
		r.wait = lookEvery
		if !r.givenUp || what != forReadings {
			return nil // a small disk does without
		}
		return fmt.Errorf("write store %s: %w: %d MiB are free, %d MiB are needed; free space on its file system, measuring then goes on",
			s.dir, store.ErrFull, free>>20, 2*r.size>>20)
	}
	if err := r.make(); err != nil {
		r.failed = true
		s.log.Warn("no reserve for a full disk", "path", r.path, "error", err)
	} else {
		r.made = true
	}
	r.givenUp = false
	return nil
}

func (r *reserve) make() error {
	f, err := os.OpenFile(r.path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(allocate(f, r.size), f.Close()); err != nil {
		os.Remove(r.path)
		return err
	}
	return nil
}

// giveUp frees the reserve's space, and reports whether there was some.
func (r *reserve) giveUp(log *slog.Logger) bool {
	if st, err := os.Stat(r.path); r.size <= 0 || err != nil || st.Size() == 0 {
		return false
	}
	if err := os.Truncate(r.path, 0); err != nil {
		log.Warn("the reserve for a full disk cannot be freed", "path", r.path, "error", err)
		return false
	}
	r.givenUp, r.made, r.failed, r.wait = true, false, false, 0
	log.Warn("disk is full; the reserve was freed for the ledger, readings wait for space", "path", r.path)
	return true
}

// fill writes size bytes, of noise, since a file system may not keep zeros: where
// nothing better is known, the one way to be sure that the space is there.
func fill(f *os.File, size int64) error {
	block := make([]byte, 64<<10)
	noise := rand.NewChaCha8([32]byte{})
	for at := int64(0); at < size; at += int64(len(block)) {
		noise.Read(block) // which never fails
		if _, err := f.WriteAt(block[:min(int64(len(block)), size-at)], at); err != nil {
			return err
		}
	}
	return f.Sync()
}
