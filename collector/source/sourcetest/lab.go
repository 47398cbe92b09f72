package sourcetest

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// A Lab is the virtual machine of testdata/tuner-lab, with the kernel's own DVB core.
type Lab struct {
	// Dir is the lab's folder, Root the module's.
	Dir, Root string
	env       []string
}

// NeedLab returns the lab, or skips the test where a real part of it is missing. It
// fails instead under HOLDFAST_REAL_PARTS; only then is the machine built if need be,
// which takes root and network once. Its files lie in $LAB_CACHE, by default
// .lab-cache in the module's root.
func NeedLab(t *testing.T) Lab {
	t.Helper()
	root, err := moduleRoot()
	if err != nil {
		t.Fatal(err)
	}
	l := Lab{Dir: filepath.Join(root, "testdata", "tuner-lab"), Root: root}
	cache := os.Getenv("LAB_CACHE")
	if cache == "" {
		cache = filepath.Join(root, ".lab-cache")
	}
	l.env = append(os.Environ(), "LAB_CACHE="+cache)
	// The go command serves a pass from its cache unless it saw the test read what it
	// depends on.
	err = filepath.WalkDir(l.Dir, func(p string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			_, err = os.ReadFile(p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if os.Getenv("HOLDFAST_REAL_PARTS") != "" {
		return l
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		t.Skip("real part missing: no virtual machine; apt-get install qemu-system-x86 busybox-static make gcc, then testdata/tuner-lab/lab build")
	}
	if _, err := os.Stat(filepath.Join(cache, "base.img")); err != nil {
		t.Skip("real part missing: the tuner lab is not built; testdata/tuner-lab/lab build, once, as root and with network")
	}
	if out, err := l.Run(t, nil, "ready"); err != nil {
		t.Skipf("real part missing: %s", out)
	}
	return l
}

// Run runs a verb of the lab in the module's root and returns what it printed. env
// adds to the environment.
func (l Lab) Run(t *testing.T, env []string, args ...string) (string, error) {
	t.Helper()
	c := exec.CommandContext(t.Context(), filepath.Join(l.Dir, "lab"), args...)
	c.Dir, c.Env, c.WaitDelay = l.Root, append(l.env, env...), 10*time.Second
	out, err := c.CombinedOutput()
	return string(out), err
}

func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", os.ErrNotExist
		}
		dir = up
	}
}
