//go:build linux && amd64

package labtest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"holdfast/analysis/answer"
	"holdfast/collector/source/sourcetest"
)

// Another transmitter comes in on a channel: the tuner locks as well as ever, and what it
// receives is another stream. From the PAT and SDT of the kernel's own virtual tuner to
// the alarm, in virtual time.
func TestAnotherTransmitter(t *testing.T) {
	if os.Getenv("HOLDFAST_REAL_PARTS") == "" {
		t.Skip("real parts not asked for: hours in the virtual machine take minutes; HOLDFAST_REAL_PARTS=1 go test ./cmd/internal/labtest (see testdata/tuner-lab/README.md)")
	}
	t.Parallel()
	lab := sourcetest.NeedLab(t)
	dir := t.TempDir()
	bin := build(t, lab, dir)
	tar := filepath.Join(dir, "hours.tar.gz")
	started := time.Now()
	out, err := lab.Run(t, nil, "daemon", "-warp", "-t", "900", "-d", "vidtv", "-k", "mux_rate_kbytes_sec=64", "-at", midnight.Format("2006-01-02T15:04:05"),
		"-with", "cmd/internal/labtest/testdata/another.sh", "-o", tar, bin, "cmd/internal/labtest/testdata/another.yaml", "9900")
	if err != nil {
		t.Fatalf("lab daemon: %v\n%s", err, out)
	}
	t.Logf("165 minutes took %v", time.Since(started).Round(time.Second))
	if out, err := exec.CommandContext(t.Context(), "tar", "-C", dir, "-xzf", tar).CombinedOutput(); err != nil {
		t.Fatalf("tar: %v\n%s", err, out)
	}
	data := filepath.Join(dir, "data")

	// another.sh changes the stream at 01:10 and back at 02:25
	const ours, theirs = "0x4081/0xff44", "0x0421/0xff44"
	seen := map[string]int{}
	for _, r := range readAll(t, data) {
		want := ours
		if r.Time >= at(1, 10) && r.Time < at(2, 25) {
			want = theirs
		}
		edge := r.Time > at(1, 10)-lateBy.Milliseconds() && r.Time < at(1, 10)+lateBy.Milliseconds() ||
			r.Time > at(2, 25)-lateBy.Milliseconds() && r.Time < at(2, 25)+lateBy.Milliseconds()
		if !r.Valid() || !r.Locked || r.ErroredS != 0 || !edge && r.Identity != want {
			t.Errorf("%s: locked %v, %g s errored, identity %q, why %q; want a clean lock to %s",
				time.UnixMilli(r.Time).UTC().Format("15:04:05"), r.Locked, r.ErroredS, r.Identity, r.Why, want)
		}
		seen[r.Identity]++
	}
	if seen[ours] < 15 || seen[theirs] < 14 || len(seen) != 2 {
		t.Errorf("identities read: %v; want ours in 18 visits and theirs in 15 and more", seen)
	}

	a := answerOf(t, bin, "testdata/another.yaml", data, midnight.Add(9900*time.Second))
	if len(a.Channels) != 1 || len(a.Channels[0].Dropouts) != 1 {
		t.Fatalf("channels %+v, want one with one dropout", a.Channels)
	}
	d := a.Channels[0].Dropouts[0]
	slack := lateBy.Milliseconds()
	if int64(d.StartLow)-slack > at(1, 10) || int64(d.StartHigh)+slack < at(1, 10) || int64(d.EndLow)-slack > at(2, 25) || int64(d.EndHigh)+slack < at(2, 25) {
		t.Errorf("dropout from %v to %v to %v to %v, scripted 01:10 to 02:25", clock(d.StartLow), clock(d.StartHigh), clock(d.EndLow), clock(d.EndHigh))
	}
	if v := a.Channels[0].Latest; v.WrongIdentity || v.Identity != ours || v.ExpectedIdentity != ours {
		t.Errorf("latest %+v, want ours, as expected", v)
	}
	var told []string
	for _, al := range a.Alarms {
		if al.Condition == "disk-failing" { // the machine's disk is a small one in memory
			continue
		}
		told = append(told, al.Condition)
		if int64(al.Raised) < at(2, 5) || int64(al.Raised) > at(2, 24) || int64(al.Cleared) < at(2, 19) || int64(al.Cleared) > at(2, 45) {
			t.Errorf("%s raised %v, cleared %v; want it raised about 02:15 and cleared about 02:25", al.Condition, clock(al.Raised), clock(answer.Time(al.Cleared)))
		}
	}
	if fmt.Sprint(told) != "[wrong-identity]" {
		t.Errorf("alarms %v, want wrong-identity alone", told)
	}
}
