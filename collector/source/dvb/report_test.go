//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"flag"
	"os"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

var update = flag.Bool("update", false, "write golden files anew")

// reported runs a report on a fake kernel, in a bubble of its own.
func reported(t *testing.T, k *fake, root string) (string, error) {
	t.Helper()
	var b strings.Builder
	err := report(t.Context(), &b, ReportOptions{Dwell: 2 * time.Second, LockWait: time.Second, Channels: []reception.Channel{
		{FrequencyHz: good, System: reception.ATSC1, Name: "Ladder"}, {FrequencyHz: dark, System: reception.DVBT}, {FrequencyHz: good, System: reception.DTMB},
	}}, k, root)
	return strings.Replace(b.String(), runtime.GOARCH, "GOARCH", 1), err
}

func TestReport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		withLevelCall(fe)
		fe.old[feReadUCB] = func(air, bool) (uint32, error) { return uint32(70 * time.Since(fe.tunedAt).Seconds()), nil }
		fe.old[feReadSNR] = func(air, bool) (uint32, error) { return 0, unix.EIO }
		root := plant(t, map[string]string{
			"sys/devices/usb1/1-2/idVendor": "0abc\n", "sys/devices/usb1/1-2/idProduct": "1234\n", "sys/devices/usb1/1-2/serial": "SECRET77\n"})
		got, err := reported(t, k, root)
		if err != nil {
			t.Fatal(err)
		}
		const golden = "testdata/report.txt"
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil || got != string(want) {
			t.Errorf("the report is\n%s\nwant %s, %v (-update writes it anew)", got, golden, err)
		}
		for _, secret := range []string{"SECRET77", "0042", "Ladder", "473000000", "605000000", "473"} {
			if strings.Contains(got, secret) {
				t.Errorf("the report holds %q", secret)
			}
		}
		if len(k.fd) != 0 {
			t.Errorf("%v after the report", k)
		}
	})
}

func TestReportBesideOthers(t *testing.T) {
	for _, c := range []struct {
		what string
		play func(t *testing.T, k *fake, fe *fakeFE)
		says []string
		not  string
	}{
		{"the daemon's visit ends soon", func(t *testing.T, k *fake, fe *fakeFE) {
			w := &watcher{k: k, fe: fe}
			w.begin(t, weak, atsc)
			time.AfterFunc(6*time.Second, w.end)
		}, []string{"channel 1, UHF, atsc1: locked after 0.30 s"}, "in use"},
		{"a viewer stays", func(t *testing.T, k *fake, fe *fakeFE) { (&watcher{k: k, fe: fe}).begin(t, weak, atsc) },
			[]string{"in use by another program, for 20s at least: nothing was tuned. Looking on beside it:", "len 1: 15100 (0.001 dB) each time", "not asked: the tuner is not ours each time"}, "channel 1"},
		{"a call hangs", func(t *testing.T, k *fake, fe *fakeFE) {
			hang := make(chan struct{})
			fe.hang = hang
			time.AfterFunc(5*time.Minute, func() { close(hang) })
			_, twin := oneTuner(t)
			k.fe["/dev/dvb/adapter1/frontend0"] = twin
		}, []string{"a call to the driver has not returned for 33s; the rest is left out", "frontend 2 of 2", "channel 1, UHF, atsc1: locked after 0.30 s"}, ""},
		{"no rights", func(t *testing.T, k *fake, fe *fakeFE) { fe.openErr = unix.EACCES }, []string{"cannot be opened: permission denied (errno 13)"}, "channel 1"},
		{"pulled out", func(t *testing.T, k *fake, fe *fakeFE) { fe.gone = true }, []string{"FE_GET_INFO: no such device (errno 19)"}, "locked"},
		{"another system", func(t *testing.T, k *fake, fe *fakeFE) { fe.systems = []byte{5} }, []string{"it receives no channel of the config"}, "channel 1"},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				c.play(t, k, fe)
				got, err := reported(t, k, t.TempDir())
				if err != nil {
					t.Fatal(err)
				}
				for _, s := range c.says {
					if !strings.Contains(got, s) {
						t.Errorf("the report does not say %q:\n%s", s, got)
					}
				}
				if c.not != "" && strings.Contains(got, c.not) {
					t.Errorf("the report says %q:\n%s", c.not, got)
				}
				time.Sleep(10 * time.Minute) // what was left behind ends
			})
		})
	}
}

func TestReportWithoutATuner(t *testing.T) {
	k := newFake(t, nil)
	if _, err := reported(t, k, t.TempDir()); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "there is no tuner to report on") {
		t.Errorf("Report: %v", err)
	}
}

func TestReportEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, _ := oneTuner(t)
		ctx, cancel := context.WithTimeout(t.Context(), 1500*time.Millisecond)
		defer cancel()
		var b strings.Builder
		err := report(ctx, &b, ReportOptions{Channels: []reception.Channel{goodATSC}}, k, t.TempDir())
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("report: %v, want that it was ended", err)
		}
		synctest.Wait()
		if len(k.fd) != 0 {
			t.Errorf("%v afterwards", k)
		}
	})
}
