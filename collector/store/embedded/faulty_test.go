//go:build unix

package embedded

import (
	"fmt"
	"sync/atomic"
	"testing"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/util/vfsutil"
	"github.com/ncruces/go-sqlite3/vfs"
)

// A faulty is a file layer for SQLite that counts, and fails when told to.
type faulty struct {
	vfs.VFS
	name  string
	bytes atomic.Int64 // written
	calls atomic.Int64 // that change a file: write, sync, truncate, allocate

	// While fault is set, calls from number `from` on fail with it, up to number
	// `until`.
	fault       atomic.Pointer[error]
	from, until atomic.Int64
	failed      atomic.Int64

	before func()   // is called before each call, if not nil
	disk   *platter // nil: not recorded
	lone   bool     // no memory is shared, as on network drives
	lazy   bool     // syncs are counted, not made: for tests whose crashes are copies
}

var faulties atomic.Int64

func newFaulty(t testing.TB) *faulty {
	f := &faulty{VFS: vfs.Find("os"), name: fmt.Sprintf("faulty%d", faulties.Add(1))}
	vfs.Register(f.name, f)
	t.Cleanup(func() { vfs.Unregister(f.name) })
	return f
}

// options returns options that put both file layers in place.
func (f *faulty) options(o Options) Options {
	o.vfs, o.disk = f.name, faultyDisk{f: f}
	return o
}

// breakAt makes n calls fail, the first of them after `skip` more.
func (f *faulty) breakAt(skip, n int64, err error) {
	f.failed.Store(0)
	f.from.Store(f.calls.Load() + skip)
	f.until.Store(f.calls.Load() + skip + n)
	f.fault.Store(&err)
}

func (f *faulty) mend() { f.fault.Store(nil) }

func (f *faulty) call() error {
	if f.before != nil {
		f.before()
	}
	n := f.calls.Add(1) - 1
	if err := f.fault.Load(); err != nil && n >= f.from.Load() && n < f.until.Load() {
		f.failed.Add(1)
		return *err
	}
	return nil
}

func (f *faulty) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	if name == "" {
		return f.OpenFilename(nil, flags)
	}
	return nil, flags, sqlite3.CANTOPEN
}

func (f *faulty) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	file, flags, err := vfsutil.WrapOpenFilename(f.VFS, name, flags)
	if err != nil {
		return nil, flags, err
	}
	return &faultyFile{file, f, name.String()}, flags, nil
}

func (f *faulty) Delete(name string, syncDir bool) error {
	f.disk.remove(name)
	return f.VFS.Delete(name, syncDir)
}

type faultyFile struct {
	vfs.File
	f    *faulty
	path string
}

func (f *faultyFile) WriteAt(p []byte, off int64) (int, error) {
	if err := f.f.call(); err != nil {
		n, _ := f.File.WriteAt(p[:len(p)/2], off) // torn, as a full disk leaves it
		return n, err
	}
	f.f.bytes.Add(int64(len(p)))
	f.f.disk.write(f.path, off, p)
	return f.File.WriteAt(p, off)
}

func (f *faultyFile) Sync(flags vfs.SyncFlag) error {
	if err := f.f.call(); err != nil {
		return err
	}
	f.f.disk.sync(f.path)
	if f.f.lazy {
		return nil
	}
	return f.File.Sync(flags)
}

func (f *faultyFile) Truncate(size int64) error {
	if err := f.f.call(); err != nil {
		return err
	}
	f.f.disk.truncate(f.path, size)
	return f.File.Truncate(size)
}

func (f *faultyFile) SizeHint(size int64) error {
	if err := f.f.call(); err != nil {
		return err
	}
	return vfsutil.WrapSizeHint(f.File, size)
}

func (f *faultyFile) SharedMemory() vfs.SharedMemory {
	if f.f.lone {
		return nil
	}
	return vfsutil.WrapSharedMemory(f.File)
}

func (f *faultyFile) Unwrap() vfs.File         { return f.File }
func (f *faultyFile) LockState() vfs.LockLevel { return vfsutil.WrapLockState(f.File) }
func (f *faultyFile) PersistWAL() bool         { return vfsutil.WrapPersistWAL(f.File) }
func (f *faultyFile) SetPersistWAL(keep bool)  { vfsutil.WrapSetPersistWAL(f.File, keep) }
func (f *faultyFile) PowersafeOverwrite() bool { return vfsutil.WrapPowersafeOverwrite(f.File) }
func (f *faultyFile) SetPowersafeOverwrite(psow bool) {
	vfsutil.WrapSetPowersafeOverwrite(f.File, psow)
}
func (f *faultyFile) HasMoved() (bool, error)      { return vfsutil.WrapHasMoved(f.File) }
func (f *faultyFile) SyncSuper(super string) error { return vfsutil.WrapSyncSuper(f.File, super) }
