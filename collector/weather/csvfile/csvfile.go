// Package csvfile is a source of weather from a CSV file that some other program
// writes and may go on writing. The columns are those of weather imports.
package csvfile

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/weather"
)

// Options say what the rows do not.
type Options struct {
	Source     string  // names rows that name none; "csv" if empty
	DistanceKM float64 // of rows that have none; NaN if not known
}

// A Source returns the rows that were appended since it last looked. A file that
// was replaced, or has become shorter, is read from the start.
type Source struct {
	path string
	o    Options

	file   os.FileInfo // as last read
	header []byte      // its first line
	offset int64       // of what is not read yet
	lines  int64       // before offset
	tail   []byte      // what was read last
}

var _ weather.Source = (*Source)(nil)

const (
	mostHeader = 64 << 10
	// A last line without its end is taken once the file has rested for so long.
	unfinished = time.Minute
	// Bad lines named in one error.
	mostNamed = 3
)

// New returns a source; nothing is read yet.
func New(path string, o Options) (*Source, error) {
	if path == "" {
		return nil, errors.New("weather csv: want a file")
	}
	if o.DistanceKM < 0 {
		return nil, fmt.Errorf("weather csv: distance_km %g is negative", o.DistanceKM)
	}
	if o.Source == "" {
		o.Source = "csv"
	}
	return &Source{path: path, o: o}, nil
}

func (s *Source) String() string { return s.o.Source + " from " + s.path }

// Observe returns the new rows. Bad lines are an error beside the good ones, each
// named once.
func (s *Source) Observe(ctx context.Context) ([]reception.Weather, error) {
	rows, err := s.observe(ctx)
	if err != nil {
		err = fmt.Errorf("weather %s: %w", s, err)
	}
	return rows, err
}

func (s *Source) observe(ctx context.Context) ([]reception.Weather, error) {
	f, err := os.Open(s.path)
	if err != nil {
		return nil, fmt.Errorf("%w; check weather file in the config", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if st.IsDir() {
		return nil, errors.New("is a folder; want a CSV file")
	}
	if err := s.locate(f, st); err != nil {
		return nil, err
	}
	to, err := wholeLines(f, s.offset, st)
	if err != nil || to <= s.offset {
		return nil, err
	}
	var text io.Reader = io.NewSectionReader(f, s.offset, to-s.offset)
	before := int64(0)
	if s.offset > 0 {
		text = io.MultiReader(bytes.NewReader(s.header), text)
		before = s.lines - int64(bytes.Count(s.header, []byte{'\n'})) // the header comes again
	}
	counted := &counter{r: text}
	rows, bad, err := s.read(ctx, counted, before)
	if err != nil {
		return nil, err // the next look reads it again
	}
	s.lines = before + counted.lines
	s.offset, s.file = to, st
	s.tail = make([]byte, min(to, mostTail))
	if _, err := f.ReadAt(s.tail, to-int64(len(s.tail))); err != nil && !errors.Is(err, io.EOF) {
		s.file = nil // read again from the start: nothing enters twice
	}
	if len(bad) > 0 {
		err = errors.New(strings.Join(bad, "; "))
	}
	return rows, err
}

// mostTail is how much of what was read last must still be there. A file that was
// written anew may have the number of the old one, its header, and its length.
const mostTail = 256

// locate goes back to the start if this is another file than last time.
func (s *Source) locate(f *os.File, st os.FileInfo) error {
	if s.file != nil && os.SameFile(s.file, st) && st.Size() >= s.offset {
		head, tail := make([]byte, len(s.header)), make([]byte, len(s.tail))
		_, herr := f.ReadAt(head, 0)
		_, terr := f.ReadAt(tail, s.offset-int64(len(tail)))
		if herr == nil && (terr == nil || errors.Is(terr, io.EOF)) && bytes.Equal(head, s.header) && bytes.Equal(tail, s.tail) {
			return nil
		}
	}
	s.file, s.offset, s.lines, s.header, s.tail = nil, 0, 0, nil, nil
	head := make([]byte, mostHeader)
	n, err := f.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	for i := range n { // blank lines may come before it
		if head[i] == '\n' && len(bytes.TrimSpace(head[:i])) > 0 {
			s.header = head[:i+1]
			break
		}
	}
	return nil
}

// wholeLines returns the end of the last line that is finished.
func wholeLines(f *os.File, from int64, st os.FileInfo) (int64, error) {
	size := st.Size()
	if time.Since(st.ModTime()) >= unfinished {
		return size, nil
	}
	buf := make([]byte, 4096)
	for end := size; end > from; {
		n := min(int64(len(buf)), end-from)
		if _, err := f.ReadAt(buf[:n], end-n); err != nil && !errors.Is(err, io.EOF) {
			return 0, err
		}
		if i := bytes.LastIndexByte(buf[:n], '\n'); i >= 0 {
			return end - n + int64(i) + 1, nil
		}
		end -= n
	}
	return from, nil
}

// read returns the rows of a text whose first line is line before+1 of the file,
// and what is wrong with the first few bad ones. An error is of the whole text.
func (s *Source) read(ctx context.Context, text io.Reader, before int64) (rows []reception.Weather, bad []string, err error) {
	rd, err := exchange.ReadWeather(text, s.o.Source)
	if err != nil {
		return nil, nil, err
	}
	more := 0
	for row, err := range rd.Rows() {
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		le, ok := errors.AsType[*exchange.LineError](err)
		switch {
		case err == nil:
			if math.IsNaN(row.Weather.DistanceKM) {
				row.Weather.DistanceKM = s.o.DistanceKM
			}
			rows = append(rows, row.Weather)
		case !ok:
			return nil, nil, err
		case len(bad) < mostNamed:
			bad = append(bad, fmt.Sprintf("line %d: %s", le.Line+before, le.Reason))
		default:
			more++
		}
	}
	if more > 0 {
		bad = append(bad, fmt.Sprintf("and %d more bad lines", more))
	}
	slices.SortStableFunc(rows, func(a, b reception.Weather) int { return cmp.Compare(a.Time, b.Time) })
	return rows, bad, nil
}

// A counter counts the lines that went through it.
type counter struct {
	r     io.Reader
	lines int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.lines += int64(bytes.Count(p[:n], []byte{'\n'}))
	return n, err
}
