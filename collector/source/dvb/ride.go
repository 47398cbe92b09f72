//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

var _ collector.Rider = (*Source)(nil)

// Ride looks on by a file open for reading; see collector.Rider. Nothing is asked that
// reading empties: no count of the older calls.
func (s *Source) Ride(ctx context.Context, r collector.Ride) ([]reception.Reading, error) {
	if r.Dwell < time.Second {
		return nil, fmt.Errorf("dwell %v is shorter than 1s", r.Dwell)
	}
	return s.guarded(ctx, func() ([]reception.Reading, error) { return s.ride(ctx, r) })
}

const (
	// nearHz is how far the holder may be tuned from a channel's middle and be on it:
	// offsets of carriers are below 0.2 MHz, rasters 6 MHz and wider.
	nearHz = 500e3
	// looksToTell is how many looks in a row without any change say that nobody has the
	// tuner, where the driver lacks the calls that say so.
	looksToTell = 5
	// anyStream is DTV_STREAM_ID of a holder that asked for no stream.
	anyStream = 1<<32 - 1
)

// errTunedAway ends a ride whose holder went to another channel.
var errTunedAway = errors.New("the holder tuned away")

// An onlooker reads a frontend beside its holder.
type onlooker struct {
	s      *Source
	f      *frontend
	node   string
	fd     int  // -1: none is open
	brief  bool // a file may not stay open between looks
	sure   bool // the driver says whether somebody has the tuner
	first  answers
	looked int
}

// open opens the frontend unless it is open.
func (o *onlooker) open() error {
	if o.fd >= 0 {
		return nil
	}
	fd, err := open(o.s.kernel, o.node, unix.O_RDONLY|unix.O_NONBLOCK)
	switch {
	case err == nil:
		o.fd = fd
		return nil
	case errors.Is(err, unix.EBUSY): // its hardware is at work for another frontend, so nobody watches by it
		return fmt.Errorf("open %s: %w: %w", o.node, collector.ErrIdle, err)
	}
	return o.s.fault(&frontend{node: o.node}, "open", err)
}

func (o *onlooker) close() error {
	if o.fd < 0 {
		return nil
	}
	fd := o.fd
	o.fd = -1
	return o.s.kernel.close(fd)
}

// rest ends a look. Where frontends share hardware, any open file keeps the others out
// for seconds (dvb_frontend_open in the kernel's dvb_frontend.c).
func (o *onlooker) rest() error {
	if o.brief {
		return o.close()
	}
	return nil
}

// unsupported reports whether a driver lacks a call. 524 is the kernel's own ENOTSUPP.
func unsupported(err error) bool {
	return errors.Is(err, unix.Errno(524)) || errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOTTY)
}

// held asks whether somebody has the tuner open for writing: only then do the older
// calls reach the driver, else they say EAGAIN. sure is false if there are none.
func (o *onlooker) held() (held, sure bool, err error) {
	for _, request := range []uintptr{feReadSNR, feReadSignal} {
		_, err := u16(o.s.kernel, o.fd, request)
		switch {
		case isGone(err):
			return false, false, err
		case errors.Is(err, unix.EAGAIN):
			return false, true, nil
		case !unsupported(err):
			return true, true, nil
		}
	}
	return false, false, nil
}

// look reads the frontend once. An error ends the ride.
func (o *onlooker) look() (answers, error) {
	if err := o.open(); err != nil {
		return answers{}, err
	}
	held, sure, err := o.held()
	if err != nil {
		return answers{}, o.s.fault(o.f, "ask whether it is in use", err)
	}
	o.sure = sure
	if sure && !held {
		return answers{}, fmt.Errorf("%s: %w", o.node, collector.ErrIdle)
	}
	a, err := o.s.read(o.fd)
	switch {
	case err != nil:
		return a, o.s.fault(o.f, "read statistics", err)
	case errors.Is(a.err, unix.EAGAIN), a.err == nil && a.frequency == 0:
		return a, fmt.Errorf("%s: %w", o.node, collector.ErrIdle)
	case a.err == nil && o.looked > 0 && (a.frequency != o.first.frequency || a.system != o.first.system || a.stream != o.first.stream):
		return a, errTunedAway
	}
	if a.err == nil && o.looked == 0 {
		o.first = a
	}
	if a.err == nil {
		o.looked++
	}
	return a, nil
}

// ride is one ride. It alone touches the device.
func (s *Source) ride(ctx context.Context, want collector.Ride) (rs []reception.Reading, err error) {
	nodes := s.kernel.nodes()
	node, f, err := s.locate(nodes)
	if err != nil {
		return nil, err
	}
	o := &onlooker{s: s, node: node, fd: -1, brief: sharesAdapter(node, nodes)}
	defer func() {
		if e := o.close(); e != nil && err == nil && !isGone(e) {
			rs, err = nil, fmt.Errorf("close %s: %w", node, e)
		}
	}()
	if err := o.open(); err != nil {
		return nil, err
	}
	if o.f, err = s.identify(o.fd, node, f); err != nil {
		return nil, err
	}
	rs, err = o.watch(ctx, want)
	if errors.Is(err, errTunedAway) {
		return nil, nil
	}
	return rs, err
}

