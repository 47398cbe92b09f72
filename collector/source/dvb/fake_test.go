//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A fake kernel: ioctl decodes the caller's memory byte by byte, with offsets written
// down anew from linux/dvb/frontend.h, so that a wrong layout shows.
type fake struct {
	t  *testing.T
	mu sync.Mutex
	fe map[string]*fakeFE // by node
	fd map[int]*fakeFile
	n  int

	log                []uintptr // requests of ioctl, in order
	interrupt          int       // so many calls in a row are interrupted before one is made
	calls, interrupted int
}

// signal reports whether a call is interrupted.
func (k *fake) signal() bool {
	if k.calls++; k.interrupt == 0 || k.calls%(k.interrupt+1) == 0 {
		return false
	}
	k.interrupted++
	return true
}

type fakeFile struct {
	fe    *fakeFE
	write bool
}

// air of a channel, per second while locked.
type air struct {
	status          uint32
	str, cnr        int64 // 0.001 dBm, 0.001 dB
	blkErr, blkTot  int64
	preErr, preTot  int64
	postErr, postTo int64
}

type fakeFE struct {
	name, path string
	systems    []byte
	low, high  uint32 // Hz
	air        map[uint32]air
	lockAfter  time.Duration

	owner   *fakeFile
	openErr error
	gone    bool
	hang    chan struct{} // status does not return until it is closed
	readErr func(n int) error
	slow    time.Duration
	setErr  error
	tuned   uint32
	params  map[uint32]uint32
	tunedAt time.Time
	reads   int
	opened  int

	// lazy drivers refresh their statistics when the status is read, and then alone
	lazy   bool
	cached map[uint32][]figure

	// stats answers a statistic; nil: dB and counters of the air
	stats func(fe *fakeFE, cmd uint32, a air, locked bool) []figure
	// old calls by request; absent ones give errno 524
	old map[uintptr]func(a air, locked bool) (uint32, error)
}

const anyNode = "/dev/dvb/adapter0/frontend0"

func newFake(t *testing.T, fes map[string]*fakeFE) *fake {
	return &fake{t: t, fe: fes, fd: map[int]*fakeFile{}}
}

// do changes the world.
func (k *fake) do(f func()) {
	k.mu.Lock()
	defer k.mu.Unlock()
	f()
}

func (k *fake) open(path string, flags int) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.signal() {
		return -1, unix.EINTR
	}
	fe := k.fe[path]
	if fe == nil {
		return -1, unix.ENOENT
	}
	if fe.openErr != nil {
		return -1, fe.openErr
	}
	f := &fakeFile{fe: fe, write: flags&unix.O_ACCMODE == unix.O_RDWR}
	if f.write {
		if fe.owner != nil {
			return -1, unix.EBUSY
		}
		fe.owner = f
	}
	fe.opened++
	k.n++
	k.fd[k.n] = f
	return k.n, nil
}

func (k *fake) close(fd int) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	f := k.fd[fd]
	if f == nil {
		k.t.Errorf("file %d is closed twice", fd)
		return unix.EBADF
	}
	if f.write {
		f.fe.owner = nil
	}
	delete(k.fd, fd)
	return nil
}

