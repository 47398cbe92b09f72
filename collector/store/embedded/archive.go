package embedded

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"slices"
	"sync"

	"holdfast/collector/store/embedded/segment"
)

// A archive hands out files of sealed readings, and keeps the last few open: to open one
// is to read its end, some hundred kilobytes.
//
// A file that is missing, or whose bytes are not those that were written, is set aside:
// it is reported once, and the rest answers. See [Store.strikeAside].
type archive struct {
	disk  disk
	codec *segment.Codec
	log   *slog.Logger
	dir   string

	mu    sync.Mutex
	open  map[int64]*openSegment
	uses  int64
	aside map[int64]bool // by segment id, whether its bytes are damaged
	lines []string       // why, for people
	extra []string       // what else lies there and cannot be read

	columns chan *segment.Columns // free ones
}

type openSegment struct {
	id   int64
	file *segment.File
	r    diskReader
	refs int
	used int64
	gone bool // close it with the last reference
}

const (
	openFiles   = 16
	freeColumns = 3
)

// errAside: the file was set aside; go on without it.
var errAside = errors.New("set aside")

func newArchive(d disk, c *segment.Codec, log *slog.Logger, dir string) *archive {
	return &archive{disk: d, codec: c, log: log, dir: dir, open: map[int64]*openSegment{}, aside: map[int64]bool{},
		columns: make(chan *segment.Columns, freeColumns)}
}

// acquire opens a file, or finds it open. release must follow.
func (l *archive) acquire(seg *segmentRow) (*openSegment, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, ok := l.aside[seg.id]; ok {
		return nil, errAside
	}
	l.uses++
	if o := l.open[seg.id]; o != nil {
		o.refs++
		o.used = l.uses
		return o, nil
	}
	o, err := l.openFile(seg)
	if err != nil {
		return nil, l.judge(seg, err)
	}
	l.open[seg.id] = o
	l.shrink(openFiles)
	return o, nil
}

func (l *archive) openFile(seg *segmentRow) (_ *openSegment, err error) {
	r, err := l.disk.Open(l.path(seg))
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			r.Close()
		}
	}()
	size, err := r.Size()
	if err != nil {
		return nil, err
	}
	if size != seg.bytes {
		return nil, fmt.Errorf("%w: it has %d bytes, not %d", segment.ErrDamaged, size, seg.bytes)
	}
	f, err := segment.Open(r, size, l.codec)
	if err != nil {
		return nil, err
	}
	if f.CRC() != seg.crc {
		return nil, fmt.Errorf("%w: the checksum of its end is wrong", segment.ErrDamaged)
	}
	return &openSegment{id: seg.id, file: f, r: r, refs: 1, used: l.uses}, nil
}

func (l *archive) path(seg *segmentRow) string { return l.dir + "/" + seg.file }

// judge sets a file aside if it is at fault.
func (l *archive) judge(seg *segmentRow, err error) error {
	missing, other := errors.Is(err, fs.ErrNotExist), errors.Is(err, segment.ErrOther)
	if !missing && !other && !errors.Is(err, segment.ErrDamaged) {
		return fmt.Errorf("read %s: %w; look at the disk and at the system's log", l.path(seg), err)
	}
	l.aside[seg.id] = !missing && !other
	line := fmt.Sprintf("%s with %d readings cannot be read (%v); they are left out until a good copy from a backup lies there and holdfast starts again", l.path(seg), seg.rows, err)
	switch {
	case missing:
		line = fmt.Sprintf("%s with %d readings is missing; they are left out until it, or another file with them, is put there from a backup and holdfast starts again", l.path(seg), seg.rows)
	case other:
		line = fmt.Sprintf("%s with %d readings was written by another version of holdfast (%v); it stays where it is, and they are left out until a version that reads it starts", l.path(seg), seg.rows, err)
	}
	l.lines = append(l.lines, line)
	l.log.Warn(line)
	return errAside
}

// damaged sets an open file aside.
func (l *archive) damaged(seg *segmentRow, err error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, ok := l.aside[seg.id]; ok {
		return errAside
	}
	return l.judge(seg, err)
}

func (l *archive) release(o *openSegment) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if o.refs--; o.refs == 0 && o.gone {
		o.r.Close()
	}
}

// shrink closes the files that were not used for longest, down to n, except those in use.
func (l *archive) shrink(n int) {
	for len(l.open) > n {
		var old *openSegment
		for _, o := range l.open {
			if o.refs == 0 && (old == nil || o.used < old.used) {
				old = o
			}
		}
		if old == nil {
			return
		}
		l.drop(old)
	}
}

func (l *archive) drop(o *openSegment) {
	delete(l.open, o.id)
	if o.refs == 0 {
		o.r.Close()
	} else {
		o.gone = true
	}
}

// forget closes a file that left the catalogue once nobody reads it.
func (l *archive) forget(id int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if o := l.open[id]; o != nil {
		l.drop(o)
	}
}

// close closes what is open; files in use follow when they are released.
func (l *archive) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, o := range l.open {
		l.drop(o)
	}
}

// isAside reports whether a file was set aside.
func (l *archive) isAside(seg *segmentRow) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	_, ok := l.aside[seg.id]
	return ok
}

// tell adds a line about a file that is not of the catalogue.
func (l *archive) tell(line string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.extra = append(l.extra, line)
}

// troubles returns why files were set aside, one line each.
func (l *archive) troubles() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.lines)
}

// borrow returns columns to read a group into; giveBack takes them again.
func (l *archive) borrow() *segment.Columns {
	select {
	case c := <-l.columns:
		return c
	default:
		return &segment.Columns{}
	}
}

func (l *archive) giveBack(c *segment.Columns) {
	select {
	case l.columns <- c:
	default:
	}
}

// read reads a group, its times alone if so wanted.
func (l *archive) read(g groupRow, c *segment.Columns, timesAlone bool) error {
	o, err := l.acquire(g.seg)
	if err != nil {
		return err
	}
	defer l.release(o)
	if timesAlone {
		err = o.file.ReadTimes(g.rg, c)
	} else {
		err = o.file.Read(g.rg, c)
	}
	if err == nil && (int64(c.Rows()) != g.n || c.Time(0) != g.t0 || c.Time(c.Rows()-1) != g.t1) {
		err = fmt.Errorf("%w: its group %d is not the one of the catalogue", segment.ErrDamaged, g.rg)
	}
	if err != nil {
		return l.damaged(g.seg, err)
	}
	return nil
}