// sharesAdapter reports whether the adapter of a node has another frontend.
func sharesAdapter(node string, nodes []string) bool {
	a, f := numbers(node)
	return slices.ContainsFunc(nodes, func(n string) bool {
		b, g := numbers(n)
		return a == b && f != g
	})
}

// watch waits until the holder has been on its channel for a while, then for lock, then
// measures.
func (o *onlooker) watch(ctx context.Context, want collector.Ride) ([]reception.Reading, error) {
	start := time.Now()
	locked := false
	for next := start; ; {
		a, err := o.look()
		if err == nil {
			err = o.rest()
		}
		if err != nil {
			return nil, err
		}
		locked = a.err == nil && a.status&hasLock != 0
		if chs := matching(want.Channels, o.first); o.looked > 0 && len(chs) == 0 {
			return nil, nil // no channel of ours: its readings are nobody's business
		}
		next = next.Add(poll)
		if err := sleepUntil(ctx, next); err != nil {
			return nil, err
		}
		if o.looked > 0 && (locked || time.Since(start) >= want.LockWait) {
			break
		}
		if o.looked == 0 && time.Since(start) >= max(want.LockWait, looksToTell*poll) {
			return nil, o.s.fault(o.f, "read status", a.err)
		}
	}
	chs := matching(want.Channels, o.first)
	dwell := want.Dwell
	if !o.sure {
		dwell = max(dwell, (looksToTell-1)*poll)
	}
	stamp := o.s.o.Now().UTC().Truncate(time.Second)
	ss := make([][]sample, len(chs)) // by channel
	start = time.Now()
	for at := time.Duration(0); ; {
		a, err := o.look()
		if err != nil {
			return nil, err
		}
		for i, c := range chs {
			layer, err := layerOf(c)
			if err != nil {
				return nil, fmt.Errorf("%w: %w", collector.ErrChannel, err)
			}
			m, err := o.s.sampleOf(o.fd, o.f, a, query{sys: c.System, layer: layer, at: at, riding: true})
			if err != nil {
				return nil, o.s.fault(o.f, "read statistics", err)
			}
			ss[i] = append(ss[i], m)
		}
		if at == dwell {
			break
		}
		if err := o.rest(); err != nil {
			return nil, err
		}
		at = min(max(at+poll, (time.Since(start)+poll-1).Truncate(poll)), dwell)
		if err := sleepUntil(ctx, start.Add(at)); err != nil {
			return nil, err
		}
	}
	if !o.sure && nothingMoved(ss[0]) {
		return nil, fmt.Errorf("%s: nothing has changed over %d looks: %w", o.node, len(ss[0]), collector.ErrIdle)
	}
	return o.readings(chs, ss, stamp)
}

func (o *onlooker) readings(chs []reception.Channel, ss [][]sample, stamp time.Time) ([]reception.Reading, error) {
	var rs []reception.Reading
	for i, c := range chs {
		r := reception.NewReading()
		r.Time, r.FrequencyHz, r.Layer = stamp.UnixMilli(), c.FrequencyHz, c.Layer
		r.Visit, r.System = reception.VisitRiding, c.System
		bad := summarise(&r, ss[i], o.f.driver)
		if r.DwellMS == 0 {
			return nil, o.s.fault(o.f, "read status", errors.Join(failures(ss[i])...))
		}
		if hz := int64(o.first.frequency); hz != c.FrequencyHz {
			r.TunedHz = hz
		}
		if layer, err := layerOf(c); err == nil && r.Locked {
			r.Mode = o.s.mode(o.fd, c, layer)
		}
		o.s.finish(o.f, &r, ss[i], bad)
		rs = append(rs, r)
	}
	return rs, nil
}

// matching returns the channels that a holder is on: of those whose middle is near, the
// nearest, in all its layers.
func matching(chs []reception.Channel, a answers) []reception.Channel {
	off := func(c reception.Channel) int64 {
		return max(c.FrequencyHz-int64(a.frequency), int64(a.frequency)-c.FrequencyHz)
	}
	var out []reception.Channel
	for _, c := range chs {
		switch {
		case systems[c.System] != a.system || systems[c.System] == 0, off(c) > nearHz, !onStream(c, a.stream):
			continue
		case len(out) > 0 && off(c) > off(out[0]):
			continue
		case len(out) > 0 && off(c) < off(out[0]):
			out = nil
		}
		out = append(out, c)
	}
	return out
}

// onStream reports whether a holder receives the channel's PLP; one that asked for none
// receives one that is not known.
func onStream(c reception.Channel, stream uint32) bool {
	if c.System != reception.DVBT2 || c.Layer == "" {
		return true
	}
	plp, err := strconv.ParseUint(strings.TrimSpace(c.Layer), 10, 8)
	return err == nil && stream != anyStream && uint32(plp) == stream
}

// nothingMoved reports whether all looks that were made saw the same.
func nothingMoved(ss []sample) bool {
	first := slices.IndexFunc(ss, func(m sample) bool { return m.err == nil })
	if first < 0 {
		return false
	}
	return !slices.ContainsFunc(ss, func(m sample) bool {
		return m.err == nil && (m.raw != ss[first].raw || m.status != ss[first].status)
	})
}
