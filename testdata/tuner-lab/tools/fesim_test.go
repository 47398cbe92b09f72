//go:build linux && (amd64 || arm64)

package main

// Self-check of the lab on fesim: one test per knob, so that a test of the product that
// turns a knob can trust it. Runs in the virtual machine only: lab selfcheck.

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"
)

const (
	chA, chB, chC, chNone = 177000000, 473000000, 569000000, 605000000
	air                   = `clear
177000000 31 -50000 30000 0 19392658000 0 12894000
473000000 31 -60000 20000 40000 19392658000 1000000 12894000
569000000 3 -80000 9000 0 0 0 0`
)

func needDriver(t *testing.T, name string) {
	t.Helper()
	if os.Getenv("TUNER_LAB") != name {
		t.Fatal("runs in the tuner lab on " + name + ": lab selfcheck")
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// knob sets a parameter until the test ends.
func knob(t *testing.T, name string, v any) {
	t.Helper()
	old, err := os.ReadFile(paramDir + name)
	must(t, err)
	must(t, setParam(name, fmt.Sprint(v)))
	t.Cleanup(func() { setParam(name, strings.TrimSpace(string(old))) })
}

func openT(t *testing.T, a, mode int) int {
	t.Helper()
	fd, err := openFE(a, mode)
	must(t, err)
	t.Cleanup(func() { syscall.Close(fd) })
	return fd
}

func tuned(t *testing.T, fd int, hz uint32) {
	t.Helper()
	must(t, tuneTo(fd, "atsc", hz))
	if d, ok := waitLock(fd, 3*time.Second); !ok {
		t.Fatalf("no lock on %d after %v", hz, d)
	}
}

// owner opens tuner 0 for writing on the standard air and locks to hz.
func owner(t *testing.T, hz uint32) int {
	t.Helper()
	needDriver(t, "fesim")
	must(t, setParam("channels", air))
	fd := openT(t, 0, os.O_RDWR)
	if hz != 0 {
		tuned(t, fd, hz)
	}
	return fd
}

func read(t *testing.T, fd int) (uint32, [nStats][]stat) {
	t.Helper()
	s, err := readStatus(fd)
	must(t, err)
	st, err := readStats(fd)
	must(t, err)
	return s, st
}

func want(t *testing.T, what string, got []stat, w ...stat) {
	t.Helper()
	if fmt.Sprint(got) != fmt.Sprint(w) {
		t.Errorf("%s = %v, want %v", what, got, w)
	}
}

func TestValuesFollowTheFrequency(t *testing.T) {
	fd := owner(t, chA)
	_, st := read(t, fd)
	want(t, "cnr on A", st[cnr], stat{scaleDB, 30000})
	want(t, "strength on A", st[strength], stat{scaleDB, -50000})
	tuned(t, fd, chB)
	_, st = read(t, fd)
	want(t, "cnr on B", st[cnr], stat{scaleDB, 20000})
	must(t, tuneTo(fd, "atsc", chC))
	time.Sleep(600 * time.Millisecond)
	s, st := read(t, fd)
	if s != 3 {
		t.Errorf("status on C = %#x, want 3", s)
	}
	want(t, "cnr on C", st[cnr], stat{scaleNA, 0})
	must(t, tuneTo(fd, "atsc", chNone))
	time.Sleep(600 * time.Millisecond)
	s, st = read(t, fd)
	if s != 0 {
		t.Errorf("status on an empty channel = %#x, want 0", s)
	}
	want(t, "strength on an empty channel", st[strength], stat{scaleDB, -95000})
	if err := tuneTo(fd, "dvbc", 40000000); err != syscall.EINVAL {
		t.Errorf("out of range: %v, want EINVAL", err)
	}
}

func TestCountersFollowTime(t *testing.T) {
	fd := owner(t, chB)
	_, a := read(t, fd)
	t0 := time.Now()
	time.Sleep(time.Second)
	_, b := read(t, fd)
	d := time.Since(t0).Seconds()
	for i, rate := range map[int]float64{blkTot: 12894, blkErr: 1000, postTot: 19392658, postErr: 40} {
		if got := float64(b[i][0].V-a[i][0].V) / d; got < rate*0.9 || got > rate*1.1 {
			t.Errorf("statistic %d: %.1f a second, want %.1f", i, got, rate)
		}
	}
}

func TestLockTime(t *testing.T) {
	fd := owner(t, 0)
	knob(t, "lock_ms", 800)
	must(t, tuneTo(fd, "atsc", chA))
	if d, ok := waitLock(fd, 3*time.Second); !ok || d < 700*time.Millisecond || d > 1500*time.Millisecond {
		t.Errorf("lock %v after %v, want 0.8 s", ok, d)
	}
}

func TestReadDelay(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "read_ms", 250)
	t0 := time.Now()
	read(t, fd)
	if d := time.Since(t0); d < 250*time.Millisecond {
		t.Errorf("read took %v, want at least 250 ms", d)
	}
}

func TestHangOfOneTunerOnly(t *testing.T) {
	fd := owner(t, chA)
	must(t, setParam("plug", "1"))
	defer setParam("unplug", "1")
	other, err := openFE(1, os.O_RDWR)
	must(t, err)
	defer syscall.Close(other)
	tuned(t, other, chB)
	knob(t, "hang", 1)
	back := make(chan error, 1)
	go func() { _, err := readStatus(fd); back <- err }()
	select {
	case err := <-back:
		t.Fatal("did not hang:", err)
	case <-time.After(500 * time.Millisecond):
	}
	_, st := read(t, other)
	want(t, "cnr of the other tuner", st[cnr], stat{scaleDB, 20000})
	must(t, setParam("hang", "0"))
	must(t, <-back)
}

func TestOffsetOfOneTuner(t *testing.T) {
	owner(t, 0)
	must(t, setParam("plug", "1"))
	defer setParam("unplug", "1")
	fd, err := openFE(1, os.O_RDWR)
	must(t, err)
	defer syscall.Close(fd)
	knob(t, "offset_mdb", "0,-3000")
	tuned(t, fd, chA)
	_, st := read(t, fd)
	want(t, "cnr", st[cnr], stat{scaleDB, 27000})
}

func TestEIO(t *testing.T) {
	fd := owner(t, chA)
	_, was := read(t, fd)
	knob(t, "io_err", 5)
	if _, err := readStatus(fd); err != syscall.EIO {
		t.Errorf("FE_READ_STATUS: %v, want EIO", err)
	}
	st, err := readStats(fd)
	must(t, err) // the old values go on
	want(t, "cnr", st[cnr], was[cnr]...)
	if _, _, _, _, e := legacy(fd); e[1] != syscall.EIO {
		t.Errorf("FE_READ_SNR: %v, want EIO", e[1])
	}
	knob(t, "io_every", 4)
	bad := 0
	for range 40 {
		if _, err := readStatus(fd); err != nil {
			bad++
		}
	}
	if bad < 7 || bad > 13 { // the kernel's own thread reads too
		t.Errorf("%d of 40 reads failed, want about 10", bad)
	}
}

func TestTuneFails(t *testing.T) {
	fd := owner(t, 0)
	knob(t, "set_err", 5)
	must(t, tuneTo(fd, "atsc", chA)) // the kernel's thread tunes, the caller isn't told
	if _, ok := waitLock(fd, time.Second); ok {
		t.Error("locked")
	}
}

func TestUnplug(t *testing.T) {
	fd := owner(t, chA)
	ro := openT(t, 0, os.O_RDONLY)
	must(t, setParam("unplug", "0"))
	for _, f := range []int{fd, ro} {
		if _, err := readStatus(f); err != syscall.ENODEV {
			t.Errorf("FE_READ_STATUS: %v, want ENODEV", err)
		}
		if _, err := readStats(f); err != syscall.ENODEV {
			t.Errorf("FE_GET_PROPERTY: %v, want ENODEV", err)
		}
	}
	if _, err := os.Stat(fePath(0)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%s still there: %v", fePath(0), err)
	}
	must(t, setParam("plug", "0"))
	n := openT(t, 0, os.O_RDWR) // the dead files are still open
	tuned(t, n, chB)
}

func TestUnplugWhileHanging(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "hang", 1)
	back := make(chan error, 1)
	go func() { _, err := readStatus(fd); back <- err }()
	time.Sleep(200 * time.Millisecond)
	must(t, setParam("unplug", "0"))
	if err := <-back; err != syscall.ENODEV {
		t.Errorf("%v, want ENODEV", err)
	}
	must(t, setParam("plug", "0"))
}

