//go:build linux && amd64 && tunerlab

package dvb

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/source/sourcetest"
)

// These tests run in the virtual machine of testdata/tuner-lab, on the kernel's own DVB
// core with the lab's scripted frontend; its README explains the knobs.

const knobs = "/sys/module/fesim/parameters/"

func setKnob(name string, v any) error {
	return os.WriteFile(knobs+name, []byte(fmt.Sprint(v)), 0)
}

// knob turns a knob until the test ends.
func knob(t *testing.T, name string, v any) {
	t.Helper()
	old, err := os.ReadFile(knobs + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := setKnob(name, v); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := setKnob(name, strings.TrimSpace(string(old))); err != nil {
			t.Error(err)
		}
	})
}

// scene fills the air: frequency, status bits, 0.001 dBm, 0.001 dB, then post-FEC errors
// and bits, block errors and blocks, in thousandths a second.
func scene(t *testing.T, lines ...string) {
	t.Helper()
	if err := setKnob("channels", "clear\n"+strings.Join(lines, "\n")+"\n"); err != nil {
		t.Fatal(err)
	}
}

const (
	clean  = "473000000 31 -50000 27125 0 19392658000 0 12894000"
	broken = "569000000 31 -70000 15100 40000 19392658000 25000 12894000"
)

func needLab(t *testing.T) {
	t.Helper()
	if os.Getenv("TUNER_LAB") != "fesim" {
		t.Fatal("these tests run inside the tuner lab: go test ./collector/source/dvb without the tag tunerlab starts them")
	}
}

// fresh loads the frontend anew, one tuner, every knob at its default.
func fresh(t *testing.T, args string) {
	t.Helper()
	needLab(t)
	shell(t, "rmmod fesim 2>/dev/null; insmod /m/fesim.ko lock_ms=300 "+args)
	scene(t, clean, broken)
}

func shell(t *testing.T, script string) {
	t.Helper()
	if out, err := exec.Command("/bin/sh", "-c", ". /lab.sh; "+script).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", script, err, out)
	}
}

