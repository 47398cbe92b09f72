//go:build linux && amd64

package labtest

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"holdfast/collector/source/sourcetest"
	"holdfast/configs"
)

// A newcomer's first hour on the kernel's own DVB core: setup finds two tuners and what
// is on the air, and check says what is wrong with them.
func TestSetup(t *testing.T) {
	if os.Getenv("HOLDFAST_REAL_PARTS") == "" {
		t.Skip("real parts not asked for: setup in the virtual machine takes a minute or two; HOLDFAST_REAL_PARTS=1 go test ./cmd/internal/labtest (see testdata/tuner-lab/README.md)")
	}
	lab := sourcetest.NeedLab(t)
	dir := t.TempDir()
	bin := filepath.Join(dir, "holdfast")
	build := exec.CommandContext(t.Context(), "go", "build", "-trimpath", "-ldflags=-s -w", "-o", bin, "./cmd/holdfast")
	build.Dir, build.Env = lab.Root, append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	tar := filepath.Join(dir, "out.tar.gz")
	if out, err := lab.Run(t, nil, "run", "-warp", "-m", "1024", "-t", "600", "-o", tar, "cmd/internal/labtest/testdata/setup.sh", "--", bin); err != nil {
		t.Fatalf("lab run: %v\n%s", err, out)
	}
	if out, err := exec.CommandContext(t.Context(), "tar", "-C", dir, "-xzf", tar).CombinedOutput(); err != nil {
		t.Fatalf("tar: %v\n%s", err, out)
	}
	c, err := configs.Load(filepath.Join(dir, "holdfast.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var rfs []int
	for _, ch := range c.Channels {
		rfs = append(rfs, ch.RF)
	}
	if len(rfs) != 3 || rfs[0] != 9 || rfs[1] != 24 || rfs[2] != 36 || len(c.Tuners) != 2 || c.Tuners[1].Name != "dvb-1" {
		t.Errorf("channels %v, tuners %+v; want what is on the air: 9, 24, 36 on adapters 0 and 1", rfs, c.Tuners)
	}
}
