//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

func scanWith(t *testing.T, ctx context.Context, k kernel, so ScanOptions) ([]Scanned, error) {
	t.Helper()
	s, err := newSource(Options{}, k)
	if err != nil {
		t.Fatal(err)
	}
	return scan(ctx, s, so)
}

func locked(ss []Scanned) (out []int) {
	for _, s := range ss {
		if s.Locked() {
			out = append(out, s.Channel.RF)
		}
	}
	return out
}

func TestScanOfARegion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		var steps, waits int
		last := 0
		got, err := scanWith(t, t.Context(), k, ScanOptions{Channels: Raster(reception.RegionUS, nil), Progress: func(s ScanStep) {
			steps++
			if s.Waiting != nil {
				waits++
			}
			if s.Total != 35 || s.Done < last || s.Result != nil && s.Done != last+1 {
				t.Errorf("step %+v after %d done", s, last)
			}
			last = s.Done
		}})
		if err != nil || len(got) != 35 || fmt.Sprint(locked(got)) != "[14 30]" || steps != 70 || waits != 0 || last != 35 {
			t.Errorf("scan: %d results, locked %v, %d steps, %d waits, %v; want 35, [14 30], 70, 0", len(got), locked(got), steps, waits, err)
		}
		for _, s := range got {
			want := scanLockWait + scanDwell
			if s.Locked() {
				want = settle + scanDwell
			}
			if s.Err != nil || s.Took < want || s.Took > want+time.Second {
				t.Errorf("RF %d took %v, %v; want about %v", s.Channel.RF, s.Took, s.Err, want)
			}
		}
		if r := got[12].Reading; got[12].Channel.RF != 14 || r.CNDB != 27.125 || r.LevelDBm != -41.25 {
			t.Errorf("RF 14: %+v, want C/N 27.125 dB, level -41.25 dBm", r)
		}
		if fe.owner != nil || len(k.fd) != 0 {
			t.Errorf("%v after the scan", k)
		}
	})
}

// Of two systems on a frequency the one that locks is the channel's.
func TestScanTriesEachSystem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		fe.air = map[uint32]air{474e6: {status: 0x1f, cnr: 20000}}
		only := &onlySystem{fake: k, fe: fe, system: 3}
		chs := Raster(reception.RegionEurope, nil)[16:20] // RF 21, 22
		got, err := scanWith(t, t.Context(), only, ScanOptions{Channels: chs})
		if err != nil || len(got) != 2 || !got[0].Locked() || got[0].Channel.System != reception.DVBT || got[1].Locked() || got[1].Channel.System != reception.DVBT2 {
			t.Errorf("scan %+v, %v; want DVB-T on RF 21 and nothing on RF 22", got, err)
		}
	})
}

// onlySystem: there is a signal of one system alone.
type onlySystem struct {
	*fake
	fe     *fakeFE
	system uint32
}

func (o *onlySystem) nodes() []string {
	o.do(func() {
		o.fe.readErr = func(int) error { // under the lock
			if o.fe.params[17] != o.system {
				o.fe.tuned = 0
			}
			return nil
		}
	})
	return o.fake.nodes()
}

func TestScanWhileSomebodyTakesTheTuner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		take := func() { k.do(func() { fe.owner = &fakeFile{fe: fe, write: true} }) }
		give := func() { k.do(func() { fe.owner = nil }) }
		var busy int
		got, err := scanWith(t, t.Context(), k, ScanOptions{Channels: Raster(reception.RegionUS, nil), Progress: func(s ScanStep) {
			if s.Waiting != nil && errors.Is(s.Waiting, collector.ErrBusy) {
				busy++
			}
			switch { // taken after three frequencies, free again before the second pass
			case s.Result != nil && s.Channel.RF == 4:
				take()
			case s.Result != nil && s.Channel.RF == 36 && fe.owner != nil:
				give()
			}
		}})
		if err != nil || len(got) != 35 || fmt.Sprint(locked(got)) != "[14 30]" || busy == 0 {
			t.Errorf("scan: %d results, locked %v, told %d times that it is busy, %v; want 35, [14 30]", len(got), locked(got), busy, err)
		}
		for _, s := range got {
			if s.Err != nil {
				t.Errorf("RF %d: %v", s.Channel.RF, s.Err)
			}
		}
	})
}

// What could not be tried is said to be so, not to be empty.
func TestScanIsHonestAboutWhatItMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		got, err := scanWith(t, t.Context(), k, ScanOptions{Channels: Raster(reception.RegionUS, nil), Progress: func(s ScanStep) {
			if s.Result != nil && s.Channel.RF == 14 {
				k.do(func() { fe.owner = &fakeFile{fe: fe, write: true} })
			}
		}})
		if err != nil || fmt.Sprint(locked(got)) != "[14]" {
			t.Errorf("scan: locked %v, %v; want [14] and no error", locked(got), err)
		}
		for _, s := range got {
			if was := errors.Is(s.Err, collector.ErrBusy); was != (s.Channel.RF > 14) {
				t.Errorf("RF %d: %v", s.Channel.RF, s.Err)
			}
		}
		got, err = scanWith(t, t.Context(), k, ScanOptions{Channels: Raster(reception.RegionUS, nil)})
		if !errors.Is(err, collector.ErrBusy) || len(got) != 35 {
			t.Errorf("scan with a tuner in other hands throughout: %d results, %v; want ErrBusy", len(got), err)
		}
	})
}

func TestScanEnds(t *testing.T) {
	for _, c := range []struct {
		what string
		play func(k *fake, fe *fakeFE, cancel func())
		is   error
	}{
		{"cancelled", func(_ *fake, _ *fakeFE, cancel func()) { cancel() }, context.Canceled},
		{"no rights", func(k *fake, fe *fakeFE, _ func()) { k.do(func() { fe.openErr = unix.EACCES }) }, unix.EACCES},
		{"hangs", func(k *fake, fe *fakeFE, _ func()) { k.do(func() { fe.hang = make(chan struct{}) }) }, collector.ErrHung},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				got, err := scanWith(t, ctx, k, ScanOptions{Channels: Raster(reception.RegionUS, nil), Progress: func(s ScanStep) {
					if s.Result != nil && s.Channel.RF == 14 {
						c.play(k, fe, cancel)
					}
				}})
				if !errors.Is(err, c.is) || len(got) != 13 || fmt.Sprint(locked(got)) != "[14]" {
					t.Errorf("scan: %d results, %v; want the 13 that were tried and %v", len(got), err, c.is)
				}
				if fe.hang != nil {
					close(fe.hang)
				}
			})
		})
	}
}

func TestScanOutsideTheTunersRange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		fe.systems = []byte{11}
		got, err := scanWith(t, t.Context(), k, ScanOptions{Channels: []reception.Channel{goodATSC, {FrequencyHz: weak, System: reception.DVBT}}})
		if err != nil || len(got) != 2 || !got[0].Locked() || !errors.Is(got[1].Err, collector.ErrChannel) {
			t.Errorf("scan %+v, %v; want the second refused", got, err)
		}
	})
}
