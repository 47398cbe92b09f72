package exchange

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"unicode/utf8"

	"holdfast/analysis/reception"
)

// A form is one kind of file: its name and the columns it may have. A column's
// place in the list is its number.
type form struct {
	name    string
	columns []string
	example string // a header line that would do
}

// A sheet is a file whose header has been read.
type sheet struct {
	form
	sc      *scanner
	columns []int  // number of the column at each place
	has     []bool // by number of the column
	rows    int64  // records seen, bad ones too
	texts
}

// open reads the header. Errors are of the whole file, one line each.
func (f form) open(r io.Reader) (*sheet, error) {
	sc := newScanner(r)
	if err := sc.preamble(); err != nil {
		return nil, fmt.Errorf("%s: %w", f.name, err)
	}
	fields, line, err := sc.next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("%s: file is empty; its first line must name the columns, such as %s", f.name, f.example)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", f.name, err)
	}
	s := &sheet{form: f, sc: sc, has: make([]bool, len(f.columns))}
	if err := s.header(fields); err != nil {
		return nil, fmt.Errorf("%s: line %d: %w", f.name, line, err)
	}
	sc.want = len(fields)
	return s, nil
}

// preamble looks at the first bytes: what is not UTF-8 text is named for what it is.
func (s *scanner) preamble() error {
	for s.end-s.start < 4 && s.fill() {
	}
	b := s.buf[s.start:s.end]
	switch {
	case bytes.HasPrefix(b, []byte("\xef\xbb\xbf")):
		s.advance(3, 0)
	case bytes.HasPrefix(b, []byte("\xff\xfe")), bytes.HasPrefix(b, []byte("\xfe\xff")),
		len(b) >= 2 && (b[0] == 0) != (b[1] == 0):
		return errors.New("file is UTF-16 text; save it as UTF-8")
	case bytes.HasPrefix(b, []byte("\x1f\x8b")):
		return errors.New("file is compressed with gzip; unpack it first")
	case bytes.HasPrefix(b, []byte("PK\x03\x04")):
		return errors.New("file is a spreadsheet or zip archive; save the sheet as CSV, UTF-8")
	}
	return nil
}

func (s *sheet) header(fields [][]byte) error {
	for _, f := range fields {
		if !utf8.Valid(f) || bytes.IndexByte(f, 0) >= 0 {
			return errors.New("is not UTF-8 text; save the file as CSV, UTF-8")
		}
	}
	if len(fields) == 1 {
		for _, sep := range []struct{ sign, name string }{{";", "semicolons"}, {"\t", "tabs"}, {"|", "bars"}} {
			if bytes.Contains(fields[0], []byte(sep.sign)) {
				return fmt.Errorf("columns are separated by %s; want commas, and points as decimal marks", sep.name)
			}
		}
	}
	for _, f := range fields {
		if bytes.IndexByte(f, '\r') >= 0 {
			return errors.New("lines end in carriage returns alone; save the file with line feeds")
		}
	}
	if len(fields[0]) > 0 && fields[0][0] >= '0' && fields[0][0] <= '9' {
		return fmt.Errorf("holds values; the first line must name the columns, such as %s", s.example)
	}
	for i, f := range fields {
		name := strings.ToLower(string(f))
		if name == "" {
			return fmt.Errorf("column %d has no name; name it or remove it", i+1)
		}
		n := slices.Index(s.form.columns, name)
		if n < 0 {
			return s.unknown(name, fields)
		}
		if s.has[n] {
			return fmt.Errorf("column %q is there twice", name)
		}
		s.has[n] = true
		s.columns = append(s.columns, n)
	}
	return nil
}

// unknown says what to do about a column that the form does not have.
func (s *sheet) unknown(name string, fields [][]byte) error {
	for _, f := range forms() {
		if !slices.ContainsFunc(fields, func(b []byte) bool { return !slices.Contains(f.columns, strings.ToLower(string(b))) }) {
			return fmt.Errorf("these are the columns of %s, not of %s", f.name, s.name)
		}
	}
	hint := ""
	if n := nearest(name, s.form.columns); n != "" {
		hint = fmt.Sprintf("did you mean %q? ", n)
	}
	return fmt.Errorf("column %q is not known; %srename or remove it (known: %s)", clip(name), hint, strings.Join(s.form.columns, " "))
}

