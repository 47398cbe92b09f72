package exchange

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Longest record, quoted line feeds included. A reading of every column with
// ordinary names is about 250 bytes.
const maxRecord = 1 << 20

// A scanner splits a file into records and fields without allocating. It reads the
// language of encoding/csv (which is the oracle of its test) with three
// differences: blanks around an unquoted field are cut, line ends inside quotes
// stay as they are, and after a broken record it goes on at the physical line
// after the one on which that record began, so that a stray quote costs one line
// and not the rest of the file.
type scanner struct {
	r          io.Reader
	buf        []byte
	start, end int // what is read and not yet used
	eof        bool
	readErr    error

	want   int   // fields of a record; 0: any number
	line   int64 // physical line of buf[start]
	pos    int64 // its place in the file, bytes
	began  int64 // place of the record that next returned
	fields [][]byte
	quoted []byte // unescaped text of quoted fields
	fills  int    // times that buf was filled, which moves what it holds
}

func newScanner(r io.Reader) *scanner {
	return &scanner{r: r, buf: make([]byte, 64<<10), line: 1}
}

// fill reads more; it reports whether there is more to look at.
func (s *scanner) fill() bool {
	if s.eof {
		return false
	}
	s.fills++
	if s.start > 0 {
		copy(s.buf, s.buf[s.start:s.end])
		s.start, s.end = 0, s.end-s.start
	}
	if s.end == len(s.buf) {
		s.buf = append(s.buf, make([]byte, len(s.buf))...)
	}
	for range 100 { // readers may return nothing now and then
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		if err != nil {
			s.eof = true
			if err != io.EOF {
				s.readErr = err
			}
		}
		if n > 0 || err != nil {
			return n > 0
		}
	}
	s.eof, s.readErr = true, io.ErrNoProgress
	return false
}

// next returns the next record that is not a blank line, and the line on which it
// begins. The fields are valid until the call after. A *LineError leaves the
// scanner usable; io.EOF or an error of the reader ends it.
func (s *scanner) next() (fields [][]byte, line int64, err error) {
	for {
		line, s.began = s.line, s.pos
		text, ok := s.physical(0)
		if !ok {
			if s.readErr != nil {
				return nil, line, fmt.Errorf("read line %d: %w", line, s.readErr)
			}
			return nil, line, io.EOF
		}
		if len(text) > maxRecord {
			s.skipLine()
			return nil, line, &LineError{line, fmt.Sprintf("is longer than %d bytes; is this a CSV file?", maxRecord)}
		}
		if len(trim(cutEnd(text))) == 0 {
			s.advance(len(text), 1)
			continue
		}
		n, lines, err := s.split(text)
		if got := len(s.fields); err == nil && s.want > 0 && got != s.want {
			err = wrongFields(got, s.want)
			if lines > 1 {
				err = fmt.Errorf(`%w; a quote (") runs over %d lines here`, err, lines)
			}
		}
		if err != nil {
			first, _ := s.physical(0)
			s.advance(len(first), 1)
			return nil, line, &LineError{line, err.Error()}
		}
		s.advance(n, lines)
		return s.fields, line, nil
	}
}

func (s *scanner) advance(n int, lines int64) {
	s.start += n
	s.pos += int64(n)
	s.line += lines
}

// physical returns the text from offset from of what is unused up to and with the
// next line feed, or what there is if the file ends or the text grows too long.
func (s *scanner) physical(from int) ([]byte, bool) {
	seen := from
	for {
		if i := bytes.IndexByte(s.buf[s.start+seen:s.end], '\n'); i >= 0 {
			return s.buf[s.start+from : s.start+seen+i+1], true
		}
		seen = s.end - s.start
		if seen > maxRecord || !s.fill() {
			return s.buf[s.start+from : s.end], s.end-s.start > from
		}
	}
}

// skipLine drops a line that is too long to be held.
func (s *scanner) skipLine() {
	for {
		if i := bytes.IndexByte(s.buf[s.start:s.end], '\n'); i >= 0 {
			s.advance(i+1, 1)
			return
		}
		s.advance(s.end-s.start, 0)
		if !s.fill() {
			return
		}
	}
}

var (
	errOpenQuote = errors.New(`a quote (") is opened and not closed again; double quotes inside a field, or remove them`)
	errBareQuote = errors.New(`a quote (") stands inside a field; put the field in quotes and double the inner ones`)
)

// split cuts the record that begins with the physical line text into s.fields and
// returns its length and number of lines.
func (s *scanner) split(text []byte) (n int, lines int64, err error) {
	s.fields, s.quoted = s.fields[:0], s.quoted[:0]
	body := cutEnd(text)
	if bytes.IndexByte(body, '"') < 0 {
		s.fields = cut(s.fields, body)
		return len(text), 1, nil
	}
	n, lines = len(text), 1
	rest := body
	for {
		rest = trimLeft(rest)
		if len(rest) == 0 || rest[0] != '"' {
			i := bytes.IndexByte(rest, ',')
			f := rest
			if i >= 0 {
				f = rest[:i]
			}
			if bytes.IndexByte(f, '"') >= 0 {
				return 0, 0, errBareQuote
			}
			s.fields = append(s.fields, trim(f))
			if i < 0 {
				return n, lines, nil
			}
			rest = rest[i+1:]
			continue
		}
		rest = rest[1:]
		from := len(s.quoted)
		for {
			i := bytes.IndexByte(rest, '"')
			if i >= 0 {
				s.quoted = append(s.quoted, rest[:i]...)
				rest = rest[i+1:]
				if len(rest) > 0 && rest[0] == '"' {
					s.quoted = append(s.quoted, '"')
					rest = rest[1:]
					continue
				}
				break
			}
			// The field goes on in the next line; the line end belongs to it.
			s.quoted = append(s.quoted, rest...)
			s.quoted = append(s.quoted, text[len(cutEnd(text)):]...)
			fills := s.fills
			more, ok := s.physical(n)
			if !ok || n+len(more) > maxRecord {
				return 0, 0, errOpenQuote
			}
			if s.fills != fills { // text and the fields so far have moved
				first, _ := s.physical(0)
				return s.split(first)
			}
			text = more
			n += len(more)
			lines++
			rest = cutEnd(text)
		}
		// s.quoted may move when it grows: earlier fields keep the old array, which
		// stays as it was.
		s.fields = append(s.fields, s.quoted[from:len(s.quoted):len(s.quoted)])
		rest = trimLeft(rest)
		if len(rest) == 0 {
			return n, lines, nil
		}
		if rest[0] != ',' {
			return 0, 0, errBareQuote
		}
		rest = rest[1:]
	}
}

// count writes a number with its noun.
func count(n int64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// cutEnd drops a line end.
func cutEnd(b []byte) []byte {
	if n := len(b); n > 0 && b[n-1] == '\n' {
		b = b[:n-1]
	}
	if n := len(b); n > 0 && b[n-1] == '\r' {
		b = b[:n-1]
	}
	return b
}

func blank(c byte) bool { return c == ' ' || c == '\t' }

func trimLeft(b []byte) []byte {
	for len(b) > 0 && blank(b[0]) {
		b = b[1:]
	}
	return b
}

func trim(b []byte) []byte {
	b = trimLeft(b)
	for len(b) > 0 && blank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}
