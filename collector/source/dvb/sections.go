//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"path"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector/psi"
)

// Requests of linux/dvb/dmx.h that do not depend on the width of a pointer.
const (
	dmxSetFilter     = 0x403c6f2b
	dmxSetBufferSize = 0x6f2d // its argument is a number, no pointer

	dmxImmediateStart = 4
)

// sectionBuffer holds the sections of a table until the end of a dwell: a PAT of 100
// bytes ten times a second for four minutes. When the kernel's buffer is full it loses
// all that is in it.
const sectionBuffer = 256 << 10

// sectionFilter is struct dmx_sct_filter_params.
type sectionFilter struct {
	PID     uint16
	Filter  [16]byte // of the table's first byte and of those behind the length
	Mask    [16]byte
	Mode    [16]byte
	Timeout uint32
	Flags   uint32
}

var _ [60]byte = [unsafe.Sizeof(sectionFilter{})]byte{}

// A table is where its sections are found.
type table struct {
	pid uint16
	id  byte
}

var (
	tablePAT = table{psi.PIDPAT, psi.TablePAT}
	tableSDT = table{psi.PIDSDT, psi.TableSDT}
	tableNIT = table{psi.PIDNIT, psi.TableNIT}
	tableVCT = table{psi.PIDVCT, psi.TableVCT}
)

// identityTables are those that a system's identity is read from.
func identityTables(s reception.System) []table {
	if s == reception.DVBT || s == reception.DVBT2 {
		return []table{tablePAT, tableSDT}
	}
	return []table{tablePAT}
}

// nameTables are those that names are read from, beside.
func nameTables(s reception.System) []table {
	if s == reception.ATSC1 {
		return []table{tablePAT, tableVCT}
	}
	return []table{tablePAT, tableSDT, tableNIT}
}

// An ear gathers the sections of some tables from the demultiplexer that belongs to a
// frontend. It takes nothing from whoever else reads there.
type ear struct {
	k      kernel
	fds    []int
	tables []table
	reader psi.Reader
	buf    []byte
}

// listen begins to gather. The error says why nothing can be heard.
func listen(k kernel, node string, tables []table, c psi.Coding) (*ear, error) {
	e := &ear{k: k, tables: tables, reader: psi.Reader{Coding: c}, buf: make([]byte, psi.MaxSection)}
	demux, err := openDemux(k, node)
	for i, t := range tables {
		if err != nil {
			break
		}
		if i > 0 {
			demux, err = openDemux(k, node)
		}
		if err == nil {
			e.fds = append(e.fds, demux)
			err = e.filter(demux, t)
		}
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("listen to the transport stream of %s: %w", node, err), e.close())
	}
	return e, nil
}

// openDemux opens the demultiplexer with the frontend's number, or the first: frontends
// that share one have no others.
func openDemux(k kernel, node string) (int, error) {
	_, n := numbers(node)
	dir := path.Dir(node)
	fd, err := open(k, fmt.Sprintf("%s/demux%d", dir, n), unix.O_RDWR|unix.O_NONBLOCK)
	if n > 0 && errors.Is(err, unix.ENOENT) {
		fd, err = open(k, dir+"/demux0", unix.O_RDWR|unix.O_NONBLOCK)
	}
	return fd, err
}

func (e *ear) filter(fd int, t table) error {
	if err := e.k.ioctlValue(fd, dmxSetBufferSize, sectionBuffer); err != nil {
		return err
	}
	f := sectionFilter{PID: t.pid, Flags: dmxImmediateStart}
	f.Filter[0], f.Mask[0] = t.id, 0xff
	return control(e.k, fd, dmxSetFilter, unsafe.Pointer(&f))
}

// mostSections bounds one taking: more do not fit into the kernel's buffer.
const mostSections = sectionBuffer / 12

// take reads what has come so far. A section that cannot be read is one that was not
// heard.
func (e *ear) take() {
	for _, fd := range e.fds {
		for range mostSections {
			n, err := e.k.read(fd, e.buf)
			if errors.Is(err, unix.EOVERFLOW) { // lost, and it begins anew
				continue
			}
			if err != nil || n <= 0 {
				break
			}
			_ = e.reader.Add(e.buf[:n]) // the reader counts what it refuses
		}
	}
}

// earPoll is how often sections are looked for while nothing else is done.
const earPoll = 100 * time.Millisecond

// takeUntil goes on until every table is whole, or the time is over.
func (e *ear) takeUntil(ctx context.Context, end time.Time) error {
	for {
		e.take()
		whole := true
		for _, t := range e.tables {
			whole = whole && e.reader.Whole(t.id)
		}
		if whole || !time.Now().Before(end) {
			return nil
		}
		if err := sleepUntil(ctx, time.Now().Add(earPoll)); err != nil {
			return err
		}
	}
}

func (e *ear) close() error {
	var err error
	for _, fd := range e.fds {
		if x := e.k.close(fd); x != nil && !isGone(x) {
			err = errors.Join(err, x)
		}
	}
	e.fds = nil
	return err
}