func (k *fake) nodes() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []string
	for n := range k.fe {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

func (k *fake) device(node string) string {
	k.mu.Lock()
	defer k.mu.Unlock()
	if fe := k.fe[node]; fe != nil {
		return fe.path
	}
	return ""
}

func (k *fake) serial(string) string { return "0042" }
func (k *fake) release() string      { return "6.1.0" }

func (fe *fakeFE) now() (air, bool) {
	a, ok := fe.air[fe.tuned]
	if !ok || fe.tuned == 0 || time.Since(fe.tunedAt) < fe.lockAfter {
		a.status = 0
	}
	return a, a.status&0x10 != 0
}

func (k *fake) ioctl(fd int, request uintptr, arg unsafe.Pointer) error {
	k.mu.Lock()
	k.log = append(k.log, request)
	f := k.fd[fd]
	if f == nil {
		k.mu.Unlock()
		return unix.EBADF
	}
	if k.signal() {
		k.mu.Unlock()
		return unix.EINTR
	}
	fe := f.fe
	hang, slow := fe.hang, fe.slow
	k.mu.Unlock()
	if request == 0x80046f45 { // FE_READ_STATUS
		if hang != nil {
			<-hang
		}
		time.Sleep(slow)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if fe.gone {
		return unix.ENODEV
	}
	mem := func(n int) []byte { return unsafe.Slice((*byte)(arg), n) }
	switch request {
	case 0x80a86f3d: // FE_GET_INFO, name is its first 128 bytes
		clear(mem(168))
		copy(mem(128), fe.name)
		binary.NativeEndian.PutUint32(mem(136)[132:], fe.low)
		binary.NativeEndian.PutUint32(mem(140)[136:], fe.high)
		return nil
	case 0x80046f45: // FE_READ_STATUS
		fe.reads++
		if fe.readErr != nil {
			if err := fe.readErr(fe.reads); err != nil {
				return err
			}
		}
		a, _ := fe.now()
		binary.NativeEndian.PutUint32(mem(4), a.status)
		if fe.lazy {
			fe.cached = map[uint32][]figure{}
			for cmd := uint32(62); cmd <= 69; cmd++ {
				fe.cached[cmd] = fe.statistic(cmd)
			}
		}
		return nil
	case 0x80026f47, 0x80026f48: // FE_READ_SIGNAL_STRENGTH, FE_READ_SNR
		v, err := fe.older(request)
		binary.NativeEndian.PutUint16(mem(2), uint16(v))
		return err
	case 0x80046f46, 0x80046f49: // FE_READ_BER, FE_READ_UNCORRECTED_BLOCKS
		v, err := fe.older(request)
		binary.NativeEndian.PutUint32(mem(4), v)
		return err
	}
	size, pointerAt := 76, 8
	setProperty, getProperty := uintptr(0x40106f52), uintptr(0x80106f53)
	if unsafe.Sizeof(request) == 4 {
		size, pointerAt = 72, 4
		setProperty, getProperty = 0x40086f52, 0x80086f53
	}
	n := int(binary.NativeEndian.Uint32(mem(4)))
	if n < 1 || n > 64 {
		return unix.EINVAL
	}
	list := *(*unsafe.Pointer)(unsafe.Add(arg, pointerAt))
	all := unsafe.Slice((*byte)(list), n*size)
	for i := range n {
		p := all[i*size : (i+1)*size]
		cmd, u := binary.NativeEndian.Uint32(p), p[16:size-4]
		var err error
		switch request {
		case setProperty:
			if !f.write {
				return unix.EPERM
			}
			err = fe.set(cmd, binary.NativeEndian.Uint32(u))
		case getProperty:
			err = fe.get(cmd, u)
		default:
			return unix.ENOTTY
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (fe *fakeFE) older(request uintptr) (uint32, error) {
	f := fe.old[request]
	if f == nil {
		return 0, unix.Errno(524)
	}
	if fe.owner == nil {
		return 0, unix.EAGAIN
	}
	return f(fe.now())
}

func (fe *fakeFE) set(cmd, v uint32) error {
	switch cmd {
	case 2:
		fe.params = map[uint32]uint32{}
	case 1:
		if fe.setErr != nil {
			return fe.setErr
		}
		if !slices.Contains(fe.systems, byte(fe.params[17])) || fe.params[3] < 44e6 {
			return unix.EINVAL
		}
		fe.tuned, fe.tunedAt = fe.params[3], time.Now()
	default:
		fe.params[cmd] = v
	}
	return nil
}

func (fe *fakeFE) get(cmd uint32, u []byte) error {
	clear(u)
	switch {
	case cmd == 44: // DTV_ENUM_DELSYS: data[32], then the length
		copy(u, fe.systems)
		binary.NativeEndian.PutUint32(u[32:], uint32(len(fe.systems)))
	case cmd == 3:
		binary.NativeEndian.PutUint32(u, fe.tuned)
	case cmd >= 62 && cmd <= 69:
		st := fe.cached[cmd]
		if !fe.lazy {
			st = fe.statistic(cmd)
		}
		u[0] = byte(len(st))
		for i, s := range st {
			u[1+9*i] = s.scale
			binary.NativeEndian.PutUint64(u[2+9*i:], uint64(s.v))
		}
		// the kernel bounds the length of another member, whichever this is
		if binary.NativeEndian.Uint32(u[32:]) > 16 {
			binary.NativeEndian.PutUint32(u[32:], 16)
		}
	case cmd <= 70:
		binary.NativeEndian.PutUint32(u, fe.params[cmd])
	default:
		return unix.EINVAL
	}
	return nil
}

func (fe *fakeFE) statistic(cmd uint32) []figure {
	a, locked := fe.now()
	if fe.stats == nil {
		return decibels(fe, cmd, a, locked)
	}
	return fe.stats(fe, cmd, a, locked)
}

// decibels is a driver that gives all that the API has.
func decibels(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
	count := func(rate int64) []figure {
		if !locked {
			return []figure{{0, -4055592980}} // garbage, as seen
		}
		since := time.Since(fe.tunedAt) - fe.lockAfter
		return []figure{{3, int64(since.Seconds() * float64(rate))}}
	}
	switch cmd {
	case 62:
		if a.str == 0 {
			return []figure{{1, -95000}}
		}
		return []figure{{1, a.str}}
	case 63:
		if !locked {
			return []figure{{0, -4055592980}}
		}
		return []figure{{1, a.cnr}}
	case 64:
		return count(a.preErr)
	case 65:
		return count(a.preTot)
	case 66:
		return count(a.postErr)
	case 67:
		return count(a.postTo)
	case 68:
		return count(a.blkErr)
	}
	return count(a.blkTot)
}

const (
	good = 473000000
	weak = 569000000
	dark = 605000000
)

func oneTuner(t *testing.T) (*fake, *fakeFE) {
	fe := &fakeFE{name: "Some Demodulator", path: "/sys/devices/usb1/1-2", systems: []byte{11, 3, 16, 8}, lockAfter: 300 * time.Millisecond,
		air: map[uint32]air{
			good: {status: 0x1f, str: -41250, cnr: 27125, blkTot: 12894, preErr: 3, preTot: 19392658},
			weak: {status: 0x1f, str: -70000, cnr: 15100, blkErr: 25, blkTot: 12894},
		}}
	return newFake(t, map[string]*fakeFE{anyNode: fe}), fe
}

func (k *fake) String() string { return fmt.Sprintf("%d files open", len(k.fd)) }

func (k *fake) ioctlValue(int, uint, int) error { return unix.ENOTTY }
func (k *fake) read(int, []byte) (int, error)   { return 0, unix.EINVAL }