func openIt(t *testing.T, o Options) *Source {
	t.Helper()
	o.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func see(t *testing.T, s *Source, hz int64, dwell time.Duration) (reception.Reading, error) {
	t.Helper()
	r, err := s.Visit(t.Context(), collector.Visit{Channel: reception.Channel{FrequencyHz: hz, System: reception.ATSC1},
		Dwell: dwell, LockWait: 2 * time.Second, Kind: reception.VisitBase})
	if err == nil {
		if e := r.Validate(); e != nil {
			t.Error(e)
		}
	}
	return r, err
}

// hold is another program that takes the tuner as soon as it is free. tune are further
// arguments of labtool hold.
func hold(t *testing.T, adapter int, tune ...string) (release func()) {
	t.Helper()
	args := append([]string{"hold", "-adapter", fmt.Sprint(adapter), "-tune", "473000000", "-for", "1h"}, tune...)
	for range 50 {
		c := exec.Command("/bin/labtool", args...)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		end := make(chan error, 1)
		go func() { end <- c.Wait() }()
		select {
		case <-end: // we have it
			time.Sleep(200 * time.Millisecond)
		case <-time.After(time.Second):
			return func() {
				c.Process.Kill()
				<-end
			}
		}
	}
	t.Fatal("the tuner is never free")
	return nil
}

func TestLabContract(t *testing.T) {
	fresh(t, "")
	sourcetest.Run(t, sourcetest.Options{
		Open:     func(t *testing.T) collector.Source { return openIt(t, Options{}) },
		Good:     reception.Channel{FrequencyHz: 473000000, System: reception.ATSC1},
		Dark:     reception.Channel{FrequencyHz: 605000000, System: reception.ATSC1},
		LockWait: 1500 * time.Millisecond,
		Busy:     func(t *testing.T, _ collector.Source) func() { return hold(t, 0) },
		Watch:    func(t *testing.T, _ collector.Source) func() { return hold(t, 0) },
		Unplug: func(t *testing.T, _ collector.Source) func() {
			if err := setKnob("unplug", 0); err != nil {
				t.Fatal(err)
			}
			return func() {
				if err := setKnob("plug", 0); err != nil {
					t.Fatal(err)
				}
			}
		},
		Hang: func(t *testing.T, _ collector.Source) func() {
			if err := setKnob("hang", 1); err != nil {
				t.Fatal(err)
			}
			return func() {
				if err := setKnob("hang", 0); err != nil {
					t.Fatal(err)
				}
			}
		},
		Nonsense: func(t *testing.T, _ collector.Source) func() {
			if err := setKnob("cnr_max_mdb", 9000000); err != nil {
				t.Fatal(err)
			}
			scene(t, "473000000 31 -4096299000 2500000 0 19392658000 0 12894000")
			return func() { scene(t, clean) }
		},
	})
}

func TestLabReadsWhatIsScripted(t *testing.T) {
	fresh(t, "")
	s := openIt(t, Options{})
	r, err := see(t, s, 473000000, 5*time.Second)
	if err != nil || !r.Locked || r.CNDB != 27.125 || r.LevelDBm != -50 || r.ErroredS != 0 || r.UncorrectedBlocks != 0 || r.LockedMS != 5000 {
		t.Errorf("clean channel: %+v, %v", r, err)
	}
	if d := float64(r.TotalBlocks) / (5 * 12894); d < 0.98 || d > 1.02 {
		t.Errorf("%d blocks in 5 s, want 5 x 12894", r.TotalBlocks)
	}
	r, err = see(t, s, 569000000, 5*time.Second)
	if err != nil || !r.Locked || r.CNDB != 15.1 || r.LevelDBm != -70 || r.ErroredS != 5 {
		t.Errorf("broken channel: %+v, %v", r, err)
	}
	if n := r.UncorrectedBlocks; n < 122 || n > 128 {
		t.Errorf("%d blocks broken in 5 s, want 125", n)
	}
	r, err = see(t, s, 605000000, 2*time.Second)
	if err != nil || r.Locked || !math.IsNaN(r.CNDB) || r.LevelDBm != -95 || r.ErroredS != 2 {
		t.Errorf("empty channel: %+v, %v", r, err)
	}
	if got := s.Tuner(); got.Driver != "fesim" || got.Version == "" {
		t.Errorf("Tuner = %+v", got)
	}
	// the tuner sleeps between visits
	time.Sleep(2 * time.Second)
	sleeps, err := os.ReadFile(knobs + "sleeps")
	if err != nil || strings.HasPrefix(string(sleeps), "0") {
		t.Errorf("sleeps %q, %v: the tuner is not let go", sleeps, err)
	}
}

// Another program owns the tuner; the source looks on.
func TestLabRiding(t *testing.T) {
	ride := func(t *testing.T, s *Source) ([]reception.Reading, error) {
		t.Helper()
		return s.Ride(t.Context(), collector.Ride{Dwell: 5 * time.Second, LockWait: 2 * time.Second, Channels: []reception.Channel{
			{FrequencyHz: 473000000, System: reception.ATSC1}, {FrequencyHz: 569000000, System: reception.ATSC1}}})
	}
	calls := func(t *testing.T) string {
		t.Helper()
		var out []string
		for _, k := range []string{"inits", "sleeps", "tunes"} {
			b, err := os.ReadFile(knobs + k)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, strings.TrimSpace(string(b)))
		}
		return strings.Join(out, " ")
	}
	for _, c := range []struct {
		what  string
		knobs []any
	}{
		{"a driver that clears its values when nobody has it", nil},
		{"a driver that keeps lock and values for ever", []any{"stale", 1}},
		{"a driver that keeps them and has no old calls", []any{"stale", 1, "legacy", 0}},
		{"a driver that says it is asleep, and has no old calls", []any{"asleep_err", 11, "legacy", 0}},
		{"counts that reading empties", []any{"ucb_since_read", 1, "ber_since_read", 1}},
	} {
		t.Run(c.what, func(t *testing.T) {
			fresh(t, "")
			for i := 0; i < len(c.knobs); i += 2 {
				knob(t, c.knobs[i].(string), c.knobs[i+1])
			}
			shell(t, "unplug 0; plug 0") // old calls are given at plug
			s := openIt(t, Options{})
			release := hold(t, 0)
			before := calls(t)
			rs, err := ride(t, s)
			if err != nil || len(rs) != 1 || rs[0].FrequencyHz != 473000000 || rs[0].CNDB != 27.125 || rs[0].Visit != reception.VisitRiding || rs[0].ErroredS != 0 || rs[0].DwellMS != 5000 {
				t.Errorf("beside the owner: %+v, %v", rs, err)
			}
			if after := calls(t); after != before {
				t.Errorf("inits, sleeps and tunes were %s and are %s: looking on must do nothing to the tuner", before, after)
			}
			release()
			time.Sleep(2 * time.Second)
			if rs, err := ride(t, s); !errors.Is(err, collector.ErrIdle) || len(rs) != 0 {
				t.Errorf("when the owner has left: %+v, %v, want ErrIdle", rs, err)
			}
		})
	}
	t.Run("the owner leaves while it is looked at", func(t *testing.T) {
		fresh(t, "stale=1")
		s := openIt(t, Options{})
		release := hold(t, 0)
		timer := time.AfterFunc(4*time.Second, release)
		defer timer.Stop()
		if rs, err := ride(t, s); !errors.Is(err, collector.ErrIdle) || len(rs) != 0 {
			t.Errorf("Ride: %+v, %v, want ErrIdle", rs, err)
		}
	})
	t.Run("pulled out while it is looked at", func(t *testing.T) {
		fresh(t, "")
		s := openIt(t, Options{})
		defer hold(t, 0)()
		timer := time.AfterFunc(4*time.Second, func() { setKnob("unplug", 0) })
		defer timer.Stop()
		if rs, err := ride(t, s); !errors.Is(err, collector.ErrGone) || len(rs) != 0 {
			t.Errorf("Ride: %+v, %v, want ErrGone", rs, err)
		}
	})
}

