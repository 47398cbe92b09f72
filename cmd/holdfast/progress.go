package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"holdfast/dashboards"
)

// A progress shows how far a long piece of work has come: one line that is rewritten
// on a terminal, a plain line every few seconds elsewhere.
type progress struct {
	w     io.Writer
	what  string
	size  int64 // bytes in all; 0 if unknown
	tty   bool
	start time.Time

	mu    sync.Mutex
	last  time.Time
	drawn bool
}

const (
	barEvery  = 100 * time.Millisecond
	lineEvery = 5 * time.Second
)

func newProgress(w io.Writer, what string, size int64) *progress {
	f, ok := w.(*os.File)
	now := time.Now()
	return &progress{w: w, what: what, size: size, tty: ok && term.IsTerminal(int(f.Fd())), start: now, last: now}
}

func (p *progress) update(s dashboards.ImportProgress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	every := lineEvery
	if p.tty {
		every = barEvery
	}
	if now.Sub(p.last) < every {
		return
	}
	p.last, p.drawn = now, true
	line := fmt.Sprintf("%s: %d rows", p.what, s.Rows)
	if sec := now.Sub(p.start).Seconds(); s.Rows == 0 && s.Bytes > 0 {
		line = fmt.Sprintf("%s: %d KiB", p.what, s.Bytes>>10)
	} else if sec > 0 {
		line += fmt.Sprintf(", %.0f a second", float64(s.Rows)/sec)
	}
	if p.size > 0 {
		line += fmt.Sprintf(", %d %%", min(100, 100*s.Bytes/p.size))
	}
	if p.tty {
		fmt.Fprintf(p.w, "\r\x1b[K%s", line)
	} else {
		fmt.Fprintln(p.w, line)
	}
}

// done removes the line from a terminal.
func (p *progress) done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.tty && p.drawn {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
