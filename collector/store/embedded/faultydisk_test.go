//go:build unix

package embedded

import (
	"io/fs"
	"os"
	"path/filepath"
)

// A faultyDisk is the file layer of sealed readings that goes with a faulty one of
// SQLite: one count of calls, one fault, one platter.
type faultyDisk struct {
	systemDisk
	f *faulty
}

func (d faultyDisk) Create(path string) (diskFile, error) {
	if err := d.f.call(); err != nil {
		return nil, &fs.PathError{Op: "create", Path: path, Err: err}
	}
	f, err := d.systemDisk.Create(path)
	if err != nil {
		return nil, err
	}
	d.f.disk.create(path)
	return &faultyDiskFile{f, d.f, path, 0}, nil
}

type faultyDiskFile struct {
	diskFile
	f    *faulty
	path string
	at   int64
}

func (f *faultyDiskFile) Write(b []byte) (int, error) {
	if err := f.f.call(); err != nil {
		n, _ := f.diskFile.Write(b[:len(b)/2]) // torn, as a full disk leaves it
		return n, err
	}
	f.f.bytes.Add(int64(len(b)))
	f.f.disk.write(f.path, f.at, b)
	f.at += int64(len(b))
	return f.diskFile.Write(b)
}

func (f *faultyDiskFile) Sync() error {
	if err := f.f.call(); err != nil {
		return err
	}
	f.f.disk.sync(f.path)
	if f.f.lazy {
		return nil
	}
	return f.diskFile.Sync()
}

func (d faultyDisk) Rename(from, to string) error {
	if err := d.f.call(); err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	d.f.disk.rename(from, to)
	return d.systemDisk.Rename(from, to)
}

// Remove works on a full disk, and fails on a broken one.
func (d faultyDisk) Remove(path string) error {
	d.f.disk.unlink(path)
	return d.systemDisk.Remove(path)
}

func (d faultyDisk) SyncDir(path string) error {
	if err := d.f.call(); err != nil {
		return &fs.PathError{Op: "sync", Path: path, Err: err}
	}
	d.f.disk.syncDir(path)
	if d.f.lazy {
		return nil
	}
	return d.systemDisk.SyncDir(path)
}

// relative is the path below the store's directory.
func relative(path string) string {
	if dir, name := filepath.Split(path); filepath.Base(dir) == "readings" {
		return "readings/" + name
	}
	return filepath.Base(path)
}
