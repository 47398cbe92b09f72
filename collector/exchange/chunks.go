package exchange

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"runtime"
	"sync"

	"holdfast/analysis/reception"
)

// A Chunk is a run of lines of a readings file.
type Chunk struct {
	Readings []reception.Reading // of the good lines, in their order
	Lines    []int64             // of each reading
	Bad      []*LineError        // the other lines
}

// Sizes of chunks: text that is read at once (some thousand lines), and records of a
// chunk that begins with a quote.
const (
	chunkBytes   = 128 << 10
	quotedAtOnce = 256
)

// Chunks yields the rows in the order of the file, as Rows does, many at once: for
// imports. Parsing is spread over the cores, a few chunks ahead of what is yielded. A
// chunk is valid until the next one. An error is of the underlying reader and the last
// pair; the chunk before it holds all that was read.
//
// What Installations, Scales and Warnings tell is of the chunks so far.
func (rd *Readings) Chunks() iter.Seq2[Chunk, error] {
	return func(yield func(Chunk, error) bool) {
		work := make(chan *chunk)
		var workers sync.WaitGroup
		defer workers.Wait()
		defer close(work)
		n := runtime.GOMAXPROCS(0)
		for range n {
			workers.Go(func() {
				for c := range work {
					c.lines()
					c.done <- struct{}{}
				}
			})
		}
		var ahead, idle []*chunk
		for range n + 2 {
			idle = append(idle, &chunk{parser: newParser(rd.s.columns, rd.o), done: make(chan struct{}, 1)})
		}
		more := true
		for more || len(ahead) > 0 {
			for more && len(idle) > 0 {
				c := idle[len(idle)-1]
				idle = idle[:len(idle)-1]
				more = rd.read(c, work)
				ahead = append(ahead, c)
			}
			c := ahead[0]
			ahead = append(ahead[:0], ahead[1:]...)
			<-c.done
			rd.settleAll(c)
			if len(c.Lines)+len(c.Bad) > 0 && !yield(c.Chunk, nil) {
				return
			}
			if c.err != nil {
				yield(Chunk{}, c.err)
				return
			}
			idle = append(idle, c)
		}
	}
}

// A chunk is some lines of text and what came of them.
type chunk struct {
	parser
	Chunk
	text         []byte // whole lines without a quote
	first        int64  // line of the file
	fields       [][]byte
	installation []string // of each reading
	err          error    // of the reader
	done         chan struct{}
}

// read fills a chunk with the next lines and has them parsed: lines without a quote by
// the workers, others at once, since only reading on tells where their records end. It
// reports whether there is more.
func (rd *Readings) read(c *chunk, work chan<- *chunk) bool {
	c.Chunk = Chunk{c.Readings[:0], c.Lines[:0], nil}
	c.installation, c.text = c.installation[:0], c.text[:0]
	s := rd.s.sc
	if text := s.plain(); len(text) > 0 {
		c.text, c.first = append(c.text, text...), s.line
		s.advance(len(text), int64(bytes.Count(text, []byte("\n"))))
		work <- c
		return true
	}
	c.done <- struct{}{}
	for range quotedAtOnce {
		fields, line, err := s.next()
		if err == io.EOF {
			return false
		}
		fault, isLine := errors.AsType[*LineError](err)
		switch {
		case isLine:
			c.Bad = append(c.Bad, fault)
		case err != nil:
			c.err = err
			return false
		default:
			c.record(fields, line)
		}
	}
	return true
}

// plain returns the whole lines among those read ahead that come before the first
// quote. There are none where the next line has one, is longer than what is read at
// once, or is the last and has no end.
func (s *scanner) plain() []byte {
	if len(s.buf) < chunkBytes {
		s.buf = append(s.buf, make([]byte, chunkBytes-len(s.buf))...)
	}
	for s.end-s.start < chunkBytes && s.fill() {
	}
	b := s.buf[s.start:s.end]
	if i := bytes.IndexByte(b, '"'); i >= 0 {
		b = b[:i]
	}
	return b[:bytes.LastIndexByte(b, '\n')+1]
}

// lines parses the text of a chunk.
func (c *chunk) lines() {
	line, text := c.first, c.text
	for ; len(text) > 0; line++ {
		n := bytes.IndexByte(text, '\n')
		if body := cutEnd(text[:n+1]); len(trim(body)) > 0 {
			c.fields = cut(c.fields[:0], body)
			if got := len(c.fields); got != len(c.columns) {
				c.Bad = append(c.Bad, &LineError{line, wrongFields(got, len(c.columns)).Error()})
			} else {
				c.record(c.fields, line)
			}
		}
		text = text[n+1:]
	}
}

// record parses one record.
func (c *chunk) record(fields [][]byte, line int64) {
	n := len(c.Readings)
	if n == cap(c.Readings) {
		c.Readings = append(c.Readings, reception.Reading{})
	}
	c.Readings = c.Readings[:n+1]
	installation := ""
	if err := c.parse(&c.Readings[n], &installation, fields, line); err != nil {
		c.Readings = c.Readings[:n]
		c.Bad = append(c.Bad, err)
		return
	}
	c.Lines, c.installation = append(c.Lines, line), append(c.installation, installation)
}

// settleAll does to a chunk what depends on the rows before it.
func (rd *Readings) settleAll(c *chunk) {
	rd.s.rows += int64(len(c.Lines) + len(c.Bad))
	rd.n.take(&c.n)
	rd.looks.take(&c.looks)
	for i := range c.Readings {
		rd.settle(&c.Readings[i], c.installation[i], c.Lines[i])
	}
}

func wrongFields(got, want int) error {
	return fmt.Errorf("has %s, the first line names %d", count(int64(got), "field"), want)
}

// cut appends the fields of a line without quotes to dst.
func cut(dst [][]byte, line []byte) [][]byte {
	from := 0
	for i, c := range line {
		if c == ',' {
			dst = append(dst, trim(line[from:i]))
			from = i + 1
		}
	}
	return append(dst, trim(line[from:]))
}
