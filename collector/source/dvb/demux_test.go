//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// A demuxFake puts a demultiplexer beside the fake frontend. While the frontend is locked
// each table comes at its period. Offsets are written down anew from linux/dvb/dmx.h.
type demuxFake struct {
	*fake
	fe      *fakeFE
	tables  map[uint32][]repeated // by frequency
	openErr error
	nodes_  []string // demultiplexers that are there
	open_   map[int]*demuxFile
}

type repeated struct {
	pid     uint16
	every   time.Duration
	section []byte
}

type demuxFile struct {
	pid    uint16
	id     byte
	size   int
	began  time.Time
	read   int // sections so far
	lost   bool
	closed bool
}

const firstDemux = 100000

func withDemux(k *fake, fe *fakeFE, tables map[uint32][]repeated) *demuxFake {
	return &demuxFake{fake: k, fe: fe, tables: tables, nodes_: []string{"/dev/dvb/adapter0/demux0"}, open_: map[int]*demuxFile{}}
}

func (d *demuxFake) open(path string, flags int) (int, error) {
	if !strings.Contains(path, "/demux") {
		return d.fake.open(path, flags)
	}
	switch {
	case d.openErr != nil:
		return -1, d.openErr
	case !slices.Contains(d.nodes_, path):
		return -1, unix.ENOENT
	case flags&unix.O_NONBLOCK == 0:
		d.t.Error("a demultiplexer is opened for reads that wait")
	}
	fd := firstDemux + len(d.open_)
	d.open_[fd] = &demuxFile{size: 8192}
	return fd, nil
}

func (d *demuxFake) close(fd int) error {
	f := d.open_[fd]
	if f == nil {
		return d.fake.close(fd)
	}
	if f.closed {
		d.t.Errorf("file %d is closed twice", fd)
	}
	if d.fe.owner == nil {
		d.t.Error("the frontend is closed before the demultiplexer")
	}
	f.closed = true
	return nil
}

func (d *demuxFake) ioctlValue(fd int, request uint, value int) error {
	if request != 0x6f2d { // DMX_SET_BUFFER_SIZE
		return unix.ENOTTY
	}
	d.open_[fd].size = value
	return nil
}

func (d *demuxFake) ioctl(fd int, request uintptr, arg unsafe.Pointer) error {
	f := d.open_[fd]
	if f == nil {
		return d.fake.ioctl(fd, request, arg)
	}
	if request != 0x403c6f2b { // DMX_SET_FILTER, 60 bytes: pid, 3 x 16 from offset 2, timeout at 52, flags at 56
		return unix.ENOTTY
	}
	mem := unsafe.Slice((*byte)(arg), 60)
	f.pid, f.id, f.began = binary.NativeEndian.Uint16(mem), mem[2], time.Now()
	if mem[18] != 0xff || binary.NativeEndian.Uint32(mem[56:]) != 4 {
		d.t.Errorf("mask %x, flags %x; want the table's byte and an immediate start", mem[18:20], mem[56:])
	}
	return nil
}

// read gives one section a call, as the kernel does.
func (d *demuxFake) read(fd int, b []byte) (int, error) {
	f := d.open_[fd]
	if f == nil || f.closed {
		return 0, unix.EBADF
	}
	var due [][]byte
	total := 0
	d.do(func() {
		if d.fe.gone {
			return
		}
		for _, r := range d.tables[d.fe.tuned] {
			if r.pid != f.pid || r.section[0] != f.id {
				continue
			}
			if _, locked := d.fe.now(); !locked {
				continue
			}
			for at := d.fe.tunedAt.Add(d.fe.lockAfter); !at.After(time.Now()); at = at.Add(r.every) {
				if at.After(f.began) {
					due = append(due, r.section)
					total += len(r.section)
				}
			}
		}
	})
	if d.fe.gone {
		return 0, unix.ENODEV
	}
	if total > f.size && !f.lost {
		f.lost, f.read = true, len(due)
		return 0, unix.EOVERFLOW
	}
	if f.read >= len(due) {
		return 0, unix.EAGAIN
	}
	f.read++
	return copy(b, due[f.read-1]), nil
}

func (d *demuxFake) check(t *testing.T, want int) {
	t.Helper()
	for fd, f := range d.open_ {
		if !f.closed {
			t.Errorf("demultiplexer file %d is still open", fd)
		}
	}
	if len(d.open_) != want {
		t.Errorf("%d demultiplexer files were opened, want %d", len(d.open_), want)
	}
}

