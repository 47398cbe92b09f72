//go:build amd64 || arm64 || arm

package dvb

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

const (
	feReadBER  = 0x80046f46
	dtvVersion = 35
)

// Report writes what the tuners of this machine say, for people who add a driver to the
// table: name, systems, what each statistic holds, what the older calls answer, how long
// lock takes; and by what the config knows each. There is nothing of the home in it: no
// serial number, no name, no frequency. A tuner in use is waited for; if it stays in use it is only looked at. A
// call that does not return ends the part of its tuner.
//
// The error is that of ctx or w, or that there is no tuner.
func Report(ctx context.Context, w io.Writer, o ReportOptions) error {
	return report(ctx, w, o, system{}, "/")
}

func report(ctx context.Context, w io.Writer, o ReportOptions, k kernel, root string) error {
	o = o.withDefaults()
	nodes := k.nodes()
	fmt.Fprintf(w, "kernel %s, %s\n", k.release(), runtime.GOARCH)
	if len(nodes) == 0 {
		var why []string
		for _, p := range problems(root, nil) {
			why = append(why, p.What+"; "+p.Remedy)
		}
		return fmt.Errorf("there is no tuner to report on: %s: %w", strings.Join(why, "; "), collector.ErrGone)
	}
	for i, n := range nodes {
		a, fe := numbers(n)
		if _, err := fmt.Fprintf(w, "\nfrontend %d of %d: adapter %d, frontend %d, %s\n", i+1, len(nodes), a, fe, busOf(root, k.device(n))); err != nil {
			return err
		}
		r := &reporter{k: k, o: o, node: n, lines: make(chan string)}
		ctx, cancel := context.WithCancel(ctx)
		go func() {
			defer close(r.lines)
			r.run(ctx)
		}()
		err := r.copy(ctx, w)
		cancel()
		if err != nil {
			return err
		}
	}
	return nil
}

// A reporter reports on one frontend. Its goroutine sends lines and may be left behind.
type reporter struct {
	k     kernel
	o     ReportOptions
	node  string
	lines chan string
	name  string
	sys   []byte
}

// copy writes lines until they end, or until none has come for so long that a call must
// hang.
func (r *reporter) copy(ctx context.Context, w io.Writer) error {
	patience := r.o.LockWait + r.o.Dwell + r.o.Patience + 10*time.Second
	for {
		t := time.NewTimer(patience)
		select {
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		case <-t.C:
			_, err := fmt.Fprintf(w, "  a call to the driver has not returned for %v; the rest is left out\n", patience)
			return err
		case l, ok := <-r.lines:
			t.Stop()
			if !ok {
				return nil
			}
			if _, err := io.WriteString(w, l); err != nil {
				return err
			}
		}
	}
}

func (r *reporter) say(ctx context.Context, format string, a ...any) {
	select {
	case r.lines <- "  " + fmt.Sprintf(format, a...) + "\n":
	case <-ctx.Done():
	}
}

func (r *reporter) run(ctx context.Context) {
	fd, err := open(r.k, r.node, unix.O_RDONLY|unix.O_NONBLOCK)
	if err != nil {
		r.say(ctx, "cannot be opened: %s", plain(err))
		return
	}
	r.who(ctx, fd)
	r.say(ctx, "as it was found:")
	r.looks(ctx, fd, 1, false)
	if err := r.k.close(fd); err != nil {
		r.say(ctx, "close: %s", plain(err))
	}
	r.channels(ctx)
}

// who says what the frontend is.
func (r *reporter) who(ctx context.Context, fd int) {
	var info frontendInfo
	if path := r.k.device(r.node); path != "" {
		r.say(ctx, "%-26s %s", "path", path)
	}
	if err := control(r.k, fd, feGetInfo, unsafe.Pointer(&info)); err != nil {
		r.say(ctx, "FE_GET_INFO: %s", plain(err))
		return
	}
	r.name = strings.TrimSpace(unix.ByteSliceToString(info.Name[:]))
	d, known := driverOf(r.name)
	what := "not known: what its older calls say is kept as per cent"
	if known {
		what = "known as " + d.short
	}
	r.say(ctx, "%-26s %q, %s", "model", r.name, what)
	r.say(ctx, "%-26s %d to %d, step %d", "frequencies", info.Rest[1], info.Rest[2], info.Rest[3])
	r.say(ctx, "%-26s %#x", "capabilities", info.Rest[9])
	ps := ask(dtvVersion, dtvEnumSystems)
	if err := exchange(r.k, fd, feGetProperty, ps); err != nil {
		r.say(ctx, "%-26s %s", "version and systems", plain(err))
		return
	}
	r.sys = slices.Clone(ps[1].buffer())
	r.say(ctx, "%-26s %d.%d", "API", ps[0].data()>>8, ps[0].data()&255)
	r.say(ctx, "%-26s %s (%s)", "systems", strings.Join(systemNames(r.sys), ", "), strings.Trim(fmt.Sprint(r.sys), "[]"))
}

