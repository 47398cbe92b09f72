//go:build linux && (amd64 || arm64)

package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"strings"
	"syscall"
	"time"
	"unsafe"
)

// 64-bit layouts only; numbers printed from linux/dvb/frontend.h and dmx.h.
const (
	feGetInfo, feReadStatus, feReadBER, feReadSignal, feReadSNR, feReadUCB = 0x80a86f3d, 0x80046f45, 0x80046f46, 0x80026f47, 0x80026f48, 0x80046f49
	feSetProperty, feGetProperty, feGetEvent                               = 0x40106f52, 0x80106f53, 0x80286f4e
	dmxSetPESFilter, dmxSetBufferSize                                      = 0x40146f2c, 0x6f2d

	hasLock = 0x10

	scaleNA, scaleDB, scaleRel, scaleCount = 0, 1, 2, 3

	errENOTSUPP = syscall.Errno(524) // the kernel's own, it has no name in user space
)

// stat commands in the order of readStats' answer
const (
	strength = iota
	cnr
	preErr
	preTot
	postErr
	postTot
	blkErr
	blkTot
	nStats
)

type dtvProperty struct {
	Cmd      uint32
	Reserved [3]uint32
	U        [56]byte
	Result   int32
}

type dtvProperties struct {
	Num   uint32
	_     uint32
	Props unsafe.Pointer
}

type dmxPESFilter struct {
	PID                       uint16
	Input, Output, Type, Flag uint32
}

var (
	_ [76]byte = [unsafe.Sizeof(dtvProperty{})]byte{}
	_ [16]byte = [unsafe.Sizeof(dtvProperties{})]byte{}
	_ [20]byte = [unsafe.Sizeof(dmxPESFilter{})]byte{}
)

func ioctl(fd int, req uintptr, p unsafe.Pointer) error {
	for {
		_, _, e := syscall.Syscall(syscall.SYS_IOCTL, uintptr(fd), req, uintptr(p))
		if e == syscall.EINTR {
			continue
		}
		if e != 0 {
			return e
		}
		return nil
	}
}

func props(fd int, req uintptr, ps []dtvProperty) error {
	var pin runtime.Pinner
	pin.Pin(&ps[0])
	defer pin.Unpin()
	h := dtvProperties{Num: uint32(len(ps)), Props: unsafe.Pointer(&ps[0])}
	return ioctl(fd, req, unsafe.Pointer(&h))
}

type stat struct {
	Scale uint8
	V     int64
}

func (s stat) String() string {
	switch s.Scale {
	case scaleNA:
		return fmt.Sprintf("n/a(%d)", s.V)
	case scaleDB:
		return fmt.Sprintf("%.3fdB", float64(s.V)/1000)
	case scaleRel:
		return fmt.Sprintf("%d/65535", s.V)
	}
	return fmt.Sprint(s.V)
}

func (p *dtvProperty) stats() []stat {
	out := make([]stat, min(int(p.U[0]), 4))
	for i := range out {
		out[i] = stat{p.U[1+9*i], int64(binary.LittleEndian.Uint64(p.U[2+9*i:]))}
	}
	return out
}

func prop(cmd, v uint32) dtvProperty {
	p := dtvProperty{Cmd: cmd}
	binary.LittleEndian.PutUint32(p.U[:], v)
	return p
}

func readStatus(fd int) (s uint32, err error) {
	err = ioctl(fd, feReadStatus, unsafe.Pointer(&s))
	return
}

// readStats asks for the eight statistics, without FE_READ_STATUS.
func readStats(fd int) ([nStats][]stat, error) {
	var out [nStats][]stat
	ps := make([]dtvProperty, nStats)
	for i := range ps {
		ps[i].Cmd = 62 + uint32(i)
	}
	err := props(fd, feGetProperty, ps)
	for i := range ps {
		out[i] = ps[i].stats()
	}
	return out, err
}

func getProp(fd int, cmd uint32) (uint32, error) {
	ps := []dtvProperty{{Cmd: cmd}}
	err := props(fd, feGetProperty, ps)
	return binary.LittleEndian.Uint32(ps[0].U[:]), err
}

var systems = map[string][2]uint32{"atsc": {11, 7}, "dvbt": {3, 3}, "dvbt2": {16, 3}, "dvbc": {1, 5}, "isdbt": {8, 6}}

func tuneTo(fd int, sys string, hz uint32) error {
	v, ok := systems[sys]
	if !ok {
		return errors.New("no system " + sys)
	}
	ps := []dtvProperty{prop(2, 0), prop(17, v[0]), prop(3, hz), prop(4, v[1]), prop(6, 2)}
	switch sys {
	case "dvbt", "dvbt2":
		ps = append(ps, prop(5, 8000000))
	case "isdbt":
		ps = append(ps, prop(5, 6000000))
	case "dvbc":
		ps = append(ps, prop(8, 6900000))
	}
	return props(fd, feSetProperty, append(ps, prop(1, 0)))
}

func legacy(fd int) (str, snr uint16, ber, ucb uint32, errs [4]error) {
	errs[0] = ioctl(fd, feReadSignal, unsafe.Pointer(&str))
	errs[1] = ioctl(fd, feReadSNR, unsafe.Pointer(&snr))
	errs[2] = ioctl(fd, feReadBER, unsafe.Pointer(&ber))
	errs[3] = ioctl(fd, feReadUCB, unsafe.Pointer(&ucb))
	return
}

