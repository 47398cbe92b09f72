//go:build linux && amd64

package labtest

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/source/sourcetest"
)

// The daemon beside others that use its tuner: a report by the command, a viewer, a
// recording that its calendar knows of. On the kernel's own DVB core, in virtual time.
func TestBesideOthers(t *testing.T) {
	if os.Getenv("HOLDFAST_REAL_PARTS") == "" {
		t.Skip("real parts not asked for: HOLDFAST_REAL_PARTS=1 go test ./cmd/internal/labtest (see testdata/tuner-lab/README.md)")
	}
	lab := sourcetest.NeedLab(t)
	dir := t.TempDir()
	bin := build(t, lab, dir)
	tar := filepath.Join(dir, "out.tar.gz")
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	in := func(name string) string { return filepath.Join("cmd/internal/labtest/testdata", name) }
	out, err := lab.Run(t, nil, "run", "-warp", "-m", "768", "-t", "300", "-at", from.Format("2006-01-02T15:04:05"), "-o", tar, in("beside.sh"), "--", bin, in("beside.yaml"), in("planned.ics"))
	if err != nil {
		t.Fatalf("lab run: %v\n%s", err, out)
	}
	if out, err := exec.CommandContext(t.Context(), "tar", "-C", dir, "-xzf", tar).CombinedOutput(); err != nil {
		t.Fatalf("tar: %v\n%s", err, out)
	}
	text := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	log, report, viewer := text("log"), text("report"), text("viewer")
	for _, want := range []string{"status 0", "channel 1, UHF, atsc1: locked after 0.3", "channel 2, UHF, atsc1: locked after 0.3", `"fesim", not known`} {
		if !strings.Contains(report, want) {
			t.Errorf("the report beside the daemon does not say %q:\n%s", want, report)
		}
	}
	if _, recorder, _ := strings.Cut(viewer, "recorder\n"); !strings.Contains(viewer, "tuned to 473000000, lock true") || !strings.Contains(recorder, "tuned to 569000000, lock true") {
		t.Errorf("viewer and recorder: %q; the recorder must find the tuner free at its first try", viewer)
	}
	if strings.Contains(log, "WARN") || strings.Contains(log, "ERROR") || !strings.Contains(log, "status 0") {
		t.Errorf("log:\n%s", log)
	}
	// minutes in which everything is settled; a visit may straddle their ends
	phase := func(r reception.Reading, a, b float64) bool {
		m := time.UnixMilli(r.Time).Sub(from).Minutes()
		return m > a+0.3 && m < b-0.3
	}
	n := map[string]int{}
	for _, r := range readAll(t, filepath.Join(dir, "data")) {
		base, riding, orchard := r.Visit == reception.VisitBase, r.Visit == reception.VisitRiding, r.FrequencyHz == 473e6
		switch {
		case phase(r, 1.5, 6):
			if base && r.Valid() && r.Locked {
				n["alone, made"]++
			} else if base || riding {
				n["alone, other"]++
			}
		case phase(r, 7.5, 12):
			switch {
			case riding && orchard && r.Locked && r.CNDB == 27.125:
				n["viewer, seen"]++
			case riding:
				n["viewer, seen wrongly"]++
			case base && r.Why == reception.WhyViewer:
				n["viewer, lent"]++
			case base:
				n["viewer, other"]++
			}
		case phase(r, 14, 21):
			switch {
			case riding && !orchard && r.Locked && r.CNDB == 20.5 && phase(r, 15.7, 19.5):
				n["recording, seen"]++
			case riding:
				n["recording, seen wrongly"]++
			case base && r.Why == reception.WhyKeepOut:
				n["recording, left alone"]++
			case base:
				n["recording, other"]++
			}
		}
	}
	for what, least := range map[string]int{"alone, made": 14, "viewer, seen": 14, "viewer, lent": 14, "recording, seen": 4, "recording, left alone": 22} {
		if n[what] < least {
			t.Errorf("%s: %d readings, want %d at least", what, n[what], least)
		}
	}
	for _, what := range []string{"alone, other", "viewer, seen wrongly", "viewer, other", "recording, seen wrongly", "recording, other"} {
		if n[what] != 0 {
			t.Errorf("%s: %d readings, want none", what, n[what])
		}
	}
	if t.Failed() {
		t.Logf("readings: %v\nlog:\n%s\nreport:\n%s\nviewer:\n%s", n, log, report, viewer)
	}
}