// statNames in the order in which they are asked for.
var statNames = [nStats]string{"signal strength", "C/N", "errors before FEC", "bits before FEC", "errors after FEC", "bits after FEC", "block errors", "blocks"}

var scaleNames = map[uint8]string{scaleNone: "not available", scaleDecibel: "0.001 dB", scaleRelative: "relative", scaleCounter: "counter"}

// olderCalls in the order in which they are asked.
var olderCalls = []struct {
	name    string
	request uintptr
	counts  bool // 32 bits; the others 16
}{
	{"FE_READ_SIGNAL_STRENGTH", feReadSignal, false}, {"FE_READ_SNR", feReadSNR, false},
	{"FE_READ_BER", feReadBER, true}, {"FE_READ_UNCORRECTED_BLOCKS", feReadUCB, true},
}

// looks looks at a frontend n times, once a second, and says what each value was. Counts
// that reading may empty are asked only where the tuner is ours.
func (r *reporter) looks(ctx context.Context, fd, n int, ours bool) {
	var status, took []string
	stats := make([][]string, nStats)
	older := make([][]string, len(olderCalls))
	start := time.Now()
	for i := range n {
		if sleepUntil(ctx, start.Add(time.Duration(i)*poll)) != nil {
			return
		}
		from := time.Now()
		st, err := u32(r.k, fd, feReadStatus)
		took = append(took, time.Since(from).Round(time.Millisecond).String())
		status = append(status, orElse(fmt.Sprintf("%#02x", st), err))
		ps := ask(dtvStatStrength, dtvStatCNR, dtvStatPreErr, dtvStatPreTotal, dtvStatPostErr, dtvStatPostTot, dtvStatBlockErr, dtvStatBlockTot)
		err = exchange(r.k, fd, feGetProperty, ps)
		for k := range ps {
			stats[k] = append(stats[k], orElse(figures(ps[k].stats()), err))
		}
		for k, c := range olderCalls {
			if c.counts && !ours {
				older[k] = append(older[k], "not asked: the tuner is not ours")
				continue
			}
			var v uint32
			var err error
			if c.counts {
				v, err = u32(r.k, fd, c.request)
			} else {
				var s uint16
				s, err = u16(r.k, fd, c.request)
				v = uint32(s)
			}
			older[k] = append(older[k], orElse(fmt.Sprint(v), err))
		}
	}
	r.say(ctx, "  %-26s %s", "status", strings.Join(squeeze(status), ", "))
	r.say(ctx, "  %-26s %s", "reading it took", strings.Join(squeeze(took), ", "))
	for k, name := range statNames {
		r.say(ctx, "  %-26s %s", name, strings.Join(squeeze(stats[k]), ", "))
	}
	for k, c := range olderCalls {
		r.say(ctx, "  %-26s %s", c.name, strings.Join(squeeze(older[k]), ", "))
	}
}

// figures writes a statistic: its length, then each scale and value.
func figures(fs []figure) string {
	if len(fs) == 0 {
		return "len 0"
	}
	var w []string
	for _, f := range fs {
		name, ok := scaleNames[f.scale]
		if !ok {
			name = fmt.Sprintf("scale %d", f.scale)
		}
		w = append(w, fmt.Sprintf("%d (%s)", f.v, name))
	}
	return fmt.Sprintf("len %d: %s", len(fs), strings.Join(w, " / "))
}

// squeeze makes one of values that are all alike.
func squeeze(s []string) []string {
	if len(s) > 1 && len(slices.Compact(slices.Clone(s))) == 1 {
		return []string{s[0] + " each time"}
	}
	return s
}

func orElse(s string, err error) string {
	if err != nil {
		return plain(err)
	}
	return s
}

