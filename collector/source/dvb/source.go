//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

const (
	// settle: for so long after tuning the statistics may be the previous channel's.
	settle = time.Second
	// poll is the time between two looks. Some drivers count by the call: no faster.
	poll = time.Second
	// lockPoll is how often the status is asked for while waiting for lock.
	lockPoll = 50 * time.Millisecond
	// answerWithin is how long a device may take to let go when a visit is to end.
	answerWithin = 700 * time.Millisecond
)

var errClosed = errors.New("dvb source is closed")

// A Source is one frontend.
type Source struct {
	o      Options
	kernel kernel

	// One visit's goroutine at a time has the device.
	busy chan struct{} // closed when it has returned; nil: none was left behind

	mu       sync.Mutex
	closed   bool
	tuner    reception.Tuner
	scales   map[string]reception.Scale
	rejected rejected
	doubted  bool // values were rejected in the last visit
	known    *frontend

	// A visit's own.
	names *names // what a scan asks for beside
	deaf  bool   // that no stream can be read was said
	// silence counts clean visits in a row that had no packet.
	silence int
}

// frontend is what a source has learnt of its device. It belongs to the visit that is
// under way.
type frontend struct {
	node, name, path string
	driver           driver
	known            bool
	systems          []byte // of DTV_ENUM_DELSYS
	hadDB            bool   // C/N has come in dB
	level            levelWatch
	scale            string // of the last visit that showed one
}

var _ collector.Source = (*Source)(nil)

// New returns a source for a frontend, which need not be there yet.
func New(o Options) (*Source, error) { return newSource(o, system{}) }

func newSource(o Options, k kernel) (*Source, error) {
	if o.Adapter > 255 {
		return nil, fmt.Errorf("adapter: %d is outside 0 to 255", o.Adapter)
	}
	if o.Adapter < 0 && o.Path == "" && o.Name == "" {
		return nil, errors.New("none of adapter, path and name says which tuner is meant")
	}
	if o.Frontend < 0 || o.Frontend > 255 {
		return nil, fmt.Errorf("frontend: %d is outside 0 to 255", o.Frontend)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Source{o: o, kernel: k, tuner: reception.Tuner{Kind: "dvb"}, scales: map[string]reception.Scale{}}, nil
}

// Tuner says what the device is, once a visit has opened it.
func (s *Source) Tuner() reception.Tuner {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tuner
}

// Scale returns a scale that a visit has used.
func (s *Source) Scale(id string) (reception.Scale, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sc, ok := s.scales[id]
	return sc, ok
}

// Rejected is how many values could not be and were left out so far.
func (s *Source) Rejected() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.rejected.sum()
}

// Close ends the source. A call that hangs is left behind: its file closes when it
// returns.
func (s *Source) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	return nil
}

// Visit measures one channel; see collector.Source.
func (s *Source) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	none := reception.NewReading()
	if v.Dwell < time.Second {
		return none, fmt.Errorf("dwell %v is shorter than 1s", v.Dwell)
	}
	rs, err := s.guarded(ctx, func() ([]reception.Reading, error) {
		r, err := s.measure(ctx, v)
		return []reception.Reading{r}, err
	})
	if err != nil {
		return none, err
	}
	return rs[0], nil
}

// guarded runs do, which alone may touch the device, in a goroutine of its own. One that
// does not return is left behind, and until it does nothing else is tried.
func (s *Source) guarded(ctx context.Context, do func() ([]reception.Reading, error)) ([]reception.Reading, error) {
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	switch {
	case closed:
		return nil, errClosed
	case ctx.Err() != nil:
		return nil, ctx.Err()
	}
	if s.busy != nil {
		select {
		case <-s.busy:
			s.busy = nil
		default:
			return nil, fmt.Errorf("%s: an earlier call has not returned: %w", s.called(), collector.ErrHung)
		}
	}
	type result struct {
		rs  []reception.Reading
		err error
	}
	done, over := make(chan result, 1), make(chan struct{})
	go func() {
		defer close(over)
		rs, err := do()
		done <- result{rs, err}
	}()
	select {
	case res := <-done:
		<-over
		return res.rs, res.err
	case <-ctx.Done():
	}
	wait := time.NewTimer(answerWithin)
	defer wait.Stop()
	select {
	case res := <-done:
		<-over
		return res.rs, res.err
	case <-wait.C:
		s.busy = over
		return nil, fmt.Errorf("%s: a call does not return: %w", s.called(), collector.ErrHung)
	}
}

