//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// kernel is what a source needs of the operating system.
type kernel interface {
	open(path string, flags int) (fd int, err error)
	close(fd int) error
	ioctl(fd int, request uintptr, arg unsafe.Pointer) error
	ioctlValue(fd int, request uint, value int) error
	read(fd int, b []byte) (int, error)
	nodes() []string                 // the frontends' device nodes, sorted
	device(node string) string       // the device's place under /sys/devices; "" if not known
	serial(device string) string     // of the device or the one it is plugged in by
	release() (kernelVersion string) // of the running kernel
}

type system struct{}

func (system) open(path string, flags int) (int, error) {
	return unix.Open(path, flags|unix.O_CLOEXEC, 0)
}

func (system) close(fd int) error { return unix.Close(fd) }

func (system) ioctl(fd int, request uintptr, arg unsafe.Pointer) error {
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg)); e != 0 {
		return e
	}
	return nil
}

// open opens a node. A signal that is pending while a frontend opens interrupts it, and
// means nothing.
func open(k kernel, node string, flags int) (fd int, err error) {
	for {
		if fd, err = k.open(node, flags); !errors.Is(err, unix.EINTR) {
			return fd, err
		}
	}
}

// control makes a call, again where a signal interrupted it.
func control(k kernel, fd int, request uintptr, arg unsafe.Pointer) error {
	for {
		if err := k.ioctl(fd, request, arg); !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

func (system) ioctlValue(fd int, request uint, value int) error {
	for {
		if err := unix.IoctlSetInt(fd, request, value); !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

func (system) read(fd int, b []byte) (int, error) {
	for {
		if n, err := unix.Read(fd, b); !errors.Is(err, unix.EINTR) {
			return n, err
		}
	}
}

func (system) nodes() []string {
	n, err := filepath.Glob("/dev/dvb/adapter*/frontend*")
	if err != nil {
		return nil
	}
	return n
}

func (system) device(node string) string {
	var a, f int
	if a, f = numbers(node); a < 0 {
		return ""
	}
	p, err := filepath.EvalSymlinks(filepath.Join("/sys/class/dvb", className(a, f), "device"))
	if err != nil {
		return ""
	}
	return p
}

// serial looks upwards from the device: the number is the stick's, not the chip's.
func (system) serial(device string) string {
	for d := device; strings.HasPrefix(d, "/sys/devices/"); d = filepath.Dir(d) {
		if b, err := os.ReadFile(filepath.Join(d, "serial")); err == nil {
			return strings.TrimSpace(string(b))
		}
	}
	return ""
}

func (system) release() string {
	var u unix.Utsname
	if unix.Uname(&u) != nil {
		return ""
	}
	return unix.ByteSliceToString(u.Release[:])
}