func bytesOf(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Sections that FFmpeg 5.1.9 made, as in collector/psi/testdata/si.ts: stream 0x0421 of
// original network 0x233a.
const (
	ffmpegPAT = "00b0150421c10000000000100001f0000002f001d5a75340"
	ffmpegSDT = "42f04a0421c10000233aff0001fc801a4818010646466d7065670f1548c3b668656e7a75672045696e730002fc801a4818010646466d7065670f15526164696f2053c3bc6420e299aaaf5a7731"
	ffmpegNIT = "40f025233ac10000f00a4008426569737069656cf00e0421233af0084106000101000201a6217b93"
)

func dvbTables(t *testing.T) []repeated {
	return []repeated{{0, 400 * time.Millisecond, bytesOf(t, ffmpegPAT)}, {0x11, 1900 * time.Millisecond, bytesOf(t, ffmpegSDT)}, {0x10, 9 * time.Second, bytesOf(t, ffmpegNIT)}}
}

// A transport stream's id comes with the reading; a visit takes no longer for it.
func TestIdentity(t *testing.T) {
	damaged := bytesOf(t, ffmpegPAT)
	damaged[3] ^= 1
	dvbt := reception.Channel{FrequencyHz: good, System: reception.DVBT}
	for _, c := range []struct {
		what   string
		c      reception.Channel
		tables []repeated
		dwell  time.Duration
		want   string
		files  int
	}{
		{"ATSC", goodATSC, dvbTables(t)[:1], time.Second, "0x0421", 1},
		{"DVB-T", dvbt, dvbTables(t), 3 * time.Second, "0x0421/0x233a", 2},
		{"DVB-T, too short a dwell for the SDT", dvbt, dvbTables(t)[:1], time.Second, "", 2},
		{"ISDB-T", reception.Channel{FrequencyHz: good, System: reception.ISDBT}, dvbTables(t), time.Second, "0x0421", 1},
		{"no stream", goodATSC, nil, time.Second, "", 1},
		{"all damaged", goodATSC, []repeated{{0, 100 * time.Millisecond, damaged}}, time.Second, "", 1},
		{"some damaged", goodATSC, []repeated{{0, 100 * time.Millisecond, damaged}, {0, 300 * time.Millisecond, bytesOf(t, ffmpegPAT)}}, time.Second, "0x0421", 1},
		{"more than the kernel keeps", goodATSC, []repeated{{0, 10 * time.Microsecond, bytesOf(t, ffmpegPAT)}}, time.Second, "", 1},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				d := withDemux(k, fe, map[uint32][]repeated{good: c.tables})
				s, err := newSource(Options{}, d)
				if err != nil {
					t.Fatal(err)
				}
				start := time.Now()
				r, err := s.Visit(t.Context(), collector.Visit{Channel: c.c, Dwell: c.dwell, LockWait: time.Second, Kind: reception.VisitBase})
				if err != nil || !r.Locked || r.Identity != c.want {
					t.Errorf("Visit: identity %q, locked %v, %v; want %q", r.Identity, r.Locked, err, c.want)
				}
				if took := time.Since(start); took != settle+c.dwell {
					t.Errorf("the visit took %v, want %v: nothing for the identity", took, settle+c.dwell)
				}
				d.check(t, c.files)
			})
		})
	}
}

// A tuner without a stream that can be read is measured all the same, and that is said
// once.
func TestIdentityIsNotNeeded(t *testing.T) {
	for _, c := range []struct {
		err  error
		says int
	}{{unix.ENOENT, 0}, {unix.EACCES, 1}, {unix.EMFILE, 1}} {
		synctest.Test(t, func(t *testing.T) {
			k, fe := oneTuner(t)
			d := withDemux(k, fe, nil)
			d.openErr = c.err
			var log strings.Builder
			s, err := newSource(Options{Log: slog.New(slog.NewTextHandler(&log, nil))}, d)
			if err != nil {
				t.Fatal(err)
			}
			for range 3 {
				r, err := s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
				if err != nil || !r.Locked || r.CNDB != 27.125 || r.Identity != "" {
					t.Errorf("%v: Visit: %+v, %v", c.err, r, err)
				}
			}
			if n := strings.Count(log.String(), "\n"); n != c.says {
				t.Errorf("%v: log %q, want %d lines", c.err, log.String(), c.says)
			}
		})
	}
}