// called is what messages call the device.
func (s *Source) called() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch n := s.numbered(); {
	case s.known != nil:
		return s.known.node
	case n != "":
		return n
	case s.o.Path != "":
		return "the tuner at " + s.o.Path
	}
	return fmt.Sprintf("the tuner %q", s.o.Name)
}

// measure is a visit. It alone touches the device, and gives it back.
func (s *Source) measure(ctx context.Context, v collector.Visit) (r reception.Reading, err error) {
	r = reception.NewReading()
	fd, f, err := s.acquire()
	if err != nil {
		return r, err
	}
	defer func() {
		if e := s.kernel.close(fd); e != nil && err == nil && !isGone(e) {
			err = fmt.Errorf("close %s: %w", f.node, e)
		}
	}()
	layer, err := layerOf(v.Channel)
	if err != nil {
		return r, fmt.Errorf("%w: %w", collector.ErrChannel, err)
	}
	before, err := s.look(fd, f, query{sys: v.Channel.System, layer: layer})
	if err != nil {
		return r, s.fault(f, "read statistics", err)
	}
	if err := s.tune(fd, f, v.Channel); err != nil {
		return r, err
	}
	tuned := time.Now()
	lockErr := s.awaitLock(ctx, fd, tuned.Add(v.LockWait))
	if lockErr != nil && (ctx.Err() != nil || isGone(lockErr)) {
		return r, s.fault(f, "wait for lock", lockErr)
	}
	if err := sleepUntil(ctx, tuned.Add(settle)); err != nil {
		return r, err
	}
	stamp, start := s.o.Now().UTC().Truncate(time.Second), time.Now()
	e := s.hear(f, v.Channel.System)
	if e != nil {
		defer func() { err = errors.Join(err, e.close()) }()
	}
	ss, err := s.dwell(ctx, fd, f, v, layer)
	if err != nil {
		return r, s.fault(f, "read statistics", err)
	}
	if old := stillTheOld(before, ss, uint32(v.Channel.FrequencyHz)); old {
		return r, fmt.Errorf("%s: the driver's statistics are still those of the channel before", f.node)
	}
	r.Time, r.FrequencyHz, r.Layer = stamp.UnixMilli(), v.Channel.FrequencyHz, v.Channel.Layer
	r.Visit, r.System = v.Kind, v.Channel.System
	bad := summarise(&r, ss, f.driver)
	if r.DwellMS == 0 {
		return r, s.fault(f, "read status", errors.Join(failures(ss)...))
	}
	if hz := ss[len(ss)-1].frequency; hz != 0 && int64(hz) != r.FrequencyHz {
		r.TunedHz = int64(hz)
	}
	if r.Locked {
		r.Mode = s.mode(fd, v.Channel, layer)
	}
	if err := s.heardOf(ctx, f, e, &r, start); err != nil {
		return r, s.fault(f, "read the transport stream", err)
	}
	s.finish(f, &r, ss, bad)
	return r, nil
}

// failures lists each error of a status that could not be read once.
func failures(ss []sample) []error {
	var out []error
	for _, m := range ss {
		if m.err != nil && !slices.ContainsFunc(out, func(e error) bool { return errors.Is(e, m.err) }) {
			out = append(out, m.err)
		}
	}
	return out
}

// stillTheOld reports whether nothing at all has moved since before the visit tuned
// away from another channel, counters included.
func stillTheOld(before sample, ss []sample, hz uint32) bool {
	if before.err != nil || before.frequency == 0 || before.frequency == hz {
		return false
	}
	if before.count[postTotal] <= 0 && before.count[blockTotal] <= 0 && before.count[preTotal] <= 0 {
		return false
	}
	return !slices.ContainsFunc(ss, func(m sample) bool { return m.err != nil || m.raw != before.raw })
}