// afterOwner lets an owner tune, reads beside it, and returns the readings before and
// well after the owner has left.
func afterOwner(t *testing.T) (s1, s2 uint32, a, b [nStats][]stat, ro int) {
	ro = openT(t, 0, os.O_RDONLY)
	fd, err := openFE(0, os.O_RDWR)
	must(t, err)
	tuned(t, fd, chB)
	s1, a = read(t, ro)
	syscall.Close(fd)
	time.Sleep(1500 * time.Millisecond)
	read(t, ro)
	time.Sleep(300 * time.Millisecond)
	s2, b = read(t, ro)
	return
}

func TestOwnerLeaves(t *testing.T) {
	needDriver(t, "fesim")
	must(t, setParam("channels", air))
	_, s, _, b, ro := afterOwner(t)
	if s != 0 || b[cnr][0].Scale != scaleNA {
		t.Errorf("status %#x cnr %v, want 0 and not available", s, b[cnr])
	}
	if _, _, _, _, e := legacy(ro); e[1] != syscall.EAGAIN {
		t.Errorf("FE_READ_SNR without an owner: %v, want EAGAIN", e[1])
	}
	knob(t, "asleep_err", 11)
	if _, err := readStatus(ro); err != syscall.EAGAIN {
		t.Errorf("asleep_err: %v, want EAGAIN", err)
	}
}

