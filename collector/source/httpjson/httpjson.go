// Package httpjson is a tuner source for any device with a JSON status page: one web
// address tunes it, another is read once a second, and a jq expression of the user's
// maps the answer to the fields of a reading, see package fields.
//
// Counters of the answer go on from look to look; what they grow by within the dwell
// counts, and one that has gone back has started anew.
package httpjson

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/address"
	"holdfast/collector/jq"
	"holdfast/collector/source/fields"
)

const (
	// settle: for so long after tuning a device may show the previous channel's figures.
	settle = time.Second
	// poll is the time between two looks.
	poll = time.Second
	// lockPoll is the time between two looks while waiting for lock.
	lockPoll = 500 * time.Millisecond
	// letGo is how long giving the tuner back may take once the visit must end.
	letGo = 700 * time.Millisecond
	// within is how long an expression may take over one answer, of which there is one
	// a second. A common one over 1 MiB takes some milliseconds on a small board.
	within = 500 * time.Millisecond
)

// Options say how a device is reached. Zero values mean the default.
type Options struct {
	// Tune, Read and Release are addresses, with placeholders of address.OfVisit in path
	// and query. Read is required; a device without Tune stays on its channel.
	// Release gives the tuner back after a visit.
	Tune, Read, Release string
	// Method is that of Tune and Release: GET, POST or PUT, without a body; GET if empty.
	Method string
	// Mapping is the jq expression that makes the object of fields from an answer.
	Mapping string
	// Device is a jq expression for what tells the device from another, DeviceID its
	// expected value. Both or neither.
	Device, DeviceID string
	User, Password   string // basic authentication
	Headers          []Header
	Timeout          time.Duration // of one request; 3 s

	Meaning fields.Meaning // Driver is filled in
	Now     func() time.Time
	Log     *slog.Logger
}

// A Header is one header field of every request.
type Header struct{ Name, Value string }

// A Source is one device, or one tuner of it.
type Source struct {
	o                   Options
	tune, read, release address.Template
	mapping, device     *jq.Query
	client              *http.Client

	scales     fields.Scales
	complaints fields.Complaints
	releasing  bool // the last release failed

	mu     sync.Mutex
	closed bool
}

var _ collector.Source = (*Source)(nil)

// New checks the options; the device need not be there yet. The error names the
// option as a config does.
func New(o Options) (*Source, error) {
	s := &Source{o: o, client: address.NewClient(nil)}
	for _, a := range []struct {
		name, text string
		to         *address.Template
	}{{"tune_url", o.Tune, &s.tune}, {"read_url", o.Read, &s.read}, {"release_url", o.Release, &s.release}} {
		if a.text == "" {
			continue
		}
		var err error
		if *a.to, err = address.Parse(a.text, address.OfVisit()); err != nil {
			return nil, fmt.Errorf("%s: %w", a.name, err)
		}
	}
	if s.o.Method == "" {
		s.o.Method = http.MethodGet
	}
	if s.o.Timeout == 0 {
		s.o.Timeout = 3 * time.Second
	}
	if s.o.Now == nil {
		s.o.Now = time.Now
	}
	if s.o.Log == nil {
		s.o.Log = slog.New(slog.DiscardHandler)
	}
	switch {
	case !s.read.Set():
		return nil, errors.New("read_url: is missing; give the address of the status page")
	case s.o.Method != http.MethodGet && s.o.Method != http.MethodPost && s.o.Method != http.MethodPut:
		return nil, fmt.Errorf("tune_method: %q is not known; want GET, POST or PUT", o.Method)
	case s.release.Set() && !s.tune.Set():
		return nil, errors.New("release_url: there is no tune_url, so there is nothing to give back")
	case o.Mapping == "":
		return nil, errors.New("mapping: is missing; give a jq expression such as {locked: .lock, cn_db: .snr}")
	case (o.Device == "") != (o.DeviceID == ""):
		return nil, errors.New("device: device and device_id go together; give both or neither")
	case s.o.Timeout < 100*time.Millisecond || s.o.Timeout > time.Minute:
		return nil, fmt.Errorf("timeout: %v is outside 100ms to 1m", s.o.Timeout)
	}
	var err error
	if s.mapping, err = jq.Compile(o.Mapping); err != nil {
		return nil, fmt.Errorf("mapping: %w", err)
	}
	if o.Device != "" {
		if s.device, err = jq.Compile(o.Device); err != nil {
			return nil, fmt.Errorf("device: %w", err)
		}
	}
	// another mapping may mean other figures: another scale
	s.o.Meaning.Driver = fmt.Sprintf("httpjson-map-%.4x", sha256.Sum256([]byte(s.mapping.String())))
	return s, s.o.Meaning.Check()
}

// Tuner says what the device is.
func (s *Source) Tuner() reception.Tuner {
	return reception.Tuner{Kind: "httpjson", Driver: s.o.Meaning.Driver, Serial: s.o.DeviceID}
}

// Scale keeps the contract of collector.Source.
func (s *Source) Scale(id string) (reception.Scale, bool) { return s.scales.Get(id) }

