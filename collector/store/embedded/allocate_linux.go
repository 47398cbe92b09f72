package embedded

import (
	"os"

	"golang.org/x/sys/unix"
)

// allocate gives a file real space.
func allocate(f *os.File, size int64) error {
	if unix.Fallocate(int(f.Fd()), 0, 0, size) == nil {
		return nil
	}
	return fill(f, size)
}