func fePath(a int) string { return fmt.Sprintf("/dev/dvb/adapter%d/frontend0", a) }

func openFE(a, mode int) (int, error) { return syscall.Open(fePath(a), mode|syscall.O_CLOEXEC, 0) }

func feName(fd int) (string, error) {
	var raw [168]byte
	err := ioctl(fd, feGetInfo, unsafe.Pointer(&raw))
	return strings.TrimRight(string(raw[:128]), "\x00"), err
}

func waitLock(fd int, d time.Duration) (time.Duration, bool) {
	for t0 := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		if s, err := readStatus(fd); err == nil && s&hasLock != 0 {
			return time.Since(t0), true
		}
		if time.Since(t0) > d {
			return time.Since(t0), false
		}
	}
}

func look(a int, sys string, hz uint32, every, dur time.Duration) {
	mode := os.O_RDONLY
	if hz != 0 {
		mode = os.O_RDWR
	}
	fd, err := openFE(a, mode)
	if err != nil {
		fail(fmt.Errorf("%s: %w", fePath(a), err))
	}
	n, err := feName(fd)
	fmt.Printf("%s %q %v\n", fePath(a), n, err)
	if hz != 0 {
		if err := tuneTo(fd, sys, hz); err != nil {
			fail(fmt.Errorf("FE_SET_PROPERTY: %w", err))
		}
		d, ok := waitLock(fd, 3*time.Second)
		fmt.Println("lock:", ok, d.Round(time.Millisecond))
	}
	for t0 := time.Now(); time.Since(t0) < dur; time.Sleep(every) {
		s, err1 := readStatus(fd)
		f, _ := getProp(fd, 3)
		st, err2 := readStats(fd)
		ls, ln, lb, lu, le := legacy(fd)
		fmt.Printf("%6.2fs freq=%d status=%#02x %v stats=%v %v legacy=%d %d %d %d %v\n", time.Since(t0).Seconds(), f, s, err1, st, err2, ls, ln, lb, lu, le)
	}
}

// logReadings is what lab selfcheck runs in place of a daemon.
func logReadings(a int, sys string, hz uint32, every time.Duration, config, folder string) {
	if _, err := os.Stat(config); err != nil {
		fail(err)
	}
	end := make(chan os.Signal, 1)
	signal.Notify(end, syscall.SIGTERM)
	out, err := os.Create(folder + "/readings.txt")
	if err != nil {
		fail(err)
	}
	fd, err := openFE(a, os.O_RDWR)
	if err != nil {
		fail(err)
	}
	if err := tuneTo(fd, sys, hz); err != nil {
		fail(err)
	}
	for n := 0; ; n++ {
		select {
		case <-end:
			fmt.Println(n, "readings,", out.Close())
			return
		case <-time.After(every):
		}
		s, err1 := readStatus(fd)
		st, err2 := readStats(fd)
		fmt.Fprintln(out, time.Now().UTC().Format(time.RFC3339Nano), s, st, err1, err2)
	}
}

func hold(a int, sys string, hz uint32, ts bool, dur time.Duration) {
	fd, err := openFE(a, os.O_RDWR)
	if err != nil {
		fail(fmt.Errorf("%s: %w", fePath(a), err))
	}
	if err := tuneTo(fd, sys, hz); err != nil {
		fail(fmt.Errorf("FE_SET_PROPERTY: %w", err))
	}
	_, ok := waitLock(fd, 3*time.Second)
	fmt.Printf("hold: %s tuned to %d, lock %v\n", fePath(a), hz, ok)
	if !ts {
		time.Sleep(dur)
		return
	}
	_, n, err := stream(a, 2, dur)
	fmt.Printf("hold: %d bytes from dvr0, %v\n", n, err)
}

// stream reads the whole transport stream for dur, out 2: by dvr0, 3: by the demux file.
func stream(a, out int, dur time.Duration) (head []byte, n int, err error) {
	dir := fmt.Sprintf("/dev/dvb/adapter%d/", a)
	fd, err := syscall.Open(dir+"demux0", syscall.O_RDWR|syscall.O_NONBLOCK|syscall.O_CLOEXEC, 0)
	if err != nil {
		return nil, 0, err
	}
	defer syscall.Close(fd)
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, uintptr(fd), dmxSetBufferSize, 188*8192); e != 0 {
		return nil, 0, e
	}
	f := dmxPESFilter{PID: 0x2000, Output: uint32(out), Type: 20, Flag: 4}
	if err := ioctl(fd, dmxSetPESFilter, unsafe.Pointer(&f)); err != nil {
		return nil, 0, err
	}
	rd := fd
	if out == 2 {
		if rd, err = syscall.Open(dir+"dvr0", syscall.O_RDONLY|syscall.O_NONBLOCK|syscall.O_CLOEXEC, 0); err != nil {
			return nil, 0, err
		}
		defer syscall.Close(rd)
	}
	buf := make([]byte, 188*1024)
	for t0 := time.Now(); time.Since(t0) < dur; {
		m, err := syscall.Read(rd, buf)
		switch err {
		case nil:
			if len(head) < 1<<20 {
				head = append(head, buf[:m]...)
			}
			n += m
		case syscall.EAGAIN:
			time.Sleep(10 * time.Millisecond)
		default:
			return head, n, err
		}
	}
	return head, n, nil
}