func TestStaleAfterOwnerLeaves(t *testing.T) {
	needDriver(t, "fesim")
	must(t, setParam("channels", air))
	knob(t, "stale", 1)
	s1, s2, a, b, ro := afterOwner(t)
	if s1 != 0x1f || s2 != 0x1f {
		t.Errorf("status %#x, later %#x, want lock for ever", s1, s2)
	}
	want(t, "cnr", b[cnr], a[cnr]...)
	_, c := read(t, ro)
	want(t, "block count, frozen", c[blkTot], b[blkTot]...)
}

func TestHold(t *testing.T) {
	fd := owner(t, chA)
	_, a := read(t, fd)
	knob(t, "hold", 1)
	time.Sleep(100 * time.Millisecond)
	_, b := read(t, fd)
	want(t, "block count", b[blkTot], a[blkTot]...)
}

func TestOldStatisticsAfterTune(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "old_ms", 1000)
	read(t, fd)
	tuned(t, fd, chB) // after 0.3 s
	s, st := read(t, fd)
	if s != 0x1f {
		t.Errorf("status %#x", s)
	}
	want(t, "cnr, B tuned, A's value", st[cnr], stat{scaleDB, 30000})
	time.Sleep(time.Second)
	_, st = read(t, fd)
	want(t, "cnr in the end", st[cnr], stat{scaleDB, 20000})
}

func TestScales(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "str_scale", 2)
	knob(t, "cnr_scale", 2)
	_, st := read(t, fd)
	want(t, "strength", st[strength], stat{scaleRel, 32767})
	want(t, "cnr", st[cnr], stat{scaleRel, 30000 * 65535 / 35000})
	knob(t, "cnr_scale", 0)
	knob(t, "na_garbage", 1)
	_, st = read(t, fd)
	want(t, "cnr", st[cnr], stat{scaleNA, -4055592980})
}

func TestMissing(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "missing", 2|64)
	_, st := read(t, fd)
	if len(st[cnr]) != 0 || len(st[blkErr]) != 0 || len(st[strength]) != 1 || len(st[preErr]) != 1 {
		t.Errorf("%v, want no cnr and no block errors", st)
	}
	knob(t, "missing", 0)
	knob(t, "na_every", 2)
	n := 0
	for range 20 {
		if _, st := read(t, fd); st[cnr][0].Scale == scaleNA {
			n++
		}
	}
	if n < 7 || n > 13 {
		t.Errorf("%d of 20 not available, want about 10", n)
	}
}

func TestUnlockedCNR(t *testing.T) {
	fd := owner(t, 0)
	must(t, tuneTo(fd, "atsc", chC))
	time.Sleep(500 * time.Millisecond)
	knob(t, "cnr_unlocked_scale", 1)
	_, st := read(t, fd)
	want(t, "cnr without lock", st[cnr], stat{scaleDB, 0})
	knob(t, "cnr_unlocked_mdb", -1)
	_, st = read(t, fd)
	want(t, "cnr without lock", st[cnr], stat{scaleDB, 9000})
}