func (s *Source) tune(fd int, f *frontend, c reception.Channel) error {
	ps, err := tuning(c)
	if err != nil {
		return fmt.Errorf("%w: %w", collector.ErrChannel, err)
	}
	if n, ok := systems[c.System]; ok && len(f.systems) > 0 && !slices.Contains(f.systems, byte(n)) {
		return fmt.Errorf("%w: %q does not receive %s; it has %s", collector.ErrChannel, f.name, c.System, strings.Join(systemNames(f.systems), ", "))
	}
	err = exchange(s.kernel, fd, feSetProperty, ps)
	if errors.Is(err, unix.EINVAL) {
		return fmt.Errorf("%w: %q does not tune to %d Hz as %s", collector.ErrChannel, f.name, c.FrequencyHz, c.System)
	}
	if err != nil {
		return s.fault(f, "tune", err)
	}
	return nil
}

// awaitLock waits until the frontend says that it is locked. Its error says why the
// status could not be read when the time was over; unlocked is none.
func (s *Source) awaitLock(ctx context.Context, fd int, until time.Time) error {
	for {
		st, err := u32(s.kernel, fd, feReadStatus)
		if err == nil && st&hasLock != 0 {
			return nil
		}
		if isGone(err) || !time.Now().Before(until) {
			return err
		}
		if err := sleepUntil(ctx, time.Now().Add(lockPoll)); err != nil {
			return err
		}
	}
}

// dwell looks once a second from now to the end of the dwell. A look that takes longer
// than that leaves out the seconds that it took.
func (s *Source) dwell(ctx context.Context, fd int, f *frontend, v collector.Visit, layer int) ([]sample, error) {
	var ss []sample
	start := time.Now()
	for at := time.Duration(0); ; {
		m, err := s.look(fd, f, query{sys: v.Channel.System, layer: layer, at: at})
		if err != nil {
			return nil, err
		}
		ss = append(ss, m)
		if at == v.Dwell {
			return ss, nil
		}
		at = min(max(at+poll, (time.Since(start)+poll-1).Truncate(poll)), v.Dwell)
		if err := sleepUntil(ctx, start.Add(at)); err != nil {
			return nil, err
		}
	}
}

func sleepUntil(ctx context.Context, at time.Time) error {
	t := time.NewTimer(time.Until(at))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return ctx.Err()
	}
}

// isGone reports whether the device is not there, or no longer.
func isGone(err error) bool {
	return errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENXIO) || errors.Is(err, unix.ENOENT)
}

// fault says what was being done to which device.
func (s *Source) fault(f *frontend, doing string, err error) error {
	switch {
	case isGone(err):
		return fmt.Errorf("%s: %s: %w: %w", f.node, doing, collector.ErrGone, err)
	case errors.Is(err, unix.EAGAIN):
		return fmt.Errorf("%s: %s: the driver says that the tuner is idle: %w", f.node, doing, err)
	}
	return fmt.Errorf("%s: %s: %w", f.node, doing, err)
}

// finish gives the reading its scale and keeps count of what was rejected.
func (s *Source) finish(f *frontend, r *reception.Reading, ss []sample, bad rejected) {
	sc := scaleOf(f, *r)
	s.mu.Lock()
	s.scales[sc.ID] = sc
	s.rejected.cn += bad.cn
	s.rejected.unit += bad.unit
	s.rejected.level += bad.level
	s.rejected.counts += bad.counts
	s.rejected.frozen += bad.frozen
	was := s.doubted
	s.doubted = bad.sum() > 0
	s.mu.Unlock()
	r.Scale = sc.ID
	if missing, first := f.level.missing(r, time.Now()); first {
		s.o.Log.Warn("the tuner gives no level on channels that it locks to, though it did before; unplug it and plug it in again, or load its driver anew",
			"device", f.node, "driver", f.name, "for", missing.Round(time.Second).String())
	}
	switch {
	case bad.sum() > 0 && !was:
		s.o.Log.Warn("the driver reports values that cannot be true; they are left out", "device", f.node, "driver", f.name,
			"frequency_hz", r.FrequencyHz, "what", bad.String())
	case bad.sum() == 0 && was:
		s.o.Log.Info("the driver's values are believable again", "device", f.node)
	}
}

// noLevelFor is how long level may be missing on locked channels before somebody is
// told. Tuners read it every two seconds or so in a job of the kernel, and some do not
// start it again after one error on the bus (si2157_stat_work in the kernel's si2157.c).
const noLevelFor = 5 * time.Minute