// Close ends the source.
func (s *Source) Close() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.client.CloseIdleConnections()
	return nil
}

// Visit keeps the contract of collector.Source. A device that is tuned for others is
// asked before whether it is in use.
func (s *Source) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	none := reception.NewReading()
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	switch {
	case closed:
		return none, fmt.Errorf("%s: source is closed", s.read.Host())
	case v.Dwell < time.Second:
		return none, fmt.Errorf("dwell %v is shorter than 1s", v.Dwell)
	case ctx.Err() != nil:
		return none, ctx.Err()
	}
	r, err := s.measure(ctx, v)
	if err != nil {
		return none, fmt.Errorf("%s: %w", s.read.Host(), err)
	}
	return r, nil
}

// addresses fills in the placeholders of a visit.
func (s *Source) addresses(v collector.Visit) (tune, read, release string, err error) {
	c := v.Channel
	values := map[string]string{
		"frequency_hz":  strconv.FormatInt(c.FrequencyHz, 10),
		"frequency_khz": strconv.FormatFloat(float64(c.FrequencyHz)/1e3, 'f', -1, 64),
		"frequency_mhz": strconv.FormatFloat(float64(c.FrequencyHz)/1e6, 'f', -1, 64),
		"bandwidth_hz":  strconv.FormatInt(c.BandwidthHz, 10),
		"rf":            strconv.Itoa(c.RF),
		"system":        string(c.System),
		"layer":         c.Layer,
		"dwell_s":       strconv.FormatFloat(v.Dwell.Seconds(), 'f', -1, 64),
	}
	for _, a := range []struct {
		from address.Template
		to   *string
	}{{s.tune, &tune}, {s.read, &read}, {s.release, &release}} {
		switch {
		case !a.from.Set():
			continue
		case c.RF == 0 && a.from.Uses("rf"):
			return "", "", "", fmt.Errorf("%w: it has no RF number for {rf}", collector.ErrChannel)
		case c.BandwidthHz == 0 && a.from.Uses("bandwidth_hz"):
			return "", "", "", fmt.Errorf("%w: its bandwidth is not known for {bandwidth_hz}", collector.ErrChannel)
		}
		if *a.to, err = a.from.Fill(values); err != nil {
			return "", "", "", fmt.Errorf("%w: %w", collector.ErrChannel, err)
		}
	}
	return tune, read, release, nil
}

// measure is a visit.
func (s *Source) measure(ctx context.Context, v collector.Visit) (r reception.Reading, err error) {
	r = reception.NewReading()
	tune, read, release, err := s.addresses(v)
	if err != nil {
		return r, err
	}
	if tune != "" {
		if err := s.before(ctx, read); err != nil {
			return r, err
		}
		if release != "" {
			defer func() {
				if !errors.Is(err, collector.ErrBusy) { // it is somebody else's now
					s.giveBack(ctx, release)
				}
			}()
		}
		if _, err := s.fetch(ctx, "tune_url", s.o.Method, tune, false); err != nil {
			return r, err
		}
		tuned := time.Now()
		if err := s.awaitLock(ctx, read, tuned.Add(v.LockWait)); err != nil {
			return r, err
		}
		if err := sleepUntil(ctx, tuned.Add(settle)); err != nil {
			return r, err
		}
	}
	stamp := s.o.Now().UTC().Truncate(time.Second)
	looks, err := s.dwell(ctx, read, v)
	if err != nil {
		return r, err
	}
	r.Time, r.FrequencyHz, r.Layer = stamp.UnixMilli(), v.Channel.FrequencyHz, v.Channel.Layer
	r.Visit, r.System = v.Kind, v.Channel.System
	doubts, err := s.summarise(&r, looks)
	if err != nil {
		return r, err
	}
	s.complaints.Tell(s.o.Log, doubts)
	s.scales.Put(&r, s.o.Meaning)
	return r, nil
}

// before asks whether the device is in use, before it is tuned away from somebody. One
// that has nothing to show while idle may say what it likes.
func (s *Source) before(ctx context.Context, read string) error {
	_, err := s.look(ctx, read)
	if errors.Is(err, errContent) && !errors.Is(err, errOther) {
		return nil
	}
	return err
}

// awaitLock looks until the device is locked. It returns an error if no look could be
// made up to the end, or none will be.
func (s *Source) awaitLock(ctx context.Context, read string, until time.Time) error {
	var last error
	seen := false
	for {
		st, err := s.look(ctx, read)
		switch {
		case fatal(ctx, err):
			return err
		case err != nil:
			last = err
		case st.Locked:
			return nil
		default:
			seen = true
		}
		if !time.Now().Add(lockPoll).Before(until) {
			break
		}
		if err := sleepUntil(ctx, time.Now().Add(lockPoll)); err != nil {
			return err
		}
	}
	if !seen {
		return last
	}
	return nil
}

// A glance is one look of a dwell.
type glance struct {
	at     time.Duration // planned, from the start of the dwell
	err    error         // nothing was seen
	status fields.Status
	doubts []fields.Doubt
}

