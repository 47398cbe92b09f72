//go:build unix

package daemon

import "golang.org/x/sys/unix"

// freeSpace returns the bytes that are free to us in the file system of a folder.
func freeSpace(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}

// writable reports why files cannot be made in a folder; nil if they can.
func writable(dir string) error { return unix.Access(dir, unix.W_OK|unix.X_OK) }
