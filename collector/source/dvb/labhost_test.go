//go:build linux && amd64 && !tunerlab

package dvb

import (
	"strings"
	"testing"

	"holdfast/collector/source/sourcetest"
)

// TestOnTheKernelsOwnDVBCore runs this package's tests that carry the tag tunerlab on a
// real kernel, in the virtual machine of testdata/tuner-lab, in its virtual time.
func TestOnTheKernelsOwnDVBCore(t *testing.T) {
	lab := sourcetest.NeedLab(t)
	out, err := lab.Run(t, []string{"GOFLAGS=-tags=tunerlab"}, "test", "-warp", "-t", "420", "./collector/source/dvb", "-run", "^TestLab", "-test.v")
	if err != nil || !strings.Contains(out, "\nPASS") {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("%d tests passed inside", strings.Count(out, "--- PASS: TestLab"))
}

// TestOnTheKernelsOwnTuner does the same on vidtv, which has a transport stream; at an
// eighth of its rate, for each packet costs the host time.
func TestOnTheKernelsOwnTuner(t *testing.T) {
	lab := sourcetest.NeedLab(t)
	out, err := lab.Run(t, []string{"GOFLAGS=-tags=tunerlab"}, "test", "-warp", "-t", "300", "-d", "vidtv", "-k", "mux_rate_kbytes_sec=512", "./collector/source/dvb", "-run", "^TestVidtv", "-test.v")
	if err != nil || !strings.Contains(out, "\nPASS") {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("%d tests passed inside", strings.Count(out, "--- PASS: TestVidtv"))
}
