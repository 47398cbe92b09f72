package embedded

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// A disk is the file layer of sealed readings. Tests put one in its place that fails,
// or that remembers what a power failure would leave.
type disk interface {
	// Create makes a file that must not be there yet, for the owner alone.
	Create(path string) (diskFile, error)
	Open(path string) (diskReader, error)
	Rename(from, to string) error
	Remove(path string) error
	// SyncDir makes durable which names a directory has.
	SyncDir(path string) error
}

// A diskFile is being written.
type diskFile interface {
	io.Writer
	Sync() error
	Close() error
}

// A diskReader is open for reading.
type diskReader interface {
	io.ReaderAt
	io.Closer
	Size() (int64, error)
}

type systemDisk struct{}

func (systemDisk) Create(path string) (diskFile, error) {
	return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
}

type systemReader struct{ *os.File }

func (r systemReader) Size() (int64, error) {
	st, err := r.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

func (systemDisk) Open(path string) (diskReader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	return systemReader{f}, nil
}

func (systemDisk) Rename(from, to string) error { return os.Rename(from, to) }

func (systemDisk) Remove(path string) error {
	if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

func (systemDisk) SyncDir(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// readings is the directory of sealed readings.
func (s *Store) readings() string { return filepath.Join(s.dir, readingsName) }
