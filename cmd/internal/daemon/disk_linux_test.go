package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/configs"
)

// smallDisk returns a folder on a file system of its own.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=24m"); err != nil {
		if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
			t.Fatalf("mount a small tmpfs: %v; run this test as root", err)
		}
		t.Skipf("real part missing: a small tmpfs to fill (mount: %v); run this test as root: sudo go test ./cmd/internal/daemon", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// fill leaves no room on a file system; the function it returns frees it again.
func fill(t *testing.T, disk string) func() {
	t.Helper()
	f, err := os.Create(filepath.Join(disk, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []int{1 << 20, 4 << 10, 1} {
		for b := make([]byte, n); err == nil; {
			_, err = f.Write(b)
		}
		err = nil
	}
	f.Close()
	return func() {
		if err := os.Remove(f.Name()); err != nil {
			t.Error(err)
		}
	}
}

// A disk that fills while the daemon runs: it says so, goes on, takes up a new config,
// and stores what it measured meanwhile once there is room. A start without a byte of
// room says what to do and loses nothing.
func TestDiskFullWhileRunning(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	dir := filepath.Join(disk, "data")
	c := parse(t, strings.Replace(simulatedHome, "channels: [3, 19]", "channels: [3]", 1))
	r := start(t, c, dir, func() (configs.Config, error) { return c, nil })
	eventually(t, "a visit", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"locked":true`) })
	free := fill(t, disk)
	eventually(t, "the full disk is told", func() bool { return strings.Contains(r.log.String(), "disk is full") })
	more := func(what string) { // two visits that cannot be stored
		was := r.visits.Load()
		eventually(t, what, func() bool { return r.visits.Load() >= was+2 })
	}
	more("visits on a full disk")
	r.reload <- syscall.SIGHUP
	r.waitStart(t)
	more("visits on a full disk, with the new config")
	free()
	eventually(t, "room is told", func() bool { return strings.Contains(r.log.String(), "room again") })
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil; log:\n%s", err, r.log)
	}

	h, err := Open(t.Context(), c, dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	n, measured := 0, int64(0)
	for chunk, err := range h.store.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		for i := range chunk {
			if n++; chunk[i].Why == reception.Measured {
				measured++
			}
		}
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	// The reload and the end may each break one off.
	if made := r.visits.Load(); measured < made-2 {
		t.Errorf("%d readings of %d visits; want what was measured on a full disk too; log:\n%s", measured, made, r.log)
	}

	free = fill(t, disk)
	h, err = Open(t.Context(), c, dir, Options{})
	if err == nil {
		t.Error("Open without a byte of room = nil")
		h.Close()
	} else if !errors.Is(err, store.ErrFull) || !strings.Contains(err.Error(), dir) || !strings.Contains(err.Error(), "free space") {
		t.Errorf("Open without a byte of room = %v, want the place and what to do", err)
	}
	free()
	if h, err = Open(t.Context(), c, dir, Options{}); err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	again := 0
	for chunk, err := range h.store.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		again += len(chunk)
	}
	if again != n {
		t.Errorf("%d readings after a start without room, want %d", again, n)
	}
}

func TestReadOnlyFolder(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	dir := filepath.Join(disk, "data")
	c := parse(t, importedHome)
	h, err := Open(t.Context(), c, dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("", disk, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{dir, filepath.Join(disk, "new")} {
		if _, err := Open(t.Context(), c, d, Options{}); err == nil || !strings.Contains(err.Error(), d) || !strings.Contains(err.Error(), "--data") {
			t.Errorf("Open = %v, want the folder and what to do", err)
		}
	}
}