func TestShapeOfCNR(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "cnr_max_mdb", 27400)
	knob(t, "cnr_step_mdb", 500)
	_, st := read(t, fd)
	want(t, "cnr with a ceiling and steps", st[cnr], stat{scaleDB, 27000})
	knob(t, "cnr_div", 1000)
	_, st = read(t, fd)
	want(t, "cnr in whole dB", st[cnr], stat{scaleDB, 27})
	knob(t, "cnr_div", 1)
	knob(t, "noise_mdb", 2000)
	seen := map[int64]bool{}
	for range 20 {
		_, st := read(t, fd)
		v := st[strength][0].V
		seen[v] = true
		if v < -52000 || v > -48000 {
			t.Errorf("strength %d with 2 dB of noise", v)
		}
	}
	if len(seen) < 5 {
		t.Errorf("noise: only %d values", len(seen))
	}
}

func TestLayers(t *testing.T) {
	fd := owner(t, chA)
	knob(t, "layers", 4)
	knob(t, "layer_mdb", 1000)
	_, st := read(t, fd)
	// the length of another member of the union overwrites one word of the last layer
	want(t, "strength, whole and layers A, B", st[strength][:3], stat{scaleDB, -50000}, stat{scaleDB, -51000}, stat{scaleDB, -52000})
	if v := st[strength][3].V; v == -53000 {
		t.Error("this kernel no longer damages layer C: the dvb source may believe it")
	}
	knob(t, "layers", 0)
	_, st = read(t, fd)
	want(t, "strength, no layers", st[strength])
}

func TestCountersReset(t *testing.T) {
	fd := owner(t, chB)
	knob(t, "cnt_reset", 1)
	time.Sleep(700 * time.Millisecond)
	_, a := read(t, fd)
	tuned(t, fd, chB)
	_, b := read(t, fd)
	if b[blkTot][0].V >= a[blkTot][0].V || b[blkTot][0].V > 6000 {
		t.Errorf("block count %v, after a new tune %v, want a start from 0", a[blkTot], b[blkTot])
	}
	knob(t, "cnt_reset", 0)
	tuned(t, fd, chB)
	if _, c := read(t, fd); c[blkTot][0].V < b[blkTot][0].V {
		t.Errorf("block count %v, after a new tune %v, want it to go on", b[blkTot], c[blkTot])
	}
}

func TestCounterKinds(t *testing.T) {
	fd := owner(t, chB)
	knob(t, "cnt_bits", 12)
	time.Sleep(500 * time.Millisecond)
	if _, st := read(t, fd); st[blkTot][0].V > 4095 {
		t.Errorf("12 bit counter at %v", st[blkTot])
	}
	knob(t, "cnt_bits", 64)
	knob(t, "cnt_per_read_ms", 500)
	_, a := read(t, fd)
	_, b := read(t, fd)
	if d := b[blkTot][0].V - a[blkTot][0].V; d < 6447 || d%6447 > 1 { // more if the kernel's thread read too
		t.Errorf("counter moved by %d, want multiples of 6447 per read", d)
	}
	knob(t, "cnt_per_read_ms", 0)
	knob(t, "cnt_since_read", 1)
	read(t, fd)
	time.Sleep(100 * time.Millisecond)
	if _, st := read(t, fd); st[blkTot][0].V > 12894 {
		t.Errorf("last interval %v, want about 1300", st[blkTot])
	}
}

func TestLegacy(t *testing.T) {
	fd := owner(t, chB)
	str, snr, _, _, e := legacy(fd)
	if str != 26214 || snr != 200 || e != [4]error{} {
		t.Errorf("strength %d snr %d %v, want 26214 and 200", str, snr, e)
	}
	knob(t, "snr_mul", 256)
	knob(t, "snr_div", 1000)
	knob(t, "str_from_snr", 1)
	if str, snr, _, _, _ = legacy(fd); str != 37448 || snr != 5120 {
		t.Errorf("strength %d snr %d, want 37448 and 5120", str, snr)
	}
	for _, bits := range []int{8, 16} {
		knob(t, "ucb_bits", bits)
		limit, wrapped, prev := uint32(1)<<bits, false, uint32(0)
		knob(t, "cnt_per_read_ms", 7000) // 7000 errors a read
		for range 25 {
			readStatus(fd)
			_, _, _, ucb, _ := legacy(fd)
			wrapped = wrapped || ucb < prev
			prev = ucb
			if ucb >= limit {
				t.Fatalf("%d bit counter at %d", bits, ucb)
			}
		}
		if !wrapped {
			t.Errorf("%d bit counter did not wrap", bits)
		}
		knob(t, "cnt_per_read_ms", 0)
	}
	knob(t, "ucb_bits", 32)
	knob(t, "ucb_since_read", 1)
	knob(t, "ber_since_read", 1)
	legacy(fd)
	_, _, ber, ucb, _ := legacy(fd)
	if ber > 4 || ucb > 100 {
		t.Errorf("since the last call: ber %d ucb %d, want next to nothing", ber, ucb)
	}
}

