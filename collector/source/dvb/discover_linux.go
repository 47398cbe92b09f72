//go:build amd64 || arm64 || arm

package dvb

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
)

// describeWithin is how long a frontend may take to say what it is. Opening one waits
// five seconds for another of the same adapter that shares its hardware
// (dvb_frontend_open in the kernel's dvb_frontend.c).
const describeWithin = 8 * time.Second

// Discover lists the frontends of this machine and says of each whether it can be used.
// It asks each by a file open for reading, then opens a free one for writing for an
// instant, which is the one sure way to learn whether somebody has it. An error is only
// that of ctx.
func Discover(ctx context.Context) (Discovery, error) { return discover(ctx, system{}, "/") }

// discover looks at the frontends of k; root is where /dev, /sys, /proc and /etc lie.
func discover(ctx context.Context, k kernel, root string) (Discovery, error) {
	var d Discovery
	holders := holdersOf(root)
	for _, n := range k.nodes() {
		a, fe := numbers(n)
		if a < 0 {
			continue
		}
		f := Found{Adapter: a, Frontend: fe, Node: n, Path: k.device(n), Holders: holders[n]}
		f.Serial = k.serial(f.Path)
		f, err := describeInTime(ctx, k, f)
		if err != nil {
			return d, err
		}
		f.Remedy = remedy(root, f)
		d.Tuners = append(d.Tuners, f)
	}
	slices.SortFunc(d.Tuners, func(x, y Found) int {
		if x.Adapter != y.Adapter {
			return x.Adapter - y.Adapter
		}
		return x.Frontend - y.Frontend
	})
	d.Problems = problems(root, d.Tuners)
	return d, nil
}

// describeInTime leaves a call that does not return behind: its file closes when it does.
func describeInTime(ctx context.Context, k kernel, f Found) (Found, error) {
	done := make(chan Found, 1)
	go func(f Found) { done <- describe(k, f) }(f)
	limit := time.NewTimer(describeWithin)
	defer limit.Stop()
	select {
	case f := <-done:
		return f, nil
	case <-ctx.Done():
		return f, ctx.Err()
	case <-limit.C:
		f.State, f.Err = StateHung, fmt.Errorf("%s: no answer within %v", f.Node, describeWithin)
		return f, nil
	}
}

func describe(k kernel, f Found) Found {
	fail := func(doing string, err error) Found {
		f.Err = fmt.Errorf("%s: %s: %w", f.Node, doing, err)
		switch {
		case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
			f.State = StateForbidden
		case errors.Is(err, unix.EBUSY):
			f.State = StateInUse
		default:
			f.State = StateFailing
		}
		return f
	}
	fd, err := open(k, f.Node, unix.O_RDONLY|unix.O_NONBLOCK)
	if err != nil {
		return fail("open", err)
	}
	err = f.ask(k, fd)
	if err := errors.Join(err, k.close(fd)); err != nil {
		return fail("ask what it is", err)
	}
	switch {
	case len(f.Receives) == 0:
		f.State = StateUnfit
		return f
	case len(f.Holders) > 0:
		f.State = StateInUse
		return f
	}
	if fd, err = open(k, f.Node, unix.O_RDWR|unix.O_NONBLOCK); err != nil {
		return fail("open for tuning", err)
	}
	if err := k.close(fd); err != nil {
		return fail("close", err)
	}
	f.State = StateUsable
	return f
}

// ask fills in name, range and systems.
func (f *Found) ask(k kernel, fd int) error {
	var info frontendInfo
	if err := control(k, fd, feGetInfo, unsafe.Pointer(&info)); err != nil {
		return err
	}
	f.Name = strings.TrimSpace(unix.ByteSliceToString(info.Name[:]))
	_, f.Known = driverOf(f.Name)
	// a satellite frontend counts in kHz, and none of them reaches below 30 MHz in Hz
	if low, high := int64(info.Rest[1]), int64(info.Rest[2]); high > 30e6 {
		f.LowHz, f.HighHz = low, high
	}
	ps := ask(dtvEnumSystems)
	if err := exchange(k, fd, feGetProperty, ps); err != nil {
		return err
	}
	f.Systems = systemNames(ps[0].buffer())
	for _, s := range reception.Systems() {
		if n, ok := systems[s]; ok && slices.Contains(ps[0].buffer(), byte(n)) {
			f.Receives = append(f.Receives, s)
		}
	}
	return nil
}