// Lock comes and goes within the dwell.
func TestLabLockLostInTheDwell(t *testing.T) {
	fresh(t, "")
	s := openIt(t, Options{})
	timer := time.AfterFunc(5500*time.Millisecond, func() {
		setKnob("channels", "473000000 3 -50000 12500 0 0 0 0\n")
	})
	defer timer.Stop()
	r, err := see(t, s, 473000000, 8*time.Second)
	if err != nil || !r.Locked || r.LockedMS < 3000 || r.LockedMS > 5000 || r.DwellMS != 8000 || r.ErroredS != float64(8000-r.LockedMS)/1000 || r.CNLowDB != 27.125 {
		t.Errorf("reading %+v, %v, want lock for about half of the dwell", r, err)
	}
}

// The tuner gets another adapter number when it is plugged in again; its place tells.
func TestLabUnplugAndReturnElsewhere(t *testing.T) {
	fresh(t, "adapters=2")
	s := openIt(t, Options{Adapter: 1})
	if _, err := see(t, s, 473000000, time.Second); err != nil {
		t.Fatal(err)
	}
	shell(t, "unplug 1; unplug 0; plug 0")
	if _, err := see(t, s, 473000000, time.Second); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "adapter0") {
		t.Errorf("Visit while only the other tuner is there: %v, want it gone and the other named", err)
	}
	shell(t, "unplug 0; plug 1")
	if m, _ := filepath.Glob("/dev/dvb/adapter*"); len(m) != 1 || m[0] != "/dev/dvb/adapter0" {
		t.Fatalf("adapters %q, want the tuner as adapter0", m)
	}
	if r, err := see(t, s, 473000000, time.Second); err != nil || !r.Locked {
		t.Errorf("Visit: %v, want the tuner found under its new number", err)
	}
}

// A tuner that the config knows by its place, or by its name alone, is found under any
// number.
func TestLabFoundByPlaceOrName(t *testing.T) {
	fresh(t, "adapters=2")
	shell(t, "like s5h1411")
	var mine Found
	d, err := Discover(t.Context())
	found := d.Tuners
	for _, f := range found {
		if f.Known {
			mine = f
		}
	}
	if err != nil || mine.Path == "" || len(found) != 2 {
		t.Fatalf("Discover = %+v, %v, want two tuners, one of them known", found, err)
	}
	byPlace, byName := openIt(t, Options{Adapter: -1, Path: mine.Path}), openIt(t, Options{Adapter: -1, Name: mine.Name})
	look := func(when, node string) {
		t.Helper()
		for what, s := range map[string]*Source{"place": byPlace, "name": byName} {
			if r, err := see(t, s, 473000000, time.Second); err != nil || !r.Locked || s.called() != node {
				t.Errorf("%s, by %s: %v at %s, want it locked at %s", when, what, err, s.called(), node)
			}
		}
	}
	look("first", mine.Node)
	shell(t, "unplug 0; unplug 1; plug 1; plug 0")
	look("under the other's number", "/dev/dvb/adapter1/frontend0")
}

