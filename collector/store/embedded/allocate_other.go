//go:build !linux

package embedded

import "os"

func allocate(f *os.File, size int64) error { return fill(f, size) }
