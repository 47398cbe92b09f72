// Package replay is a tuner source that plays recorded readings: a CSV file of
// readings, at a speed of the user's choice. It serves to see what the pages and
// alarms make of a record, and to try a config without a tuner.
package replay

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/exchange"
)

// Options say which part of a file is played and how.
type Options struct {
	// Tuner takes the rows of the tuner of that name. If the file has none of that
	// name, those of its only tuner are taken.
	Tuner string
	// Region is the home's, for files that give channels by number.
	Region reception.Region
	// Speed is how many seconds of the record pass in one; 1 if zero.
	Speed float64
	// Now tells the time that readings are stamped with; time.Now if nil.
	Now func() time.Time
}

// A Source plays one file. The record's clock begins at its first reading with the
// first visit, and passes at the given speed. A visit returns the channel's next
// reading at or after that clock, one that no visit has returned before, at once
// and stamped with the time of the visit: it is as long as it was when recorded.
//
// A row of a viewer makes the visit fail as busy, one of a failing tuner as gone;
// rows of other reasons are passed over, since who visits now has reasons of its
// own. When the record is over every visit is an error that wraps ErrGone.
type Source struct {
	path   string
	file   *os.File
	header []byte
	o      Options

	rows   map[channel][]row
	next   map[channel]int
	scales map[string]reception.Scale
	notes  []string
	first  int64     // Unix ms of the record
	began  time.Time // of the replay; zero before the first visit
	closed bool
}

var _ collector.Source = (*Source)(nil)

type channel struct {
	hz    int64
	layer string
}

// A row is where a reading is: files of years are played without holding them.
type row struct {
	ms, offset int64
	scale      string
}

// Open reads through a file of readings, and scales.csv beside it if there is one.
// The error names the file and what to do.
func Open(path string, o Options) (*Source, error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if !(o.Speed >= 0.001 && o.Speed <= 1e6) {
		return nil, fmt.Errorf("replay %s: speed %g is outside 0.001 to 1000000", path, o.Speed)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("replay: %w", err)
	}
	s := &Source{path: path, file: f, o: o, next: map[channel]int{}, scales: map[string]reception.Scale{}}
	if err := s.index(); err != nil {
		f.Close()
		return nil, fmt.Errorf("replay %s: %w", path, err)
	}
	return s, nil
}

func (s *Source) options() (exchange.ReadOptions, error) {
	o := exchange.ReadOptions{Region: s.o.Region}
	beside := filepath.Join(filepath.Dir(s.path), "scales.csv")
	f, err := os.Open(beside)
	if errors.Is(err, os.ErrNotExist) {
		return o, nil
	}
	if err != nil {
		return o, err
	}
	defer f.Close()
	if o.Scales, err = exchange.ReadScales(f); err != nil {
		return o, fmt.Errorf("%s: %s", beside, strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return o, nil
}

// index notes where each reading is.
func (s *Source) index() error {
	o, err := s.options()
	if err != nil {
		return err
	}
	rd, err := exchange.ReadReadings(s.file, o)
	if err != nil {
		return err
	}
	var bad int
	var firstBad error
	tuners := map[string]map[channel][]row{}
	for r, err := range rd.Rows() {
		if err != nil {
			if _, ok := errors.AsType[*exchange.LineError](err); !ok {
				return err
			}
			if bad++; firstBad == nil {
				firstBad = err
			}
			continue
		}
		if w := r.Reading.Why; w != reception.Measured && w != reception.WhyViewer && w != reception.WhyFailing {
			continue
		}
		rows := tuners[r.Reading.Tuner]
		if rows == nil {
			rows = map[channel][]row{}
			tuners[r.Reading.Tuner] = rows
		}
		c := channel{r.Reading.FrequencyHz, r.Reading.Layer}
		rows[c] = append(rows[c], row{r.Reading.Time, r.Offset, r.Reading.Scale})
	}
	names := slices.Sorted(maps.Keys(tuners))
	switch {
	case len(names) == 0 && firstBad != nil:
		return fmt.Errorf("no reading can be used: %w (%d bad lines)", firstBad, bad)
	case len(names) == 0:
		return errors.New("there is no reading to play")
	case tuners[s.o.Tuner] == nil && len(names) > 1:
		return fmt.Errorf("no reading of tuner %q; give the tuner one of the names in the file: %q", s.o.Tuner, names)
	case tuners[s.o.Tuner] == nil:
		s.rows = tuners[names[0]]
	default:
		s.rows = tuners[s.o.Tuner]
	}
	if bad > 0 {
		s.notes = append(s.notes, fmt.Sprintf("replay %s: bad lines are left out: %d, the first is %v", s.path, bad, firstBad))
	}
	for _, w := range rd.Warnings() {
		s.notes = append(s.notes, fmt.Sprintf("replay %s: %s", s.path, w))
	}
	for _, sc := range rd.Scales() {
		s.scales[sc.ID] = sc
	}
	for _, rows := range s.rows {
		slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.ms, b.ms) })
		if s.first == 0 || rows[0].ms < s.first {
			s.first = rows[0].ms
		}
	}
	return s.readHeader()
}