func TestLabUnplugInTheDwell(t *testing.T) {
	fresh(t, "")
	s := openIt(t, Options{})
	timer := time.AfterFunc(3*time.Second, func() { setKnob("unplug", 0) })
	defer timer.Stop()
	if _, err := see(t, s, 473000000, 10*time.Second); !errors.Is(err, collector.ErrGone) {
		t.Errorf("Visit: %v, want ErrGone", err)
	}
}

func TestLabOneTunerHangsTheOtherGoesOn(t *testing.T) {
	fresh(t, "adapters=2")
	a, b := openIt(t, Options{Adapter: 0}), openIt(t, Options{Adapter: 1})
	if _, err := see(t, a, 473000000, time.Second); err != nil {
		t.Fatal(err)
	}
	knob(t, "hang", "1,0")
	ctx, done := make(chan error, 1), make(chan struct{})
	go func() {
		defer close(done)
		_, err := a.Visit(t.Context(), collector.Visit{Channel: reception.Channel{FrequencyHz: 473000000, System: reception.ATSC1},
			Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
		ctx <- err
	}()
	if r, err := see(t, b, 473000000, 2*time.Second); err != nil || !r.Locked {
		t.Errorf("the other tuner: %v", err)
	}
	if err := setKnob("hang", "0,0"); err != nil {
		t.Fatal(err)
	}
	<-done
	if err := <-ctx; err != nil {
		t.Errorf("the tuner that hung for a while: %v, want its reading", err)
	}
}

func TestLabQuirks(t *testing.T) {
	for _, c := range []struct {
		name  string
		knobs []any // name, value pairs
		hz    int64
		check func(r reception.Reading, s *Source) error
	}{
		{"statistics of the channel before for less than a second", []any{"old_ms", 900}, 569000000, func(r reception.Reading, s *Source) error {
			if r.CNDB != 15.1 || r.CNLowDB != 15.1 {
				return fmt.Errorf("C/N %g, lowest %g, want 15.1", r.CNDB, r.CNLowDB)
			}
			return nil
		}},
		{"statistics stand still", []any{"hold", 1}, 473000000, func(r reception.Reading, s *Source) error {
			if !math.IsNaN(r.CNDB) || r.TotalBlocks != -1 || !math.IsNaN(r.ErroredS) {
				return fmt.Errorf("C/N %g, %d blocks, %g s errored", r.CNDB, r.TotalBlocks, r.ErroredS)
			}
			return nil
		}},
		{"relative scales", []any{"cnr_scale", 2, "str_scale", 2}, 473000000, func(r reception.Reading, s *Source) error {
			sc, _ := s.Scale(r.Scale)
			if !near(r.QualityPct, 77.5, 0.1) || !near(r.LevelPct, 50, 0.1) || !math.IsNaN(r.CNDB) || sc.Unit != reception.UnitPercent {
				return fmt.Errorf("quality %g, level %g, C/N %g, scale %q", r.QualityPct, r.LevelPct, r.CNDB, r.Scale)
			}
			return nil
		}},
		{"not available, with garbage", []any{"cnr_scale", 0, "str_scale", 0, "cnt_scale", 0, "na_garbage", 1, "legacy", 0}, 473000000, func(r reception.Reading, s *Source) error {
			if !math.IsNaN(r.CNDB) || !math.IsNaN(r.LevelDBm) || r.TotalBlocks != -1 || !r.Locked {
				return fmt.Errorf("reading %+v", r)
			}
			return nil
		}},
		{"C/N goes on without carrier", []any{"cnr_unlocked_scale", 1, "cnr_unlocked_mdb", -1}, 617000000, func(r reception.Reading, s *Source) error {
			if !math.IsNaN(r.CNDB) || r.Locked {
				return fmt.Errorf("C/N %g, locked %v", r.CNDB, r.Locked)
			}
			return nil
		}},
		{"counters start anew at every tune", []any{"cnt_reset", 1}, 569000000, func(r reception.Reading, s *Source) error {
			if n := r.UncorrectedBlocks; n < 122 || n > 128 {
				return fmt.Errorf("%d blocks, want 125", n)
			}
			return nil
		}},
		{"every fourth read fails", []any{"io_err", 5, "io_every", 4}, 473000000, func(r reception.Reading, s *Source) error {
			if !r.Locked || r.CNDB != 27.125 || r.DwellMS >= 5000 || r.DwellMS != r.LockedMS {
				return fmt.Errorf("dwell %d ms, locked %d ms, C/N %g", r.DwellMS, r.LockedMS, r.CNDB)
			}
			return nil
		}},
		{"a slow bus", []any{"read_ms", 600}, 473000000, func(r reception.Reading, s *Source) error {
			if !r.Locked || r.CNDB != 27.125 || r.DwellMS != 5000 {
				return fmt.Errorf("reading %+v", r)
			}
			return nil
		}},
		{"whole dB where 0.001 dB are due", []any{"cnr_div", 1000}, 473000000, func(r reception.Reading, s *Source) error {
			if !math.IsNaN(r.CNDB) || s.Rejected() == 0 {
				return fmt.Errorf("C/N %g, %d rejected", r.CNDB, s.Rejected())
			}
			return nil
		}},
		{"power-up takes 0.7 s", []any{"init_ms", 700}, 473000000, func(r reception.Reading, s *Source) error {
			if !r.Locked || r.CNDB != 27.125 {
				return fmt.Errorf("reading %+v", r)
			}
			return nil
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			fresh(t, "")
			if err := setKnob("channels", "617000000 3 -80000 9000 0 0 0 0\n"); err != nil {
				t.Fatal(err)
			}
			for i := 0; i < len(c.knobs); i += 2 {
				knob(t, c.knobs[i].(string), c.knobs[i+1])
			}
			s := openIt(t, Options{})
			if c.hz == 569000000 { // come from another channel
				if _, err := see(t, s, 473000000, time.Second); err != nil {
					t.Fatal(err)
				}
			}
			r, err := see(t, s, c.hz, 5*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			if err := c.check(r, s); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestLabTuningFails(t *testing.T) {
	fresh(t, "")
	knob(t, "set_err", 5)
	s := openIt(t, Options{})
	// the kernel's thread tunes and nobody is told: it is a channel without lock
	if r, err := see(t, s, 473000000, time.Second); err != nil || r.Locked {
		t.Errorf("reading %+v, %v, want an unlocked one", r, err)
	}
	if _, err := see(t, s, 40000000, time.Second); !errors.Is(err, collector.ErrChannel) {
		t.Errorf("out of range: %v, want ErrChannel", err)
	}
	if _, err := s.Visit(t.Context(), collector.Visit{Channel: reception.Channel{FrequencyHz: 473000000, System: reception.DTMB},
		Dwell: time.Second, Kind: reception.VisitBase}); !errors.Is(err, collector.ErrChannel) || !strings.Contains(err.Error(), "it has atsc1") {
		t.Errorf("DTMB: %v, want ErrChannel and what the tuner has", err)
	}
}

// The twelve 8-VSB drivers of the kernel, by the name, scales, units, ceilings and
// counter widths that the lab gives its frontend.
func TestLabLike8VSBDrivers(t *testing.T) {
	for _, c := range []struct {
		like    string
		cn      float64 // of 24.3 dB
		counted bool    // blocks as a number: 70 a second
		errored float64
		scale   string
	}{
		{"au8522", 24.0, false, 5, "dvb/au8522/dB/stepNaN/top27/from-cn/cn"}, // steps of 0.5 dB in the lab
		{"lgdt3305", 24.3, true, 5, "dvb/lgdt3305/dB/step0.1/topNaN/from-cn/cn"},
		{"lgdt3306a", 24.3, false, 5, "dvb/lgdt3306a/dB/stepNaN/topNaN/from-cn/cn"},
		{"lgdt330x", 24.3, true, 5, "dvb/lgdt3303-(blocks-x1.2894)/dB/stepNaN/topNaN/from-cn/cn"},
		{"s5h1409", 24.0, true, 5, "dvb/s5h1409/dB/step0.5/top30/from-cn/cn"},
		{"s5h1411", 24.0, true, 5, "dvb/s5h1411/dB/step0.5/top30/from-cn/cn"},
		{"nxt200x", 24.3, false, 5, "dvb/nxt200x/dB/stepNaN/top30/from-cn/cn"},
		{"or51132", 24.3, false, nan, "dvb/or51132/dB/stepNaN/topNaN/from-cn/cn"},
		{"or51211", 24.3, false, nan, "dvb/or51211/dB/stepNaN/topNaN/from-cn/cn"},
		{"bcm3510", 24.3, true, 5, "dvb/bcm3510/dB/stepNaN/topNaN/unknown/cn"},
		{"mxl692", 24, true, 5, "dvb/mxl692-(cnr-x1000)/dB/step1/topNaN/unknown/cn"},
		{"drxj", 24.3, true, 5, "dvb/drxj/dB/stepNaN/topNaN/unknown/cn"},
	} {
		t.Run(c.like, func(t *testing.T) {
			fresh(t, "")
			scene(t, "473000000 31 -45000 24300 100000 19392658000 70000 12894000")
			shell(t, "like "+c.like)
			s := openIt(t, Options{})
			r, err := see(t, s, 473000000, 5*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			if !near(r.CNDB, c.cn, 0.01) || !near(r.ErroredS, c.errored, 0) || r.Scale != c.scale {
				t.Errorf("C/N %g, errored %g s, scale %q, want %g, %g, %q", r.CNDB, r.ErroredS, r.Scale, c.cn, c.errored, c.scale)
			}
			if c.counted != (r.UncorrectedBlocks >= 340 && r.UncorrectedBlocks <= 360) || c.counted != (r.TotalBlocks > 63000) {
				t.Errorf("%d of %d blocks, counted: %v, want 350", r.UncorrectedBlocks, r.TotalBlocks, c.counted)
			}
		})
	}
}

// Drivers of DVB-T, DVB-T2 and ISDB-T, likewise.
func TestLabLikeOtherDrivers(t *testing.T) {
	for _, c := range []struct {
		like    string
		sys     reception.System
		layer   string
		cn      float64 // of 24.3 dB
		pct     bool    // the level is in per cent
		counted bool    // broken blocks as a number: 70 a second
		errored float64
		scale   string
	}{
		{"si2168", reception.DVBT2, "", 24.25, false, true, 5, "dvb/si2168/dB/step0.25/topNaN/unknown/cn"},
		{"rtl2832", reception.DVBT, "", 24.3, true, false, nan, "dvb/rtl2832/dB/stepNaN/topNaN/unknown/cn"},
		{"cxd2841er", reception.DVBT2, "", 24.3, false, false, 5, "dvb/cxd2841er/dB/stepNaN/topNaN/unknown/cn"},
		{"zl10353", reception.DVBT, "", 24.2, true, true, 5, "dvb/zl10353/dB/step0.125/topNaN/unknown/cn"}, // in whole tenths
		{"tda10048", reception.DVBT, "", 24.3, true, true, 5, "dvb/tda10048/dB/stepNaN/topNaN/unknown/cn"},
		{"dib8000", reception.ISDBT, "", 24.3, false, true, 5, "dvb/dib8000/dB/stepNaN/topNaN/unknown/cn"},
		{"mb86a20s", reception.ISDBT, "B", 22.3, true, false, nan, "dvb/mb86a20s/dB/stepNaN/topNaN/unknown/cn"}, // 1 dB less by the layer; the lab counts errors of the whole, which are not the layer's
	} {
		t.Run(c.like, func(t *testing.T) {
			fresh(t, "")
			scene(t, "473000000 31 -45000 24300 100000 19392658000 70000 12894000")
			shell(t, "like "+c.like)
			r, err := openIt(t, Options{}).Visit(t.Context(), collector.Visit{Dwell: 5 * time.Second, LockWait: 2 * time.Second, Kind: reception.VisitBase,
				Channel: reception.Channel{FrequencyHz: 473000000, System: c.sys, Layer: c.layer, BandwidthHz: 6e6}})
			if err != nil {
				t.Fatal(err)
			}
			if !near(r.CNDB, c.cn, 0.01) || !near(r.ErroredS, c.errored, 0) || r.Scale != c.scale || c.pct == math.IsNaN(r.LevelPct) {
				t.Errorf("C/N %g, errored %g s, level %g %%, scale %q, want %g, %g, %v, %q", r.CNDB, r.ErroredS, r.LevelPct, r.Scale, c.cn, c.errored, c.pct, c.scale)
			}
			if c.counted != (r.UncorrectedBlocks >= 340 && r.UncorrectedBlocks <= 360) {
				t.Errorf("%d of %d blocks, counted: %v, want 350", r.UncorrectedBlocks, r.TotalBlocks, c.counted)
			}
		})
	}
}

// What a user sends of a tuner: what the kernel and the driver say, nothing else.
func TestLabReport(t *testing.T) {
	fresh(t, "adapters=2")
	shell(t, "like s5h1411")
	release := hold(t, 0) // the frontend that was plugged in last is number 0 again
	var b strings.Builder
	err := Report(t.Context(), &b, ReportOptions{Dwell: 2 * time.Second, Patience: 3 * time.Second, Channels: []reception.Channel{
		{FrequencyHz: 473000000, System: reception.ATSC1}, {FrequencyHz: 617000000, System: reception.ATSC1}}})
	release()
	text := b.String()
	if err != nil {
		t.Fatalf("Report: %v\n%s", err, text)
	}
	for _, want := range []string{
		"kernel 6.", "frontend 2 of 2", `"Samsung S5H1411 QAM/8VSB Frontend", known as s5h1411`, `"fesim", not known`, "API                        5.1",
		"in use by another program, for 3s at least: nothing was tuned. Looking on beside it:", "C/N                        len 0 each time", "FE_READ_SNR                270 each time",
		"channel 1, UHF, atsc1: locked after 0.3", "channel 2, UHF, atsc1: no lock within 5s", "FE_READ_UNCORRECTED_BLOCKS 0 each time",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	for _, secret := range []string{"473", "617"} {
		if strings.Contains(text, secret) {
			t.Errorf("the report holds %q", secret)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
}

// The machine's clock is set back an hour while the loop runs on the real kernel.
func TestLabTheClockIsSetBack(t *testing.T) {
	fresh(t, "")
	var got []reception.Reading
	var log strings.Builder
	tuner, err := collector.NewTuner("attic", openIt(t, Options{}), []reception.Channel{
		{FrequencyHz: 473000000, System: reception.ATSC1}, {FrequencyHz: 569000000, System: reception.ATSC1}},
		collector.Options{Every: 20 * time.Second, Dwell: 2 * time.Second, LockWait: time.Second, Share: 1},
		func(_ context.Context, rs []reception.Reading) error { got = append(got, rs...); return nil },
		slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	end := make(chan error, 1)
	go func() { end <- tuner.Run(ctx) }()
	set := func(d time.Duration) {
		tv := unix.NsecToTimeval(time.Now().Add(d).UnixNano())
		if err := unix.Settimeofday(&tv); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(3 * time.Minute)
	set(-time.Hour)
	defer set(time.Hour)
	time.Sleep(3 * time.Minute)
	cancel()
	if err := <-end; err != nil {
		t.Error(err)
	}
	seen := map[string]bool{}
	base, clock := 0, 0
	for _, r := range got {
		k := fmt.Sprint(r.FrequencyHz, " ", r.Time)
		if seen[k] {
			t.Errorf("two readings at %s", k)
		}
		seen[k] = true
		if r.Visit == reception.VisitBase {
			base++
		}
		if r.Why == reception.WhyClock {
			clock++
		}
	}
	if base < 33 || base > 38 || clock > 1 {
		t.Errorf("%d base visits in six minutes, %d of them doubtful, want 36 and at most 1", base, clock)
	}
	if s := log.String(); strings.Count(s, "\n") != 1 || !strings.Contains(s, "back by 1h0m0s") {
		t.Errorf("log %q, want one line", s)
	}
}

// What the kernel answers, byte for byte; testdata/properties.txt was recorded so.
func TestLabPropertyBytes(t *testing.T) {
	fresh(t, "")
	fd, err := system{}.open(anyNode, unix.O_RDWR)
	if err != nil {
		t.Fatal(err)
	}
	defer system{}.close(fd)
	ps, err := tuning(goodATSC)
	if err != nil {
		t.Fatal(err)
	}
	if err := exchange(system{}, fd, feSetProperty, ps); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second)
	knob(t, "layers", 4)
	knob(t, "layer_mdb", 1000)
	if _, err := u32(system{}, fd, feReadStatus); err != nil {
		t.Fatal(err)
	}
	want := recorded(t)
	ps = ask(dtvStatStrength, dtvStatCNR, dtvStatPreErr, dtvStatBlockErr, dtvFrequency, dtvSystem, dtvEnumSystems)
	if err := exchange(system{}, fd, feGetProperty, ps); err != nil {
		t.Fatal(err)
	}
	for i := range ps {
		if got := fmt.Sprintf("%x", ps[i].U); got != want[ps[i].Cmd] {
			t.Errorf("command %d: union %s, recorded %s", ps[i].Cmd, got, want[ps[i].Cmd])
		}
	}
}

// An evening's fade, with a viewer in the middle, visited by the loop.
func TestLabLoopThroughAFade(t *testing.T) {
	fresh(t, "")
	var got []reception.Reading
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	tuner, err := collector.NewTuner("attic", openIt(t, Options{}), []reception.Channel{
		{FrequencyHz: 473000000, System: reception.ATSC1}, {FrequencyHz: 569000000, System: reception.ATSC1}},
		collector.Options{Every: 20 * time.Second, Dwell: 2 * time.Second, LockWait: time.Second, Share: 1},
		func(_ context.Context, rs []reception.Reading) error { got = append(got, rs...); return nil }, log)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	end := make(chan error, 1)
	go func() { end <- tuner.Run(ctx) }()
	phase := func(what string, d time.Duration) (from, to int64) {
		from = time.Now().UnixMilli()
		time.Sleep(d)
		return from, time.Now().UnixMilli()
	}
	f0, t0 := phase("clean", time.Minute)
	scene(t, clean, "569000000 3 -80000 9000 0 0 0 0")
	f1, t1 := phase("lost", time.Minute)
	scene(t, clean, broken)
	release := hold(t, 0)
	f2, t2 := phase("viewer", time.Minute)
	release()
	shell(t, "unplug 0")
	f3, t3 := phase("unplugged", time.Minute)
	shell(t, "plug 0")
	f4, t4 := phase("back", 3*time.Minute)
	cancel()
	if err := <-end; err != nil {
		t.Error(err)
	}
	count := func(from, to int64, want func(r reception.Reading) bool) (n, all int) {
		for _, r := range got {
			// a visit may straddle the change
			if r.Visit == reception.VisitBase && r.Time > from+6000 && r.Time < to-6000 {
				all++
				if want(r) {
					n++
				}
			}
		}
		return n, all
	}
	for _, c := range []struct {
		what     string
		from, to int64
		want     func(r reception.Reading) bool
	}{
		{"clean", f0, t0, func(r reception.Reading) bool { return r.Valid() && r.Locked }},
		{"one channel lost", f1, t1, func(r reception.Reading) bool { return r.Valid() && r.Locked == (r.FrequencyHz == 473000000) }},
		{"a viewer", f2, t2, func(r reception.Reading) bool { return r.Why == reception.WhyViewer && r.DwellMS == 2000 }},
		{"unplugged", f3, t3, func(r reception.Reading) bool { return r.Why == reception.WhyFailing }},
		{"back", f4 + 120e3, t4, func(r reception.Reading) bool { return r.Valid() && r.Locked }},
	} {
		if n, all := count(c.from, c.to, c.want); all < 3 || n != all {
			t.Errorf("%s: %d of %d base visits as expected", c.what, n, all)
		}
	}
	if h := tuner.Health(); !h.OK {
		t.Errorf("Health = %+v", h)
	}
}
