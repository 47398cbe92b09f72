//go:build unix

package embedded

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// space is a disk whose free bytes a test decides.
type space struct{ bytes atomic.Uint64 }

func (s *space) free(string) (uint64, error) { return s.bytes.Load(), nil }

// count returns how many readings the store yields.
func count(t *testing.T, s *Store) (n int) {
	t.Helper()
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		n += len(chunk)
	}
	return n
}

// TestFaults makes each write and each sync of an append fail in turn, with a full
// disk and with a broken one, torn writes included. The append must fail and leave
// nothing, or succeed and be whole; reading goes on; once mended, writing does too;
// and a crash at that moment loses nothing that was acknowledged.
func TestFaults(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		err   error
		free  uint64
		probe error
		once  bool
		full  bool
		words string
	}{
		{"no space", syscall.ENOSPC, 100, nil, false, true, "free space"},
		{"over quota", syscall.EDQUOT, 1 << 40, syscall.EDQUOT, false, true, "free space"},
		{"I/O error", syscall.EIO, 1 << 40, nil, false, false, "look at the disk"},
		{"I/O error, once", syscall.EIO, 1 << 40, nil, true, false, "look at the disk"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := newFaulty(t)
			disk := &space{}
			disk.bytes.Store(1 << 40)
			dir := t.TempDir()
			s := open(t, dir, Options{vfs: f.name, free: disk.free, probe: func(string) error { return c.probe }})
			defer s.Close()
			checkpointOften(t, s)
			n := int64(0)
			acked := 0
			good := func() {
				t.Helper()
				a, err := s.Append(t.Context(), step(n))
				if err != nil || a.New != rows(step(n)) {
					t.Fatalf("step %d on a good disk: %+v, %v", n, a, err)
				}
				n, acked = n+1, acked+len(step(n).Readings)
			}
			good()
			failures := 0
			for skip := int64(0); ; skip++ {
				disk.bytes.Store(c.free)
				calls := int64(1 << 40)
				if c.once {
					calls = 1
				}
				f.breakAt(skip, calls, c.err)
				_, err := s.Append(t.Context(), step(n))
				hit := f.failed.Load() > 0
				f.mend()
				disk.bytes.Store(1 << 40)
				if err == nil {
					n, acked = n+1, acked+len(step(n).Readings)
				} else {
					failures++
					wantError(t, fmt.Sprintf("call %d", skip), err, nil, dir, c.words)
					if errors.Is(err, store.ErrFull) != c.full {
						t.Fatalf("call %d: error %v, want a full disk: %v", skip, err, c.full)
					}
				}
				if got := count(t, s); got != acked {
					t.Fatalf("call %d: %d readings are there, want %d", skip, got, acked)
				}
				crash(t, dir, func(s *Store) {
					whole, err := stored(t.Context(), s)
					if err != nil {
						t.Fatalf("crash at call %d: %v", skip, err)
					}
					if whole < n || whole > n+1 {
						t.Fatalf("crash at call %d: %d steps are there, %d were acknowledged", skip, whole, n)
					}
					checkWhole(t, s)
				})
				good()
				checkWhole(t, s)
				if !hit {
					break // the append needs no more calls than that
				}
			}
			if failures < 2 {
				t.Errorf("%d appends failed, want one at a write and one at the sync at least", failures)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, Options{})
			defer s.Close()
			if whole, err := stored(t.Context(), s); err != nil || whole != n {
				t.Errorf("%d steps after reopen, want %d: %v", whole, n, err)
			}
		})
	}
}

// checkpointOften has SQLite copy its log back every few appends, so that the faults
// meet that too.
func checkpointOften(t *testing.T, s *Store) {
	t.Helper()
	var pages int
	if err := s.w.row(t.Context(), "PRAGMA wal_autocheckpoint = 16", nil, &pages); err != nil {
		t.Fatal(err)
	}
}

// crash runs fn on what a crash at this moment would leave: a copy of the files as
// the system's cache has them.
func crash(t *testing.T, dir string, fn func(*Store)) {
	t.Helper()
	to := t.TempDir()
	copyStore(t, dir, to)
	s := open(t, to, Options{})
	defer s.Close()
	fn(s)
}

// copyStore copies a store that may be open.
func copyStore(t testing.TB, dir, to string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Join(to, "readings"), 0o700); err != nil {
		t.Fatal(err)
	}
	names := []string{"holdfast.db", "holdfast.db-wal"}
	for _, name := range files(t, dir) {
		names = append(names, filepath.Join("readings", name))
	}
	for _, name := range names {
		copyFile(t, filepath.Join(dir, name), filepath.Join(to, name))
	}
}

