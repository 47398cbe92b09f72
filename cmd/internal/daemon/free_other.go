//go:build !unix

package daemon

import "errors"

// freeSpace is not known here; the program says at its start that it does not run.
func freeSpace(string) (uint64, error) { return 0, errors.ErrUnsupported }

// writable is not known here.
func writable(string) error { return nil }