// need refuses a file that has none of the columns.
func (s *sheet) need(names ...string) error {
	for _, n := range names {
		if s.has[slices.Index(s.form.columns, n)] {
			return nil
		}
	}
	if len(names) == 1 {
		return fmt.Errorf("%s: line 1: column %q is missing", s.name, names[0])
	}
	return fmt.Errorf("%s: line 1: one of the columns %s is missing; give at least one", s.name, strings.Join(names, ", "))
}

// texts makes each distinct text a string once.
type texts struct {
	near [64]string // the latest one at each place, by a few of its bytes
	all  map[string]string
}

// text returns a field as a string.
func (t *texts) text(b []byte) (string, error) {
	if len(b) == 0 {
		return "", nil
	}
	near := &t.near[(len(b)+int(b[0])*7+int(b[len(b)-1])*31)%len(t.near)]
	if string(b) == *near {
		return *near, nil
	}
	if v, ok := t.all[string(b)]; ok {
		*near = v
		return v, nil
	}
	if len(b) > maxName {
		return "", fmt.Errorf("is longer than %d bytes", maxName)
	}
	if !utf8.Valid(b) {
		return "", errors.New("is not UTF-8 text; save the file as CSV, UTF-8")
	}
	v := string(b)
	if t.all == nil {
		t.all = map[string]string{}
	}
	if len(t.all) < maxNames {
		t.all[v] = v
	}
	return v, nil
}

// Longest name or note, and how many distinct ones are remembered.
const (
	maxName  = 4096
	maxNames = 10000
)

// bad wraps what is wrong with a field of a line. Joined errors become one line.
func bad(line int64, column string, err error) *LineError {
	what := strings.ReplaceAll(err.Error(), "\n", "; ")
	if column != "" {
		what = column + " " + what
	}
	return &LineError{line, what}
}

// clip shortens what is shown of a field.
func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

// nearest returns the name at the smallest Levenshtein distance, the first of
// equals, or "" if more than half of the letters would have to change.
func nearest(s string, names []string) string {
	s = clip(s)
	best, at := len(s)/2+1, ""
	for _, n := range names {
		if d := distance(s, n); d < best {
			best, at = d, n
		}
	}
	return at
}

// distance is the Levenshtein distance in bytes (V. I. Levenshtein, Soviet Physics
// Doklady 10 (1966) 707-710), by the usual two rows.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := diag
			if a[i] != b[j] {
				d = 1 + min(diag, row[j], row[j+1])
			}
			diag, row[j+1] = row[j+1], d
		}
	}
	return row[len(b)]
}

// notices are counted by kind: one line for each, with the number of rows.
type notices []notice

type notice struct {
	text        string // with one %s, where the number of rows will stand
	rows, first int64
}

// add counts rows under a text, of which the first stands on a line.
func (n *notices) add(text string, rows, line int64) {
	for i := range *n {
		if (*n)[i].text == text {
			(*n)[i].rows += rows
			return
		}
	}
	*n = append(*n, notice{text, rows, line})
}

// take adds what another one counted in later lines, and empties it.
func (n *notices) take(later *notices) {
	for _, x := range *later {
		n.add(x.text, x.rows, x.first)
	}
	*later = (*later)[:0]
}

// lines are in the order of the first rows that they speak of.
func (n notices) lines() []string {
	n = slices.Clone(n)
	slices.SortStableFunc(n, func(a, b notice) int { return cmp.Compare(a.first, b.first) })
	var out []string
	for _, x := range n {
		out = append(out, fmt.Sprintf("%s (first on line %d)", fmt.Sprintf(x.text, count(x.rows, "row")), x.first))
	}
	return out
}

// rows yields the records of a sheet through a function that fills a row.
func rows[T any](s *sheet, fill func(row *T, fields [][]byte, line int64) error) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var row, zero T
		for {
			fields, line, err := s.sc.next()
			if errors.Is(err, io.EOF) {
				return
			}
			s.rows++
			if err == nil {
				row = zero
				err = fill(&row, fields, line)
			}
			if err == nil {
				if !yield(row, nil) {
					return
				}
				continue
			}
			_, goOn := errors.AsType[*LineError](err)
			if !yield(zero, err) || !goOn {
				return
			}
		}
	}
}

func (s *sheet) empty() []string {
	if s.rows == 0 {
		return []string{s.name + ": there is no row after the first line"}
	}
	return nil
}

func inTime(ms, line int64) error {
	if ms == 0 {
		return bad(line, "time", errNoTime)
	}
	if ms < reception.EarliestMS || ms > reception.LatestMS {
		return bad(line, "time", errors.New("is not between the years 2000 and 2100"))
	}
	return nil
}