func copyFile(t testing.TB, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if errors.Is(err, os.ErrNotExist) {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.Create(to)
	if err == nil {
		_, err = io.Copy(out, in)
		err = errors.Join(err, out.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestReserve follows the ballast through a full disk.
func TestReserve(t *testing.T) {
	t.Parallel()
	const size = 1 << 20
	f := newFaulty(t)
	disk := &space{}
	disk.bytes.Store(100 << 20)
	dir := t.TempDir()
	reserve := filepath.Join(dir, "reserve")
	s := open(t, dir, Options{vfs: f.name, free: disk.free, ReserveBytes: size})
	exists := func(what string, want bool) {
		t.Helper()
		st, err := os.Stat(reserve)
		if is := err == nil && st.Size() > 0; is != want {
			t.Fatalf("%s: reserve is there: %v, want %v", what, is, want)
		}
		if want && (st.Size() != size || st.Sys().(*syscall.Stat_t).Blocks*512 < size) {
			t.Errorf("%s: reserve has %d bytes in %d blocks, want %d of real space", what, st.Size(), st.Sys().(*syscall.Stat_t).Blocks, size)
		}
	}
	note := func(n int64) error {
		return s.Put(t.Context(), reception.Entry{Kind: "note", Key: "disk", Held: n, Known: n})
	}
	add := func(n int64) error {
		_, err := s.Append(t.Context(), step(n))
		return err
	}
	exists("before the first write", false)
	if err := add(0); err != nil {
		t.Fatal(err)
	}
	exists("after it", true)

	disk.bytes.Store(0)
	f.breakAt(0, 1<<40, syscall.ENOSPC)
	wantError(t, "append", add(1), store.ErrFull, dir)
	exists("disk full", false)
	f.mend() // the reserve's space can be written now
	disk.bytes.Store(size)
	if err := note(1); err != nil {
		t.Errorf("the ledger cannot use the reserve: %v", err)
	}
	before := f.calls.Load()
	wantError(t, "append from the reserve", add(1), store.ErrFull, dir, "1 MiB are free")
	if f.calls.Load() != before {
		t.Error("readings used the ledger's reserve")
	}
	if got := count(t, s); got != len(step(0).Readings) {
		t.Errorf("%d readings while full, want %d", got, len(step(0).Readings))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{vfs: f.name, free: disk.free, ReserveBytes: size})
	defer func() { s.Close() }()
	wantError(t, "append by the next process", add(1), store.ErrFull, dir, "1 MiB are free")
	if err := note(2); err != nil {
		t.Errorf("the ledger of the next process cannot use the reserve: %v", err)
	}
	disk.bytes.Store(100 << 20)
	if err := add(1); err != nil {
		t.Errorf("append after space was freed: %v", err)
	}
	exists("after space was freed", true)

	// The ledger meets the full disk first: its entry is stored, in the reserve's space.
	disk.bytes.Store(0)
	f.breakAt(0, 1, syscall.ENOSPC)
	if err := note(3); err != nil {
		t.Errorf("the ledger met a full disk: %v", err)
	}
	exists("the ledger met a full disk", false)
	f.mend()
	disk.bytes.Store(100 << 20)
	if err := add(2); err != nil {
		t.Errorf("append: %v", err)
	}
	exists("once more", true)
	if got := count(t, s); got != len(step(0).Readings)+len(step(1).Readings)+len(step(2).Readings) {
		t.Errorf("%d readings at last", got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestOpenOnFullDisk: opening may have to write, and does so in the reserve's space.
func TestOpenOnFullDisk(t *testing.T) {
	t.Parallel()
	f := newFaulty(t)
	disk := &space{}
	dir := version1(t, ``)
	reserve := filepath.Join(dir, "reserve")
	o := f.options(Options{free: disk.free, ReserveBytes: 1 << 20})
	f.breakAt(0, 1, syscall.ENOSPC)
	_, err := Open(t.Context(), dir, o)
	wantError(t, "open without a reserve", err, store.ErrFull, dir)
	if err := os.WriteFile(reserve, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	f.breakAt(0, 1, syscall.ENOSPC)
	s := open(t, dir, o)
	defer s.Close()
	if st, err := os.Stat(reserve); err != nil || st.Size() != 0 {
		t.Errorf("the reserve was not freed: %v", err)
	}
	if n := count(t, s); n == 0 {
		t.Error("nothing can be read")
	}
	_, err = s.Append(t.Context(), step(0))
	wantError(t, "append", err, store.ErrFull, "0 MiB are free")
}

// TestSmallDisk: without room for the ballast the store does without.
func TestSmallDisk(t *testing.T) {
	t.Parallel()
	disk := &space{}
	disk.bytes.Store(10 << 20)
	dir := t.TempDir()
	f := newFaulty(t)
	f.lazy = true
	s := open(t, dir, f.options(Options{free: disk.free, ReserveBytes: 16 << 20}))
	defer s.Close()
	if _, err := s.Append(t.Context(), step(0)); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "reserve")); err == nil {
		t.Error("the ballast took the last of a small disk")
	}
	disk.bytes.Store(100 << 20)
	for n := range int64(lookEvery) {
		if _, err := s.Append(t.Context(), step(n+1)); err != nil {
			t.Fatal(err)
		}
	}
	if st, err := os.Stat(filepath.Join(dir, "reserve")); err != nil || st.Size() != 16<<20 {
		t.Errorf("a disk that has grown got no ballast: %v", err)
	}
}

// TestFill: where a file system cannot set space apart, noise is written.
func TestFill(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "f"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const size = 200_001
	if err := fill(f, size); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(f.Name())
	if err != nil || len(b) != size {
		t.Fatalf("%d bytes, %v, want %d", len(b), err, size)
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write(b)
	w.Close()
	if z.Len() < size {
		t.Errorf("it can be compressed to %d bytes", z.Len())
	}
}

// TestNoSharedMemory: where SQLite cannot keep its log the store says so at once.
func TestNoSharedMemory(t *testing.T) {
	f := newFaulty(t)
	f.lone = true
	dir := t.TempDir()
	_, err := Open(t.Context(), dir, Options{vfs: f.name})
	wantError(t, "open", err, nil, dir, "local disk")
}
