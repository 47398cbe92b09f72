//go:build unix

package embedded

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// held reports whether a process holds a data folder. It has the lock shared for an
// instant; whoever opens the folder just then waits and tries again.
func held(dir string) (bool, error) {
	f, err := os.Open(filepath.Join(dir, "lock"))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	} else if err != nil {
		return false, err
	}
	defer f.Close()
	err = unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return true, nil
	}
	return false, err
}
