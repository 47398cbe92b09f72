//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// A tuner that the config knows by place or name is found whatever its number is, before
// and after a plug.
func TestFoundByPlaceOrName(t *testing.T) {
	const socket, other = "/sys/devices/usb1/1-2", "/sys/devices/usb1/1-3"
	type plugged struct{ node, name, path string }
	mine, twin := "Some Demodulator", "Another Demodulator"
	for _, c := range []struct {
		what string
		o    Options
		is   []plugged
		want string // node; "" is not found
		says string
	}{
		{"by place", Options{Adapter: -1, Path: socket}, []plugged{{"/dev/dvb/adapter0/frontend0", twin, other}, {"/dev/dvb/adapter5/frontend0", mine, socket}}, "/dev/dvb/adapter5/frontend0", ""},
		{"by place, second frontend", Options{Adapter: -1, Frontend: 1, Path: socket}, []plugged{{"/dev/dvb/adapter2/frontend0", mine, socket}, {"/dev/dvb/adapter2/frontend1", mine, socket}}, "/dev/dvb/adapter2/frontend1", ""},
		{"place is empty", Options{Adapter: -1, Path: socket}, []plugged{{"/dev/dvb/adapter0/frontend0", mine, other}}, "", "nothing at " + socket + ", only /dev/dvb/adapter0/frontend0 at " + other},
		{"another tuner in the place", Options{Adapter: -1, Path: socket, Name: mine}, []plugged{{"/dev/dvb/adapter0/frontend0", twin, socket}}, "", `is "Another Demodulator", want "Some Demodulator"`},
		{"by name", Options{Adapter: -1, Name: mine}, []plugged{{"/dev/dvb/adapter0/frontend0", twin, socket}, {"/dev/dvb/adapter1/frontend0", mine, other}}, "/dev/dvb/adapter1/frontend0", ""},
		{"no such name", Options{Adapter: -1, Name: mine}, []plugged{{"/dev/dvb/adapter0/frontend0", twin, socket}}, "", `no tuner calls itself "Some Demodulator", only`},
		{"two of the name", Options{Adapter: -1, Name: mine}, []plugged{{"/dev/dvb/adapter0/frontend0", mine, socket}, {"/dev/dvb/adapter1/frontend0", mine, other}}, "", "2 tuners call themselves"},
		{"by number and name", Options{Adapter: 1, Name: mine}, []plugged{{"/dev/dvb/adapter0/frontend0", mine, socket}, {"/dev/dvb/adapter1/frontend0", twin, other}}, "", `is "Another Demodulator"`},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				fes := map[string]*fakeFE{}
				for _, p := range c.is {
					_, fe := oneTuner(t)
					fe.name, fe.path = p.name, p.path
					fes[p.node] = fe
				}
				k := newFake(t, fes)
				s, err := newSource(c.o, k)
				if err != nil {
					t.Fatal(err)
				}
				_, err = s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
				if c.want == "" {
					if !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), c.says) {
						t.Fatalf("Visit: %v, want ErrGone that says %q", err, c.says)
					}
					return
				}
				if err != nil || s.called() != c.want {
					t.Fatalf("Visit: %v, tuner at %s, want %s", err, s.called(), c.want)
				}
				// plugged in again under another number
				k.do(func() {
					_, fresh := oneTuner(t)
					was := k.fe[c.want]
					fresh.name, fresh.path, was.gone = was.name, was.path, true
					delete(k.fe, c.want)
					k.fe["/dev/dvb/adapter9/"+c.want[len(c.want)-len("frontend0"):]] = fresh
				})
				if _, err := s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase}); err != nil || !strings.Contains(s.called(), "adapter9") {
					t.Errorf("Visit after the plug: %v, tuner at %s, want adapter9", err, s.called())
				}
			})
		})
	}
}

// A tuner that is known by its name alone may be moved to another socket.
func TestMovedToAnotherSocket(t *testing.T) {
	for name, o := range map[string]Options{"by name": {Adapter: -1, Name: "Some Demodulator"}, "by number": {}} {
		synctest.Test(t, func(t *testing.T) {
			k, fe := oneTuner(t)
			s, err := newSource(o, k)
			if err != nil {
				t.Fatal(err)
			}
			v := collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase}
			if _, err := s.Visit(t.Context(), v); err != nil {
				t.Fatal(err)
			}
			k.do(func() { fe.path = "/sys/devices/usb1/1-9" })
			_, err = s.Visit(t.Context(), v)
			if byName := o.Name != ""; byName && err != nil || !byName && !errors.Is(err, collector.ErrGone) {
				t.Errorf("%s: Visit: %v", name, err)
			}
		})
	}
}

// Signals of the runtime interrupt opening and calls; the visit goes on.
func TestInterruptedCalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		k.interrupt = 3
		r, _, err := visit(t, k, goodATSC, 2*time.Second)
		if err != nil || !r.Locked || r.DwellMS != 2000 || k.interrupted < 10 || fe.opened != 1 {
			t.Errorf("reading %+v, %v after %d interrupted calls, opened %d times", r, err, k.interrupted, fe.opened)
		}
	})
}

// After an unplug in the middle of a call that hangs, everything says ENODEV at once.
func TestUnpluggedWhileACallHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		hang := make(chan struct{})
		fe.hang = hang
		s, err := newSource(Options{}, k)
		if err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(3*time.Second, func() {
			k.do(func() { fe.gone = true; delete(k.fe, anyNode) })
			close(hang)
		})
		_, err = s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
		if !errors.Is(err, collector.ErrGone) || !errors.Is(err, unix.ENODEV) || len(k.fd) != 0 {
			t.Errorf("Visit: %v, %v; want ErrGone and no file left", err, k)
		}
	})
}
