//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// watcher is another program that holds the tuner.
type watcher struct {
	k  *fake
	fe *fakeFE
	fd int
}

func (w *watcher) begin(t *testing.T, hz, sys uint32) {
	t.Helper()
	fd, err := w.k.open(anyNode, unix.O_RDWR)
	if err != nil {
		t.Fatal(err)
	}
	w.fd = fd
	w.to(hz, sys)
}

func (w *watcher) to(hz, sys uint32) {
	w.k.do(func() {
		w.fe.params = map[uint32]uint32{17: sys, 42: anyStream}
		w.fe.tuned, w.fe.tunedAt = hz, time.Now()
	})
}

func (w *watcher) end() { w.k.close(w.fd) }

// withLevelCall gives the driver an older call, so that it tells whether it is in use.
func withLevelCall(fe *fakeFE) {
	fe.old = map[uintptr]func(air, bool) (uint32, error){feReadSignal: func(air, bool) (uint32, error) { return 30000, nil }}
}

const atsc = 11

var rideChannels = []reception.Channel{goodATSC, {FrequencyHz: weak, System: reception.ATSC1}}

func TestRide(t *testing.T) {
	for _, c := range []struct {
		what  string
		play  func(fe *fakeFE)
		hz    uint32 // of the holder; 0: nobody
		sys   uint32
		chs   []reception.Channel
		then  func(w *watcher) // 4 s after the ride has begun
		is    error
		check func(rs []reception.Reading) error
	}{
		{"a viewer on one of ours", withLevelCall, weak, atsc, rideChannels, nil, nil, func(rs []reception.Reading) error {
			if len(rs) != 1 || rs[0].FrequencyHz != weak || rs[0].Visit != reception.VisitRiding || !rs[0].Locked || rs[0].CNDB != 15.1 ||
				rs[0].UncorrectedBlocks != 125 || rs[0].DwellMS != 5000 || rs[0].ErroredS != 5 || rs[0].Mode != "8vsb" {
				return fmt.Errorf("%+v", rs)
			}
			return nil
		}},
		{"a viewer a little beside the middle", func(fe *fakeFE) { withLevelCall(fe); fe.air[good+142857] = fe.air[good] }, good + 142857, atsc, rideChannels, nil, nil, func(rs []reception.Reading) error {
			if len(rs) != 1 || rs[0].FrequencyHz != good || rs[0].TunedHz != good+142857 {
				return fmt.Errorf("%+v", rs)
			}
			return nil
		}},
		{"a viewer on a channel of theirs", withLevelCall, weak, atsc, rideChannels[:1], nil, nil, none},
		{"a viewer on another system", withLevelCall, weak, 3, rideChannels, nil, nil, none},
		{"a viewer without signal", withLevelCall, dark, atsc, []reception.Channel{{FrequencyHz: dark, System: reception.ATSC1}}, nil, nil, func(rs []reception.Reading) error {
			if len(rs) != 1 || rs[0].Locked || rs[0].ErroredS != 5 {
				return fmt.Errorf("%+v", rs)
			}
			return nil
		}},
		{"nobody", withLevelCall, 0, 0, rideChannels, nil, collector.ErrIdle, none},
		{"the viewer zaps", withLevelCall, weak, atsc, rideChannels, func(w *watcher) { w.to(good, atsc) }, nil, none},
		{"the viewer goes to another system on the frequency", withLevelCall, weak, atsc, rideChannels, func(w *watcher) { w.to(weak, 3) }, nil, none},
		{"the viewer leaves", withLevelCall, weak, atsc, rideChannels, func(w *watcher) { w.end() }, collector.ErrIdle, none},
		{"a driver without older calls, and somebody there", nil, weak, atsc, rideChannels, nil, nil, func(rs []reception.Reading) error {
			if len(rs) != 1 || rs[0].CNDB != 15.1 {
				return fmt.Errorf("%+v", rs)
			}
			return nil
		}},
		{"a driver without older calls that holds its last values for ever", func(fe *fakeFE) {
			fe.tuned, fe.params = weak, map[uint32]uint32{17: atsc}
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				return map[uint32][]figure{62: {{1, -70000}}, 63: {{1, 33000}}, 68: {{3, 7}}, 69: {{3, 100000}}}[cmd]
			}
		}, 0, 0, rideChannels, nil, collector.ErrIdle, none},
		{"a driver that says it is asleep", func(fe *fakeFE) { fe.readErr = func(int) error { return unix.EAGAIN } }, 0, 0, rideChannels, nil, collector.ErrIdle, none},
		{"layers of one frequency", func(fe *fakeFE) {
			withLevelCall(fe)
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				if cmd == dtvStatCNR {
					return []figure{{1, 20000}, {1, 19000}, {1, 18000}, {1, 17000}}
				}
				return nil
			}
		}, good, 8, []reception.Channel{{FrequencyHz: good, System: reception.ISDBT, Layer: "A"}, {FrequencyHz: good, System: reception.ISDBT, Layer: "B"}, goodATSC}, nil, nil, func(rs []reception.Reading) error {
			if len(rs) != 2 || rs[0].Layer != "A" || rs[0].CNDB != 19 || rs[1].Layer != "B" || rs[1].CNDB != 18 {
				return fmt.Errorf("%+v", rs)
			}
			return nil
		}},
		{"the status cannot be read", func(fe *fakeFE) { withLevelCall(fe); fe.readErr = func(int) error { return unix.EIO } }, weak, atsc, rideChannels, nil, unix.EIO, none},
		{"pulled out", withLevelCall, weak, atsc, rideChannels, func(w *watcher) { w.k.do(func() { w.fe.gone = true; delete(w.k.fe, anyNode) }) }, collector.ErrGone, none},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				if c.play != nil {
					c.play(fe)
				}
				s, err := newSource(Options{}, k)
				if err != nil {
					t.Fatal(err)
				}
				w := &watcher{k: k, fe: fe}
				if c.hz != 0 {
					w.begin(t, c.hz, c.sys)
					time.Sleep(3 * time.Second)
				}
				if c.then != nil {
					time.AfterFunc(4*time.Second, func() { c.then(w) })
				}
				k.log = nil
				rs, err := s.Ride(t.Context(), collector.Ride{Channels: c.chs, Dwell: 5 * time.Second, LockWait: 2 * time.Second})
				if (err == nil) != (c.is == nil) || err != nil && !errors.Is(err, c.is) {
					t.Fatalf("Ride: %v, want %v", err, c.is)
				}
				if err := c.check(rs); err != nil {
					t.Error(err)
				}
				for i := range rs {
					r := rs[i]
					r.Tuner = "attic"
					if _, ok := s.Scale(r.Scale); r.Validate() != nil || !ok {
						t.Errorf("reading is not valid: %v, scale known: %v", r.Validate(), ok)
					}
				}
				if slices.Contains(k.log, feReadUCB) || slices.Contains(k.log, uintptr(0x80046f46)) || slices.Contains(k.log, uintptr(feSetProperty)) || slices.Contains(k.log, uintptr(0x80286f4e)) {
					t.Errorf("asked %x: a count that reading empties, an event, or to tune", k.log)
				}
				if n := len(k.fd); n > 1 || n == 1 && (k.fd[w.fd] == nil) {
					t.Errorf("%v after the ride", k)
				}
				if fe.opened > 2 {
					t.Errorf("opened %d times, want once beside the holder", fe.opened)
				}
			})
		})
	}
}

