package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// systemd itself finds no fault in the unit file, nor a key that it does not know.
func TestUnitFile(t *testing.T) {
	t.Parallel()
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		missing := "real part missing: systemd-analyze; apt-get install systemd"
		if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	dir := t.TempDir()
	printed, err := exec.Command(holdfast(t), "--config", filepath.Join(dir, "home.yaml"), "setup", "--unit").Output()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "holdfast.service")
	if err := os.WriteFile(file, printed, 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", file).CombinedOutput()
	if err != nil || strings.Contains(string(out), "holdfast.service") {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}
