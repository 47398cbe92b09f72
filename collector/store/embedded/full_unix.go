//go:build unix

package embedded

import (
	"errors"

	"golang.org/x/sys/unix"
)

// freeBytes asks statfs(2) what an ordinary user can still write below dir.
func freeBytes(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}

// isFull reports whether the system said so: no space, or over the user's quota.
func isFull(err error) bool { return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) }
