// Package command is a tuner source over a program of the user's. It is started once,
// without a shell, told of each visit by a line of JSON on its standard input, and
// answers each with one line of JSON on its standard output:
//
//	{"visit": {"frequency_hz": 569000000, "rf": 30, "bandwidth_hz": 6000000, "system": "atsc1",
//	  "dwell_s": 5, "lock_wait_s": 5, "kind": "base"}}
//	{"locked": true, "cn_db": 23.4, "uncorrected_blocks": 0}
//
// The fields of an answer are those of package fields, of the whole visit: counts are
// what was counted in the dwell. {"busy": true} says that somebody else has the tuner,
// {"error": "..."} why nothing was measured. What it writes to standard error goes to
// the log. It should end when its input ends; one that does not, or does not answer in
// time, is killed with all that it has started.
package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/source/fields"
)

const (
	// grace is the time beyond waiting for lock and dwell that an answer may take.
	grace = 10 * time.Second
	// A program that ended is started again after a second, later up to a minute apart.
	firstStart, lastStart = time.Second, time.Minute
	// letGo is how long a visit that must end waits for the killed program to end.
	letGo = 800 * time.Millisecond
)

// Options say what runs. Zero values mean the default.
type Options struct {
	// Argv is the program and its arguments. A program without a slash is looked for in
	// PATH.
	Argv []string
	// Env are variables that it gets beside PATH, HOME, USER, LANG, LC_ALL, TZ and
	// TMPDIR; it gets no others of this process, which may hold secrets.
	Env []Variable

	Meaning fields.Meaning // Driver is filled in
	Now     func() time.Time
	Log     *slog.Logger
}

// A Variable is one of the environment.
type Variable struct{ Name, Value string }

// A Source is one program.
type Source struct {
	o    Options
	name string // of the program, for messages

	running  *process
	leftover *process // killed, and has not ended yet
	retry    *backoff.ExponentialBackOff
	startAt  time.Time // no start before
	why      string    // it ended

	scales     fields.Scales
	complaints fields.Complaints

	mu     sync.Mutex
	closed bool
}

var _ collector.Source = (*Source)(nil)

var notPlain = regexp.MustCompile(`[^A-Za-z0-9._+-]+`)

// New checks the options; the program is started by the first visit. The error names
// the option as a config does.
func New(o Options) (*Source, error) {
	if len(o.Argv) == 0 || strings.TrimSpace(o.Argv[0]) == "" {
		return nil, errors.New("command: is missing; give the program and its arguments as a list")
	}
	for _, a := range o.Argv {
		if strings.ContainsRune(a, 0) {
			return nil, errors.New("command: an argument holds a zero byte")
		}
	}
	for _, e := range o.Env {
		if e.Name == "" || strings.ContainsAny(e.Name, "=\x00") || strings.ContainsRune(e.Value, 0) {
			return nil, fmt.Errorf("env: %q is no name of a variable, or its value holds a zero byte", e.Name)
		}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Source{o: o, name: filepath.Base(o.Argv[0])}
	s.o.Meaning.Driver = "command-" + notPlain.ReplaceAllString(s.name, "-")
	s.retry = backoff.NewExponentialBackOff()
	s.retry.InitialInterval, s.retry.MaxInterval = firstStart, lastStart
	s.retry.Multiplier, s.retry.RandomizationFactor = 2, 0
	return s, s.o.Meaning.Check()
}

// Tuner says what the program is called.
func (s *Source) Tuner() reception.Tuner {
	return reception.Tuner{Kind: "command", Driver: s.o.Meaning.Driver}
}

// Scale keeps the contract of collector.Source.
func (s *Source) Scale(id string) (reception.Scale, bool) { return s.scales.Get(id) }

// Close ends the program and what it has started.
func (s *Source) Close() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	if p := s.running; p != nil {
		s.running, s.leftover = nil, p
		p.stop()
	}
	if p := s.leftover; p != nil {
		if !p.endsWithin(2 * time.Second) {
			return fmt.Errorf("program %s was killed and has not ended", s.name)
		}
		s.leftover = nil
	}
	return nil
}

// Visit keeps the contract of collector.Source.
func (s *Source) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	none := reception.NewReading()
	fail := func(err error) (reception.Reading, error) { return none, fmt.Errorf("program %s: %w", s.name, err) }
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	switch {
	case closed:
		return fail(errors.New("source is closed"))
	case v.Dwell < time.Second:
		return fail(fmt.Errorf("dwell %v is shorter than 1s", v.Dwell))
	case ctx.Err() != nil:
		return fail(ctx.Err())
	}
	answer, err := s.ask(ctx, v)
	if err != nil {
		return fail(err)
	}
	r, err := s.reading(answer, v)
	if err != nil {
		return fail(err)
	}
	return r, nil
}

