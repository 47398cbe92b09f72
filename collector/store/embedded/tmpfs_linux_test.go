package embedded

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// TestFullDisk fills a real, small file system.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=8m"); err != nil {
		if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
			t.Fatalf("mount a small tmpfs: %v; run this test as root", err)
		}
		t.Skipf("real part missing: a small tmpfs to fill (mount: %v); run this test as root: sudo go test ./collector/store/embedded", err)
	}
	defer func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	}()
	filler := filepath.Join(dir, "filler")
	if err := os.WriteFile(filler, make([]byte, 3<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir, Options{ReserveBytes: 1 << 20})
	defer func() { s.Close() }()
	n, acked := int64(0), 0
	fill := func() error {
		for {
			if _, err := s.Append(t.Context(), step(n)); err != nil {
				return err
			}
			acked += len(step(n).Readings)
			if n++; n > 200_000 {
				t.Fatal("the disk does not fill")
			}
		}
	}
	wantError(t, "append", fill(), store.ErrFull, dir)
	if got := count(t, s); got != acked {
		t.Fatalf("%d readings on a full disk, want %d", got, acked)
	}
	if st, err := os.Stat(filepath.Join(dir, "reserve")); err != nil || st.Size() != 0 {
		t.Errorf("the reserve was not freed: %v", err)
	}
	if err := s.Put(t.Context(), reception.Entry{Kind: "alarm", Key: "disk-failing", Known: 1}); err != nil {
		t.Errorf("put on a full disk: %v", err)
	}
	wantError(t, "append again", fill(), store.ErrFull, dir)
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	before := acked
	wantError(t, "append after space was freed, until it is full again", fill(), store.ErrFull, dir)
	if acked == before {
		t.Error("freeing space did not bring appends back")
	}
	if err := s.Close(); err != nil {
		t.Errorf("close on a full disk: %v", err)
	}
	s = open(t, dir, Options{})
	if whole, err := stored(t.Context(), s); err != nil || whole != n {
		t.Errorf("%d steps after reopen, want %d: %v", whole, n, err)
	}
	checkWhole(t, s)
}

// TestBackupToFullDisk fills a real, small file system by a backup, which nobody saw
// coming.
func TestBackupToFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); err != nil {
		if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
			t.Fatalf("mount a small tmpfs: %v; run this test as root", err)
		}
		t.Skipf("real part missing: a small tmpfs to fill (mount: %v); run this test as root: sudo go test ./collector/store/embedded", err)
	}
	defer func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	}()
	disk := &space{}
	disk.bytes.Store(1 << 40)
	s, home := filled(t, 100, Options{free: disk.free})
	to := filepath.Join(dir, "backup")
	_, err := s.Backup(t.Context(), to, nil)
	wantError(t, "backup", err, store.ErrFull, to, "free space there")
	nothingLeft(t, to)
	_, err = Restore(t.Context(), home, to, RestoreOptions{free: disk.free})
	wantError(t, "restore of a home that is held", err, store.ErrInUse)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = Restore(t.Context(), home, to, RestoreOptions{free: disk.free})
	wantError(t, "restore", err, store.ErrFull, to, "free space there")
	nothingLeft(t, to)
}