// A levelWatch notices that a tuner has ceased to give a level.
type levelWatch struct {
	had, said bool
	since     time.Time // of the first locked reading without one; zero: there is one
}

// missing returns for how long level has been missing at now, and whether that is to be
// said, once.
func (w *levelWatch) missing(r *reception.Reading, now time.Time) (time.Duration, bool) {
	switch {
	case !reception.Missing(r.LevelDBm) || !reception.Missing(r.LevelPct):
		*w = levelWatch{had: true}
		return 0, false
	case !r.Locked || !w.had:
		return 0, false
	case w.since.IsZero():
		w.since = now
	}
	d := now.Sub(w.since)
	if d < noLevelFor || w.said {
		return d, false
	}
	w.said = true
	return d, true
}

// String names what was rejected, for people.
func (r rejected) String() string {
	var w []string
	say := func(n int64, what string) {
		if n > 0 {
			w = append(w, fmt.Sprintf("%d times %s", n, what))
		}
	}
	say(r.cn, fmt.Sprintf("C/N outside %d to %d dB or above what the driver can show", reception.CNMinDB, reception.CNMaxDB))
	say(r.unit, fmt.Sprintf("8-VSB locked below %d dB: C/N is in another unit", tooLowFor8VSB))
	say(r.level, fmt.Sprintf("level outside %d to %d dBm", reception.LevelMinDBm, reception.LevelMaxDBm))
	say(r.counts, "more errors than blocks or bits")
	say(r.frozen, "statistics that stand still")
	return strings.Join(w, ", ")
}

// scaleOf describes the scale of a reading. A reading without C/N, such as one without
// lock, is on the scale that the tuner had before; before there was any, on the one
// that its driver is known for, in dB.
func scaleOf(f *frontend, r reception.Reading) reception.Scale {
	unit := reception.UnitDB
	switch {
	case !reception.Missing(r.CNDB):
		f.hadDB = true
	case !reception.Missing(r.QualityPct):
		unit = reception.UnitPercent
	case f.scale != "":
		unit = reception.ScaleUnit(f.scale)
	}
	if !reception.Missing(r.CNDB) || !reception.Missing(r.QualityPct) {
		f.scale = string(unit)
	}
	sc := reception.Scale{Unit: unit, Step: nan, Ceiling: nan, LevelKind: reception.LevelUnknown, Quantity: reception.QuantityCN, Driver: f.driver.short}
	if unit == reception.UnitDB {
		sc.Step, sc.Ceiling = f.driver.step, f.driver.top
	}
	if f.driver.levelFromCN {
		sc.LevelKind = reception.LevelFromCN
	}
	if f.driver.corrected != "" {
		sc.Driver += " (" + f.driver.corrected + ")"
	}
	if !f.known && unit == reception.UnitPercent {
		sc.Driver += " (uncalibrated)"
	}
	sc.ID = fmt.Sprintf("dvb/%s/%s/step%g/top%g/%s/%s", strings.ReplaceAll(sc.Driver, " ", "-"), sc.Unit, sc.Step, sc.Ceiling, sc.LevelKind, sc.Quantity)
	return sc
}

// numbers reads /dev/dvb/adapterA/frontendF; -1, -1 if it is not one.
func numbers(node string) (a, f int) {
	if n, err := fmt.Sscanf(path.Base(path.Dir(node))+" "+path.Base(node), "adapter%d frontend%d", &a, &f); err != nil || n != 2 {
		return -1, -1
	}
	return a, f
}

func className(a, f int) string { return fmt.Sprintf("dvb%d.frontend%d", a, f) }

// Systems of enum fe_delivery_system that are not measured, for people.
var otherSystems = map[byte]string{1: "DVB-C", 2: "DVB-C annex B", 5: "DVB-S", 6: "DVB-S2", 18: "DVB-C annex C"}

func systemNames(ns []byte) []string {
	var out []string
	for _, n := range ns {
		name, ok := otherSystems[n]
		if !ok {
			name = fmt.Sprintf("system %d", n)
		}
		for s, k := range systems {
			if k == uint32(n) {
				name = string(s)
			}
		}
		out = append(out, name)
	}
	return out
}