// readHeader keeps what stands before the first row, so that any row can be read
// alone.
func (s *Source) readHeader() error {
	at := int64(1 << 62)
	for _, rows := range s.rows {
		for _, r := range rows {
			at = min(at, r.offset)
		}
	}
	head := make([]byte, min(at, 1<<20))
	if _, err := s.file.ReadAt(head, 0); err != nil {
		return err
	}
	// Bad lines may stand between header and first row: end after the first line
	// that says something.
	for i, c := range head {
		if c == '\n' && len(bytes.TrimSpace(bytes.TrimPrefix(head[:i], []byte("\xef\xbb\xbf")))) > 0 {
			head = head[:i+1]
			break
		}
	}
	s.header = head
	return nil
}

// Notes are what is odd about the file, a line each.
func (s *Source) Notes() []string { return s.notes }

// Tuner says what plays.
func (s *Source) Tuner() reception.Tuner {
	return reception.Tuner{Kind: "replay", Driver: "replay", Serial: filepath.Base(s.path)}
}

// Scale describes a scale of the file.
func (s *Source) Scale(id string) (reception.Scale, bool) {
	sc, ok := s.scales[id]
	return sc, ok
}

// Visit keeps the contract of collector.Source.
func (s *Source) Visit(ctx context.Context, v collector.Visit) (reception.Reading, error) {
	fail := func(err error) (reception.Reading, error) {
		return reception.Reading{}, fmt.Errorf("replay %s: visit %d Hz: %w", s.path, v.Channel.FrequencyHz, err)
	}
	switch {
	case s.closed:
		return fail(errors.New("source is closed"))
	case ctx.Err() != nil:
		return fail(ctx.Err())
	}
	now := s.o.Now()
	if s.began.IsZero() {
		s.began = now
	}
	clock := s.first + int64(float64(now.Sub(s.began).Milliseconds())*s.o.Speed)
	c := channel{v.Channel.FrequencyHz, v.Channel.Layer}
	rows := s.rows[c]
	if len(rows) == 0 {
		return fail(fmt.Errorf("the record has no such channel; it has %s", s.channels()))
	}
	from := s.next[c]
	i := from + sort.Search(len(rows)-from, func(k int) bool { return rows[from+k].ms >= clock })
	if i == len(rows) {
		s.next[c] = i
		return fail(fmt.Errorf("the record has ended (last reading %s); name a longer one, or remove the tuner from the config: %w",
			time.UnixMilli(rows[len(rows)-1].ms).UTC().Format(time.RFC3339), collector.ErrGone))
	}
	r, err := s.load(rows[i])
	if err != nil {
		return fail(err)
	}
	s.next[c] = i + 1
	switch r.Why {
	case reception.WhyViewer:
		return fail(collector.ErrBusy)
	case reception.WhyFailing:
		return fail(fmt.Errorf("the tuner failed when this was recorded: %w", collector.ErrGone))
	}
	at := v.At
	if at.IsZero() {
		at = now
	}
	r.Time, r.Known = at.Truncate(time.Second).UnixMilli(), 0
	r.Tuner, r.Visit, r.Scale = "", v.Kind, rows[i].scale
	if !r.Locked {
		r.CNLowDB = math.NaN() // it is the lowest while locked
	}
	if v.Channel.System != "" {
		r.System = v.Channel.System
	}
	return r, nil
}

// load reads one row again.
func (s *Source) load(at row) (reception.Reading, error) {
	rest := io.NewSectionReader(s.file, at.offset, 1<<21)
	rd, err := exchange.ReadReadings(io.MultiReader(bytes.NewReader(s.header), rest), exchange.ReadOptions{Region: s.o.Region})
	if err != nil {
		return reception.Reading{}, fmt.Errorf("file has changed: %w", err)
	}
	for r, err := range rd.Rows() {
		if err == nil && r.Reading.Time != at.ms {
			err = errors.New("another reading is there now")
		}
		if err != nil {
			return reception.Reading{}, fmt.Errorf("file has changed: %w", err)
		}
		return r.Reading, nil
	}
	return reception.Reading{}, errors.New("file has changed: it is shorter now")
}

// channels lists the record's channels for people, the first few.
func (s *Source) channels() string {
	var hz []int64
	for c := range s.rows {
		hz = append(hz, c.hz)
	}
	slices.Sort(hz)
	hz = slices.Compact(hz)
	var out []string
	for _, f := range hz[:min(len(hz), 12)] {
		out = append(out, fmt.Sprintf("%d", f))
	}
	if len(hz) > 12 {
		out = append(out, "...")
	}
	return strings.Join(out, " ") + " Hz"
}

// Close may be called twice.
func (s *Source) Close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	return s.file.Close()
}