func remedy(root string, f Found) string {
	switch f.State {
	case StateInUse:
		if len(f.Holders) > 0 {
			return "stop " + holderNames(f.Holders) + " or wait until it lets go"
		}
		return "stop the program that has it, or wait until it lets go; as root holdfast could say which it is"
	case StateForbidden:
		return forbiddenRemedy(root, f.Node)
	case StateUnfit:
		return "choose a tuner for terrestrial television; cable and satellite are not measured"
	case StateHung:
		return "unplug the tuner and plug it in again; if that does not help, restart the machine"
	case StateFailing:
		return "unplug the tuner and plug it in again; the kernel's log (dmesg) says what its driver misses"
	}
	return ""
}

// forbiddenRemedy names the group that the device belongs to.
func forbiddenRemedy(root, node string) string {
	st, err := os.Stat(filepath.Join(root, node))
	if err != nil {
		return "give the account that runs holdfast the right to read and write " + node
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	name := ""
	if ok && st.Mode().Perm()&0o060 == 0o060 && sys.Gid != 0 {
		name = groupName(root, sys.Gid)
	}
	if name == "" {
		return "give the account that runs holdfast the right to read and write " + node + ", by a udev rule or by its group"
	}
	return fmt.Sprintf("add the account that runs holdfast to the group %s (usermod -aG %s NAME, as root), then log in again or restart the service", name, name)
}

// groupName reads a group's name from /etc/group; "" if it is not there.
func groupName(root string, gid uint32) string {
	b, err := os.ReadFile(filepath.Join(root, "etc/group"))
	if err != nil {
		return ""
	}
	for l := range strings.Lines(string(b)) {
		if w := strings.Split(strings.TrimSpace(l), ":"); len(w) >= 3 && w[2] == strconv.FormatUint(uint64(gid), 10) {
			return w[0]
		}
	}
	return ""
}

// holdersOf lists by device node who has a frontend open for writing, as far as /proc
// shows it to this account.
func holdersOf(root string) map[string][]Holder {
	out := map[string][]Holder{}
	dirs, err := filepath.Glob(filepath.Join(root, "proc/[0-9]*"))
	if err != nil {
		return out
	}
	for _, dir := range dirs {
		pid, err := strconv.Atoi(filepath.Base(dir))
		if err != nil {
			continue
		}
		fds, err := os.ReadDir(filepath.Join(dir, "fd"))
		if err != nil {
			continue // another account's, or it has ended
		}
		for _, fd := range fds {
			node, err := os.Readlink(filepath.Join(dir, "fd", fd.Name()))
			if err != nil || !strings.HasPrefix(node, "/dev/dvb/") || !writes(dir, fd.Name()) {
				continue
			}
			if a, _ := numbers(node); a < 0 {
				continue
			}
			h := Holder{PID: pid, Program: "a program"}
			if b, err := os.ReadFile(filepath.Join(dir, "comm")); err == nil {
				h.Program = strings.TrimSpace(string(b))
			}
			if !slices.Contains(out[node], h) {
				out[node] = append(out[node], h)
			}
		}
	}
	return out
}

// writes reads a file's access mode from /proc/PID/fdinfo: "flags:", octal.
func writes(dir, fd string) bool {
	b, err := os.ReadFile(filepath.Join(dir, "fdinfo", fd))
	if err != nil {
		return false
	}
	for l := range strings.Lines(string(b)) {
		if v, ok := strings.CutPrefix(l, "flags:"); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(v), 8, 64)
			return err == nil && n&unix.O_ACCMODE != unix.O_RDONLY
		}
	}
	return false
}