// plain names an error by its number too: 524 has no name.
func plain(err error) string {
	e, ok := errors.AsType[unix.Errno](err)
	switch {
	case !ok:
		return err.Error()
	case unsupported(err):
		return fmt.Sprintf("not supported (errno %d)", int(e))
	}
	return fmt.Sprintf("%s (errno %d)", e.Error(), int(e))
}

// channels tunes to the channels that the tuner receives.
func (r *reporter) channels(ctx context.Context) {
	var chs []reception.Channel
	for _, c := range r.o.Channels {
		if n, ok := systems[c.System]; ok && slices.Contains(r.sys, byte(n)) {
			chs = append(chs, c)
		}
	}
	switch {
	case len(r.o.Channels) == 0:
		r.say(ctx, "no channel is known, so nothing was tuned")
		return
	case len(chs) == 0:
		r.say(ctx, "it receives no channel of the config, so nothing was tuned")
		return
	}
	fd, err := r.take(ctx)
	if ctx.Err() != nil {
		return
	}
	if errors.Is(err, unix.EBUSY) {
		r.say(ctx, "in use by another program, for %v at least: nothing was tuned. Looking on beside it:", r.o.Patience)
		r.besides(ctx)
		return
	}
	if err != nil {
		r.say(ctx, "open for tuning: %s", plain(err))
		return
	}
	for i, c := range chs {
		r.channel(ctx, fd, i+1, c)
	}
	if err := r.k.close(fd); err != nil {
		r.say(ctx, "close: %s", plain(err))
	}
}

// take opens the frontend for writing, as soon as it is free.
func (r *reporter) take(ctx context.Context) (int, error) {
	for until := time.Now().Add(r.o.Patience); ; {
		fd, err := open(r.k, r.node, unix.O_RDWR)
		if !errors.Is(err, unix.EBUSY) || !time.Now().Before(until) {
			return fd, err
		}
		if err := sleepUntil(ctx, time.Now().Add(poll/2)); err != nil {
			return -1, err
		}
	}
}

func (r *reporter) besides(ctx context.Context) {
	fd, err := open(r.k, r.node, unix.O_RDONLY|unix.O_NONBLOCK)
	if err != nil {
		r.say(ctx, "  open: %s", plain(err))
		return
	}
	r.looks(ctx, fd, 1+int(r.o.Dwell/poll), false)
	if err := r.k.close(fd); err != nil {
		r.say(ctx, "close: %s", plain(err))
	}
}

func (r *reporter) channel(ctx context.Context, fd, n int, c reception.Channel) {
	band := "UHF"
	if c.FrequencyHz < 300e6 {
		band = "VHF"
	}
	ps, err := tuning(c)
	if err == nil {
		err = exchange(r.k, fd, feSetProperty, ps)
	}
	if err != nil {
		r.say(ctx, "channel %d, %s, %s: tuning: %s", n, band, c.System, plain(err))
		return
	}
	start := time.Now()
	locked := ""
	for locked == "" {
		st, err := u32(r.k, fd, feReadStatus)
		d := time.Since(start)
		switch {
		case err == nil && st&hasLock != 0:
			locked = fmt.Sprintf("locked after %.2f s", d.Seconds())
		case d >= r.o.LockWait:
			locked = fmt.Sprintf("no lock within %v", r.o.LockWait)
			if err != nil {
				locked += ", status: " + plain(err)
			}
		default:
			if sleepUntil(ctx, time.Now().Add(lockPoll/5)) != nil {
				return
			}
		}
	}
	r.say(ctx, "channel %d, %s, %s: %s; then, once a second:", n, band, c.System, locked)
	r.looks(ctx, fd, 1+int(r.o.Dwell/poll), true)
}

// busOf says how a device is connected, and by which make it can be looked up.
func busOf(root, device string) string {
	for d := device; strings.HasPrefix(d, "/sys/devices/"); d = filepath.Dir(d) {
		for _, ids := range [][2]string{{"idVendor", "idProduct"}, {"vendor", "device"}} {
			v, errV := os.ReadFile(filepath.Join(root, d, ids[0]))
			p, errP := os.ReadFile(filepath.Join(root, d, ids[1]))
			if errV == nil && errP == nil {
				bus := map[string]string{"idVendor": "USB", "vendor": "PCI"}[ids[0]]
				return fmt.Sprintf("%s %s:%s", bus, strings.TrimPrefix(strings.TrimSpace(string(v)), "0x"), strings.TrimPrefix(strings.TrimSpace(string(p)), "0x"))
			}
		}
	}
	return "on a bus without numbers"
}
