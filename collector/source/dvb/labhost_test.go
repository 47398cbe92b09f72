//go:build linux && amd64 && !tunerlab

package dvb

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestOnTheKernelsOwnDVBCore runs this package's tests that carry the tag tunerlab on a
// real kernel, in the virtual machine of testdata/tuner-lab.
func TestOnTheKernelsOwnDVBCore(t *testing.T) {
	root, err := filepath.Abs("../../..")
	if err != nil {
		t.Fatal(err)
	}
	lab := filepath.Join(root, "testdata", "tuner-lab")
	// the go command serves a pass from its cache unless it saw what the test depends on
	err = filepath.WalkDir(lab, func(p string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			_, err = os.ReadFile(p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	cache := os.Getenv("LAB_CACHE")
	if cache == "" {
		cache = filepath.Join(root, ".lab-cache")
	}
	run := func(args ...string) (string, error) {
		c := exec.CommandContext(t.Context(), filepath.Join(lab, "lab"), args...)
		c.Dir = root
		c.Env = append(os.Environ(), "LAB_CACHE="+cache, "GOFLAGS=-tags=tunerlab")
		c.WaitDelay = 10 * time.Second
		out, err := c.CombinedOutput()
		return string(out), err
	}
	if os.Getenv("HOLDFAST_REAL_PARTS") == "" {
		if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
			t.Skip("real part missing: no virtual machine; apt-get install qemu-system-x86 busybox-static make gcc, then testdata/tuner-lab/lab build")
		}
		if _, err := os.Stat(filepath.Join(cache, "base.img")); err != nil {
			t.Skip("real part missing: the tuner lab is not built; testdata/tuner-lab/lab build, once, as root and with network")
		}
		if out, err := run("ready"); err != nil {
			t.Skipf("real part missing: %s", out)
		}
	}
	out, err := run("test", "-warp", "-t", "420", "./collector/source/dvb", "-run", "^TestLab", "-test.v")
	if err != nil || !strings.Contains(out, "\nPASS") {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("%d tests passed inside", strings.Count(out, "--- PASS: TestLab"))
}