// A second frontend has the demultiplexer of its number, or shares the first.
func TestDemultiplexerOfASecondFrontend(t *testing.T) {
	for _, nodes := range [][]string{{"/dev/dvb/adapter0/demux0"}, {"/dev/dvb/adapter0/demux0", "/dev/dvb/adapter0/demux1"}} {
		synctest.Test(t, func(t *testing.T) {
			k, fe := oneTuner(t)
			delete(k.fe, anyNode)
			k.fe["/dev/dvb/adapter0/frontend1"] = fe
			d := withDemux(k, fe, map[uint32][]repeated{good: dvbTables(t)})
			d.nodes_ = nodes
			s, err := newSource(Options{Frontend: 1}, d)
			if err != nil {
				t.Fatal(err)
			}
			r, err := s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
			if err != nil || r.Identity != "0x0421" {
				t.Errorf("with %v: identity %q, %v", nodes, r.Identity, err)
			}
		})
	}
}

// Pulled out in the dwell: the reading fails for that, and nothing is left open.
func TestIdentityWhenTheTunerGoes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		d := withDemux(k, fe, map[uint32][]repeated{good: dvbTables(t)})
		s, err := newSource(Options{}, d)
		if err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(2500*time.Millisecond, func() { k.do(func() { fe.gone = true }) })
		_, err = s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: 5 * time.Second, LockWait: time.Second, Kind: reception.VisitBase})
		if !errors.Is(err, collector.ErrGone) {
			t.Errorf("Visit: %v, want ErrGone", err)
		}
		d.check(t, 1)
	})
}

func TestScanReadsNames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		d := withDemux(k, fe, map[uint32][]repeated{good: dvbTables(t)})
		s, err := newSource(Options{}, d)
		if err != nil {
			t.Fatal(err)
		}
		got, err := scan(t.Context(), s, ScanOptions{Channels: []reception.Channel{
			{FrequencyHz: good, System: reception.DVBT}, {FrequencyHz: weak, System: reception.DVBT}, {FrequencyHz: dark, System: reception.DVBT}}})
		if err != nil || len(got) != 3 {
			t.Fatalf("scan: %d results, %v", len(got), err)
		}
		a, b, c := got[0], got[1], got[2]
		if a.Channel.Name != "Höhenzug Eins, Radio Süd ♪" || a.Channel.Identity != "0x0421/0x233a" || a.Network != "" || len(a.Services) != 2 || a.Took != settle+namesWithin {
			t.Errorf("scanned %+v; want names and identity after %v, the network's name comes too late", a, settle+namesWithin)
		}
		if !b.Locked() || b.Channel.Name != "" || b.Channel.Identity != "" || b.Took > settle+namesWithin {
			t.Errorf("scanned %+v; want lock and no names", b)
		}
		if c.Locked() || c.Took > scanLockWait+scanDwell+lockPoll {
			t.Errorf("scanned %+v; want nothing, and no wait for names", c)
		}
		d.check(t, 9)
		if fmt.Sprint(s.names) != "<nil>" {
			t.Error("later visits would still ask for names")
		}
	})
}

// A tuner that locks and gives no packets is said to, once, and again when it does.
func TestNoStreamIsSaid(t *testing.T) {
	damaged := bytesOf(t, ffmpegPAT)
	damaged[3] ^= 1
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		d := withDemux(k, fe, nil)
		var log strings.Builder
		s, err := newSource(Options{Log: slog.New(slog.NewTextHandler(&log, nil))}, d)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range []struct {
			hz     int64
			tables []repeated
			lines  int // of log so far
		}{
			{good, nil, 0}, {good, nil, 0}, {weak, nil, 0}, {dark, nil, 0}, // errors and darkness tell nothing
			{good, nil, 1}, {good, nil, 1},
			{good, []repeated{{0, 100 * time.Millisecond, damaged}}, 2},
			{good, nil, 2}, {good, nil, 2}, {good, dvbTables(t), 2}, {good, nil, 2}, {good, nil, 2}, {good, nil, 3},
		} {
			d.tables = map[uint32][]repeated{uint32(c.hz): c.tables}
			if _, err := s.Visit(t.Context(), collector.Visit{Channel: reception.Channel{FrequencyHz: c.hz, System: reception.ATSC1}, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase}); err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(log.String(), "\n"); n != c.lines {
				t.Errorf("after visit %d: %d lines of log, want %d: %s", i, n, c.lines, log.String())
			}
		}
	})
}