func none(rs []reception.Reading) error {
	if len(rs) != 0 {
		return fmt.Errorf("readings %+v, want none", rs)
	}
	return nil
}

// Where frontends share hardware an open file keeps the others out: none is held between
// looks.
func TestRideBesideASibling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		withLevelCall(fe)
		k.fe["/dev/dvb/adapter0/frontend1"] = &fakeFE{name: "Sibling"}
		s, err := newSource(Options{}, k)
		if err != nil {
			t.Fatal(err)
		}
		w := &watcher{k: k, fe: fe}
		w.begin(t, weak, atsc)
		held := 0
		stop, stopped := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(stopped)
			for {
				select {
				case <-stop:
					return
				case <-time.After(317 * time.Millisecond): // never at the instant of a look
					k.do(func() { held += len(k.fd) - 1 })
				}
			}
		}()
		rs, err := s.Ride(t.Context(), collector.Ride{Channels: rideChannels, Dwell: 5 * time.Second, LockWait: time.Second})
		close(stop)
		<-stopped
		if err != nil || len(rs) != 1 || rs[0].CNDB != 15.1 || rs[0].UncorrectedBlocks != 125 {
			t.Errorf("Ride = %+v, %v", rs, err)
		}
		if held != 0 || fe.opened < 7 {
			t.Errorf("%d times a file was open between looks, opened %d times; want none, and once a look", held, fe.opened-1)
		}
	})
}

// The sibling is in use: nobody can be watching by this one.
func TestRideWhileTheSiblingIsInUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		fe.openErr = unix.EBUSY
		s, err := newSource(Options{}, k)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Ride(t.Context(), collector.Ride{Channels: rideChannels, Dwell: time.Second}); !errors.Is(err, collector.ErrIdle) {
			t.Errorf("Ride: %v, want ErrIdle", err)
		}
	})
}

func TestRideThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		withLevelCall(fe)
		s, err := newSource(Options{}, k)
		if err != nil {
			t.Fatal(err)
		}
		w := &watcher{k: k, fe: fe}
		w.begin(t, weak, atsc)
		fe.hang = make(chan struct{})
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		if _, err := s.Ride(ctx, collector.Ride{Channels: rideChannels, Dwell: time.Second}); !errors.Is(err, collector.ErrHung) {
			t.Errorf("Ride: %v, want ErrHung", err)
		}
		// no visit is tried beside the call that is out
		v := collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase}
		if _, err := s.Visit(t.Context(), v); !errors.Is(err, collector.ErrHung) || !strings.Contains(err.Error(), "earlier call") {
			t.Errorf("Visit: %v, want ErrHung", err)
		}
		close(fe.hang)
		w.end()
		synctest.Wait()
		if _, err := s.Visit(t.Context(), v); err != nil {
			t.Errorf("Visit when the device answers: %v", err)
		}
	})
}
