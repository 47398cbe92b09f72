//go:build linux && amd64 && tunerlab

package dvb

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// These tests run in the virtual machine of testdata/tuner-lab on vidtv, the kernel's own
// virtual tuner, which has a transport stream. It loads once per boot.

// As vidtv_bridge.c and vidtv_channel.c of Linux 6.1 have it: VIDTV_DEFAULT_TS_ID,
// VIDTV_DEFAULT_NETWORK_ID.
const vidtvIdentity = "0x4081/0xff44"

var vidtvChannel = reception.Channel{FrequencyHz: 474e6, RF: 21, System: reception.DVBT, BandwidthHz: 8e6, Wanted: true}

func needVidtv(t *testing.T) {
	t.Helper()
	if os.Getenv("TUNER_LAB") != "vidtv" {
		t.Fatal("these tests run inside the tuner lab: go test ./collector/source/dvb without the tag tunerlab starts them")
	}
}

func TestVidtvDiscovery(t *testing.T) {
	needVidtv(t)
	d, err := Discover(t.Context())
	if err != nil || len(d.Tuners) != 1 || len(d.Problems) != 0 {
		t.Fatalf("discovery %+v, %v; want one tuner and no problem", d, err)
	}
	f := d.Tuners[0]
	t.Log(f)
	if f.State != StateUsable || !slices.Contains(f.Receives, reception.DVBT) || f.LowHz <= 0 || f.HighHz < 862e6 || f.Path == "" {
		t.Errorf("found %+v", f)
	}
	release := hold(t, 0, "-sys", "dvbt", "-tune", "474000000")
	d, err = Discover(t.Context())
	if err != nil || len(d.Tuners) != 1 || d.Tuners[0].State != StateInUse || len(d.Tuners[0].Holders) != 1 || d.Tuners[0].Holders[0].Program != "labtool" {
		t.Errorf("while another program has it: %+v, %v", d, err)
	}
	release()
}

func TestVidtvIdentity(t *testing.T) {
	needVidtv(t)
	s := openIt(t, Options{})
	start := time.Now()
	r, err := s.Visit(t.Context(), collector.Visit{Channel: vidtvChannel, Dwell: 5 * time.Second, LockWait: 2 * time.Second, Kind: reception.VisitBase})
	if err != nil || !r.Locked || r.Identity != vidtvIdentity {
		t.Errorf("Visit: identity %q, locked %v, %v; want %s", r.Identity, r.Locked, err, vidtvIdentity)
	}
	// a second to settle, five of dwell, and what the machine takes
	if took := time.Since(start); took > 7500*time.Millisecond {
		t.Errorf("the visit took %v: identity costs tuner time", took)
	}
}

func TestVidtvScan(t *testing.T) {
	needVidtv(t)
	all := Raster(reception.RegionEurope, []reception.System{reception.DVBT})
	var steps int
	got, err := Scan(t.Context(), Options{}, ScanOptions{Region: reception.RegionEurope, Channels: all[7:11], LockWait: time.Second,
		Progress: func(s ScanStep) { steps++ }})
	if err != nil || len(got) != 4 || steps != 8 {
		t.Fatalf("scan: %d results, %d steps, %v", len(got), steps, err)
	}
	for _, r := range got {
		t.Logf("RF %d locked %v C/N %.1f dB, %q %q %q %v in %v", r.Channel.RF, r.Locked(), r.Reading.CNDB, r.Channel.Identity, r.Channel.Name, r.Network, r.Services, r.Took)
		if r.Locked() != (r.Channel.RF == 21) || r.Err != nil {
			t.Errorf("RF %d: locked %v, %v", r.Channel.RF, r.Locked(), r.Err)
		}
	}
	on := got[slices.IndexFunc(got, func(r Scanned) bool { return r.Channel.RF == 21 })]
	if on.Channel.Identity != vidtvIdentity || on.Channel.Name != "Beethoven" || on.Network != "LinuxTV.org" || len(on.Services) != 1 {
		t.Errorf("RF 21: %+v", on)
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = Scan(ctx, Options{}, ScanOptions{Channels: all, Progress: func(s ScanStep) { cancel() }})
	if err == nil || !strings.Contains(err.Error(), "canceled") {
		t.Errorf("cancelled scan: %v", err)
	}
}

// Another transmitter on the channel is another identity.
func TestVidtvAnotherTransmitter(t *testing.T) {
	needVidtv(t)
	const knob = "/sys/module/dvb_vidtv_bridge/parameters/ts_id"
	s := openIt(t, Options{})
	for _, want := range []string{vidtvIdentity, "0x0421/0xff44", vidtvIdentity} {
		if err := os.WriteFile(knob, []byte(want[:6]), 0); err != nil {
			t.Fatal(err)
		}
		r, err := s.Visit(t.Context(), collector.Visit{Channel: vidtvChannel, Dwell: 2 * time.Second, LockWait: 2 * time.Second, Kind: reception.VisitBase})
		if err != nil || !r.Locked || r.Identity != want {
			t.Errorf("Visit: identity %q, locked %v, %v; want %s", r.Identity, r.Locked, err, want)
		}
	}
}
