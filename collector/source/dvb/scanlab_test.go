//go:build linux && amd64 && tunerlab

package dvb

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

func TestLabDiscovery(t *testing.T) {
	fresh(t, "adapters=3")
	release := hold(t, 1)
	defer release()
	shell(t, "unplug 2")
	d, err := Discover(t.Context())
	if err != nil || len(d.Tuners) != 2 {
		t.Fatalf("discovery %+v, %v; want two tuners, one is unplugged", d, err)
	}
	for i, want := range []State{StateUsable, StateInUse} {
		f := d.Tuners[i]
		if f.State != want || f.Adapter != i || len(f.Receives) == 0 || f.HighHz <= f.LowHz || f.Err != nil {
			t.Errorf("tuner %d: %s, %+v; want %s", i, f, f, want)
		}
	}
	if hs := d.Tuners[1].Holders; len(hs) != 1 || hs[0].Program != "labtool" {
		t.Errorf("held by %v, want labtool", hs)
	}
	shell(t, "unplug 0; unplug 1")
	if d, err = Discover(t.Context()); err != nil || len(d.Tuners) != 0 || len(d.Problems) != 1 {
		t.Errorf("without tuners: %+v, %v; want one problem", d, err)
	}
}

// A scan of part of the raster, with another program that takes the tuner meanwhile.
func TestLabScan(t *testing.T) {
	fresh(t, "")
	chs := Raster(reception.RegionUS, nil)[11:16] // RF 13 to 17; 14 is on the air
	release, waited := func() {}, 0
	got, err := Scan(t.Context(), Options{}, ScanOptions{Channels: chs, LockWait: time.Second, Progress: func(s ScanStep) {
		switch {
		case s.Result != nil && s.Channel.RF == 13:
			release = hold(t, 0)
		case s.Waiting != nil:
			if waited++; waited == 2 {
				release()
			}
			if !errors.Is(s.Waiting, collector.ErrBusy) {
				t.Errorf("waits for %v, want it busy", s.Waiting)
			}
		}
	}})
	if err != nil || len(got) != 5 || waited < 2 || fmt.Sprint(locked(got)) != "[14]" {
		t.Errorf("scan: %d results, locked %v, waited %d times, %v; want 5, [14], at least 2", len(got), locked(got), waited, err)
	}
	for _, r := range got {
		t.Logf("RF %d: locked %v, %.1f dB, %.1f dBm, %v, %v", r.Channel.RF, r.Locked(), r.Reading.CNDB, r.Reading.LevelDBm, r.Err, r.Took)
		if r.Err != nil {
			t.Errorf("RF %d: %v", r.Channel.RF, r.Err)
		}
	}
}