// problems says what is missing that no frontend can say.
func problems(root string, found []Found) []Problem {
	var out []Problem
	if len(found) == 0 {
		out = append(out, noFrontend(root))
	}
	for _, name := range strangers(root) {
		out = append(out, Problem{
			What:   fmt.Sprintf("the USB device %q looks like a tuner, and no driver has taken it", name),
			Remedy: "look for its name in the kernel's log (dmesg); it may need a newer kernel, or its maker's driver",
		})
	}
	for _, file := range missingFirmware(root) {
		out = append(out, Problem{
			What:   "the kernel did not find the firmware " + file,
			Remedy: "install the package of your system that has it (on Debian firmware-misc-nonfree) or put it in /lib/firmware, then unplug the tuner and plug it in again",
		})
	}
	return out
}

func noFrontend(root string) Problem {
	has := func(p string) bool {
		m, err := filepath.Glob(filepath.Join(root, p))
		return err == nil && len(m) > 0
	}
	switch {
	case has("sys/class/dvb/dvb*.frontend*"):
		return Problem{"the kernel has a tuner, and there is no /dev/dvb here",
			"in a container pass /dev/dvb into it; else see whether udev runs"}
	case has("dev/dvb"):
		return Problem{"there is /dev/dvb and no frontend in it", "unplug the tuner and plug it in again; the kernel's log (dmesg) says what its driver misses"}
	case has("sys/module/dvb_core"):
		return Problem{"a tuner's driver is loaded, and there is no tuner", "plug the tuner in, into another socket if need be"}
	}
	return Problem{"there is no /dev/dvb: no tuner that the kernel knows",
		"plug the tuner in; if it is, the kernel's log (dmesg) says whether it has a driver for it; a tuner on the network is of kind httpjson or command"}
}

var tunerWords = regexp.MustCompile(`(?i)\b(dvb|atsc|isdb|dtmb|dtv|hdtv|tv|tuner)\b|dvb-?[tc]`)

// strangers names USB devices that call themselves something with television and have
// no driver at any interface.
func strangers(root string) []string {
	var out []string
	products, err := filepath.Glob(filepath.Join(root, "sys/bus/usb/devices/*/product"))
	if err != nil {
		return nil
	}
	for _, p := range products {
		b, err := os.ReadFile(p)
		if err != nil || !tunerWords.Match(b) {
			continue
		}
		drivers, err := filepath.Glob(filepath.Join(filepath.Dir(p), "*:*", "driver"))
		if err == nil && len(drivers) == 0 {
			out = append(out, strings.TrimSpace(string(b)))
		}
	}
	return out
}

var (
	notLoaded  = regexp.MustCompile(`Direct firmware load for (\S+) failed with error -2`)
	tunerFiles = regexp.MustCompile(`^(dvb-|v4l-cx2|drxk|sms1xxx-|isdbt_|cmmb_|tdmb_|dvbt_|dvbh_|xc[345]|as102)`)
)

// missingFirmware names tuners' firmware files that the kernel's log says were not
// found, each once. The log may be another account's to read: then there is none.
func missingFirmware(root string) []string {
	fd, err := unix.Open(filepath.Join(root, "dev/kmsg"), unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil
	}
	defer unix.Close(fd)
	var out []string
	buf := make([]byte, 8192) // one record a read, and EAGAIN at the end
	for range 100000 {
		n, err := unix.Read(fd, buf)
		if errors.Is(err, unix.EPIPE) || errors.Is(err, unix.EINTR) { // overwritten meanwhile
			continue
		}
		if err != nil || n <= 0 {
			break
		}
		for _, m := range notLoaded.FindAllStringSubmatch(string(buf[:n]), -1) {
			if tunerFiles.MatchString(m[1]) && !slices.Contains(out, m[1]) {
				out = append(out, m[1])
			}
		}
	}
	return out
}
