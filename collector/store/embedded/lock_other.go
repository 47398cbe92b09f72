//go:build !unix

package embedded

import (
	"errors"
	"fmt"
	"runtime"
)

type lock struct{}

func takeLock(string) (*lock, error) {
	return nil, fmt.Errorf("a store cannot be kept on %s: %w", runtime.GOOS, errors.ErrUnsupported)
}

func (*lock) release() error { return nil }

func freeBytes(string) (uint64, error) { return 0, errors.ErrUnsupported }

func isFull(error) bool { return false }