type request struct {
	FrequencyHz int64   `json:"frequency_hz"`
	RF          int     `json:"rf,omitempty"`
	BandwidthHz int64   `json:"bandwidth_hz,omitempty"`
	System      string  `json:"system"`
	Layer       string  `json:"layer,omitempty"`
	DwellS      float64 `json:"dwell_s"`
	LockWaitS   float64 `json:"lock_wait_s"`
	Kind        string  `json:"kind"`
}

// ask tells the program of a visit and returns its answer.
func (s *Source) ask(ctx context.Context, v collector.Visit) ([]byte, error) {
	p, err := s.program()
	if err != nil {
		return nil, err
	}
	limited, cancel := context.WithTimeout(ctx, v.LockWait+v.Dwell+grace)
	defer cancel()
	from := time.Now()
	if n := p.discard(); n > 0 {
		s.o.Log.Warn("the program printed what it was not asked for; one line is wanted for each visit", "program", s.name, "lines", n)
	}
	c := v.Channel
	line, err := json.Marshal(map[string]request{"visit": {c.FrequencyHz, c.RF, c.BandwidthHz, string(c.System), c.Layer,
		v.Dwell.Seconds(), v.LockWait.Seconds(), string(v.Kind)}})
	if err != nil {
		return nil, err
	}
	// a program that has ended, or reads nothing, shows below
	deadline, _ := limited.Deadline()
	_ = p.in.SetWriteDeadline(deadline)
	_, _ = p.in.Write(append(line, '\n'))
	select {
	case answer := <-p.lines:
		s.retry.Reset()
		return answer, nil
	case <-p.ended:
		select {
		case answer := <-p.lines: // its last word
			s.retry.Reset()
			return answer, nil
		default:
		}
		s.gone(p)
		return nil, fmt.Errorf("it ended (%s): %w", s.why, collector.ErrGone)
	case <-limited.Done():
	}
	s.running, s.leftover = nil, p
	p.stop()
	if p.endsWithin(letGo) {
		s.leftover = nil
	}
	if errors.Is(ctx.Err(), context.Canceled) {
		return nil, ctx.Err()
	}
	return nil, fmt.Errorf("no answer in %v, it was killed: %w: %w", time.Since(from).Round(100*time.Millisecond), limited.Err(), collector.ErrHung)
}

// program returns the running one, or starts it.
func (s *Source) program() (*process, error) {
	if p := s.leftover; p != nil {
		if !p.endsWithin(0) {
			return nil, fmt.Errorf("it was killed and has not ended: %w", collector.ErrHung)
		}
		s.leftover = nil
	}
	if p := s.running; p != nil {
		if !p.endsWithin(0) {
			return p, nil
		}
		s.gone(p)
	}
	if wait := time.Until(s.startAt); wait > 0 {
		return nil, fmt.Errorf("it ended (%s) and is started again in %v: %w", s.why, wait.Round(100*time.Millisecond), collector.ErrGone)
	}
	p, err := start(s.o, s.name)
	if err != nil {
		s.startAt, s.why = time.Now().Add(s.retry.NextBackOff()), err.Error()
		return nil, fmt.Errorf("it cannot be started: %w: %w", err, collector.ErrGone)
	}
	s.running = p
	return p, nil
}

// gone notes that the program has ended by itself.
func (s *Source) gone(p *process) {
	s.running, s.why = nil, p.why
	s.startAt = p.at.Add(s.retry.NextBackOff())
}

// reading makes a reading of an answer that came just now.
func (s *Source) reading(answer []byte, v collector.Visit) (reception.Reading, error) {
	none := reception.NewReading()
	object, err := fields.Decode(bytes.NewReader(answer))
	if err != nil {
		return none, err
	}
	st, err := fields.Visit.Read(object)
	switch {
	case err != nil:
		return none, fmt.Errorf("answer cannot be used: %w", err)
	case st.Busy:
		return none, collector.ErrBusy
	case st.Error != "":
		return none, fmt.Errorf("it says: %s", st.Error)
	}
	doubts := st.Doubts(v.Channel.System, s.o.Meaning.CeilingDB)
	for _, d := range doubts {
		if d.Unit {
			return none, fmt.Errorf("answer: %s", d.What)
		}
	}
	c := v.Channel
	if hz := st.FrequencyHz; hz != 0 && hz != c.FrequencyHz {
		if off := hz - c.FrequencyHz; 2*max(off, -off) >= max(c.BandwidthHz, 1e6) {
			return none, fmt.Errorf("answer is of %d Hz, asked was %d Hz", hz, c.FrequencyHz)
		}
		st.TunedHz = hz
	}
	if st.DwellMS == 0 {
		st.DwellMS = v.Dwell.Milliseconds()
	}
	doubts = append(doubts, st.Whole()...)
	r := st.Reading
	r.Time = s.o.Now().UTC().Add(-time.Duration(r.DwellMS) * time.Millisecond).Truncate(time.Second).UnixMilli()
	r.FrequencyHz, r.Layer, r.System, r.Visit = c.FrequencyHz, c.Layer, c.System, v.Kind
	s.complaints.Tell(s.o.Log, doubts)
	s.scales.Put(&r, s.o.Meaning)
	return r, nil
}