func TestIdentityAndMissingLegacyCalls(t *testing.T) {
	needDriver(t, "fesim")
	knob(t, "legacy", 2)
	knob(t, "name", "Some Demodulator")
	knob(t, "delsys", "11")
	must(t, setParam("unplug", "0"))
	must(t, setParam("plug", "0"))
	t.Cleanup(func() { setParam("unplug", "0"); setParam("plug", "0") })
	t.Cleanup(func() { setParam("delsys", "11,2,8,3,16") })
	fd := owner(t, chA)
	if n, _ := feName(fd); n != "Some Demodulator" {
		t.Errorf("name %q", n)
	}
	_, snr, _, _, e := legacy(fd)
	if snr != 300 || e != [4]error{errENOTSUPP, nil, errENOTSUPP, errENOTSUPP} {
		t.Errorf("snr %d %v, want only FE_READ_SNR, the others errno 524", snr, e)
	}
	if err := tuneTo(fd, "dvbt", chA); err != syscall.EINVAL {
		t.Errorf("DVB-T: %v, want EINVAL", err)
	}
}

func TestOneWriterManyReaders(t *testing.T) {
	owner(t, chA)
	if _, err := openFE(0, os.O_RDWR); err != syscall.EBUSY {
		t.Errorf("second writer: %v, want EBUSY", err)
	}
	ro := openT(t, 0, os.O_RDONLY)
	if err := tuneTo(ro, "atsc", chB); err != syscall.EPERM {
		t.Errorf("a reader tunes: %v, want EPERM", err)
	}
	if f, err := getProp(ro, 3); f != chA || err != nil {
		t.Errorf("a reader sees frequency %d, %v", f, err)
	}
}

// A whole day passes while the test reads one channel; what it reads is in the file.
func TestDayAtSpeed(t *testing.T) {
	needDriver(t, "fesim")
	var b bytes.Buffer
	writeDay(&b, 1, 60, 1)
	sc, err := parseScenario(bytes.NewReader(b.Bytes()))
	must(t, err)
	known := map[int64]bool{}
	for _, l := range strings.Split(b.String(), "\n") {
		if w := strings.Fields(l); len(w) == 9 && w[1] == fmt.Sprint(chC) {
			var v int64
			fmt.Sscan(w[4], &v)
			known[v] = true
		}
	}
	must(t, setParam("channels", "clear"))
	done := make(chan error, 1)
	go func() { done <- feed(sc, 86400/8, false, "") }()
	time.Sleep(300 * time.Millisecond)
	fd := openT(t, 0, os.O_RDWR)
	tuned(t, fd, chC)
	values, lost, n := map[int64]bool{}, 0, 0
	for {
		select {
		case err := <-done:
			must(t, err)
			t.Logf("%d reads, %d values of cnr, %d without lock", n, len(values), lost)
			if len(values) < 20 || lost == 0 || lost == n {
				t.Error("want many values and some loss of lock")
			}
			return
		case <-time.After(20 * time.Millisecond):
		}
		s, st := read(t, fd)
		n++
		if s&hasLock == 0 {
			lost++
			continue
		}
		v := st[cnr][0].V
		values[v] = true
		if !known[v] {
			t.Fatalf("cnr %d is not in the scenario", v)
		}
	}
}

func TestScenarioFile(t *testing.T) {
	for text, wrong := range map[string]string{
		"":                           "1: no line",
		"x 1 lock 0 0":               "1: time",
		"# c\n0 1 lock 0":            "2: 4 fields",
		"0 473e6 lock 0 0":           "1: frequency",
		"0 473000000 maybe 0 0":      "1: lock",
		"0 473000000 1 0 0 -1 0 0 0": "1: rate",
	} {
		if _, err := parseScenario(strings.NewReader(text)); err == nil || !strings.HasPrefix(err.Error(), wrong) {
			t.Errorf("%q: %v, want %q", text, err, wrong)
		}
	}
	sc, err := parseScenario(strings.NewReader("60 569000000 carrier -80000 9000 0 0 0 0\n0 473000000 lock -41250 27125 0.25 19392658 2.5 12894 # first"))
	must(t, err)
	if len(sc) != 2 || sc[0].lines != "473000000 31 -41250 27125 250 19392658000 2500 12894000\n" || sc[1].t != 60 {
		t.Errorf("%+v", sc)
	}
}