// dwell looks once a second. A look that takes longer than that leaves out the seconds
// that it took.
func (s *Source) dwell(ctx context.Context, read string, v collector.Visit) ([]glance, error) {
	var gs []glance
	start := time.Now()
	for at := time.Duration(0); ; {
		st, err := s.look(ctx, read)
		if fatal(ctx, err) {
			return nil, err
		}
		g := glance{at: at, err: err, status: st}
		if err == nil {
			g.doubts = g.status.Doubts(v.Channel.System, s.o.Meaning.CeilingDB)
			if err := s.elsewhere(&g.status, v.Channel); err != nil {
				return nil, err
			}
		}
		gs = append(gs, g)
		if at == v.Dwell {
			return gs, nil
		}
		at = min(max(at+poll, (time.Since(start)+poll-1).Truncate(poll)), v.Dwell)
		if err := sleepUntil(ctx, start.Add(at)); err != nil {
			return nil, err
		}
	}
}

// elsewhere reports a device that is tuned to another channel than it was told.
func (s *Source) elsewhere(st *fields.Status, c reception.Channel) error {
	off := st.FrequencyHz - c.FrequencyHz
	half := max(c.BandwidthHz, 1e6) / 2
	if st.FrequencyHz == 0 || off > -half && off < half {
		return nil
	}
	if s.tune.Set() {
		return fmt.Errorf("%w: it was tuned to %d Hz meanwhile", collector.ErrBusy, st.FrequencyHz)
	}
	return fmt.Errorf("%w: it is tuned to %d Hz, and without tune_url it stays there", collector.ErrChannel, st.FrequencyHz)
}

// giveBack releases the tuner, in bounded time even when the visit must end.
func (s *Source) giveBack(ctx context.Context, release string) {
	rctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(letGo, cancel) })
	defer stop()
	_, err := s.fetch(rctx, "release_url", s.o.Method, release, false)
	switch {
	case err != nil && !s.releasing:
		s.o.Log.Warn("the tuner could not be given back", "host", s.release.Host(), "error", err)
	case err == nil && s.releasing:
		s.o.Log.Info("the tuner is given back again", "host", s.release.Host())
	}
	s.releasing = err != nil
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

// errContent: the device answered, but not with what is wanted. errOther: it is not
// the device that is wanted.
var (
	errContent = errors.New("cannot be used")
	errOther   = errors.New("another device")
)

// content marks an error as one of the answer's content, without adding words.
type content struct{ error }

func (c content) Unwrap() []error { return []error{c.error, errContent} }

// fatal reports whether an error of a look ends the visit; others are gaps.
func fatal(ctx context.Context, err error) bool {
	return err != nil && (ctx.Err() != nil || errors.Is(err, collector.ErrGone) || errors.Is(err, collector.ErrBusy) ||
		errors.Is(err, address.ErrRefused))
}

// look reads the status page once.
func (s *Source) look(ctx context.Context, read string) (fields.Status, error) {
	v, err := s.fetch(ctx, "read_url", http.MethodGet, read, true)
	if err != nil {
		return fields.Status{}, err
	}
	return s.understand(ctx, v)
}

// understand makes a look of an answer.
func (s *Source) understand(ctx context.Context, v any) (fields.Status, error) {
	if s.device != nil {
		if err := s.sameDevice(ctx, v); err != nil {
			return fields.Status{}, err
		}
	}
	got, err := one(ctx, s.mapping, v)
	if err != nil {
		return fields.Status{}, content{fmt.Errorf("mapping: %w", err)}
	}
	st, err := fields.Look.Read(got)
	switch {
	case err != nil:
		return st, content{fmt.Errorf("mapping gave a field that cannot be used: %w", err)}
	case st.Busy:
		return st, collector.ErrBusy
	case st.Error != "":
		return st, content{fmt.Errorf("the device says: %s", st.Error)}
	}
	return st, nil
}

func (s *Source) sameDevice(ctx context.Context, v any) error {
	got, err := one(ctx, s.device, v)
	if err != nil {
		return content{fmt.Errorf("device: %w", err)}
	}
	id, err := fields.Name(got)
	switch {
	case err != nil:
		return content{fmt.Errorf("device is %w", err)}
	case id != strings.TrimSpace(s.o.DeviceID):
		return fmt.Errorf("%w: the answer is of %w: device is %q, want device_id %q", collector.ErrGone, errOther, id, s.o.DeviceID)
	}
	return nil
}

// one runs an expression that must yield one value.
func one(ctx context.Context, q *jq.Query, v any) (any, error) {
	limited, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	got, err := q.Run(limited, v)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case limited.Err() != nil:
		return nil, fmt.Errorf("no end within %v; make the expression simpler", within)
	case err != nil:
		return nil, err
	case len(got) == 0:
		return nil, errors.New("the expression yields nothing")
	case len(got) > 1:
		return nil, fmt.Errorf("the expression yields %d values, want one; wrap it in first(...) or [...]", len(got))
	}
	return got[0], nil
}
