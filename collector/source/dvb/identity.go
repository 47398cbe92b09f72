//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/psi"
)

// Identity is read within the dwell, from what the demultiplexer gathers meanwhile, and
// costs no tuner time. DVB has the PAT every 500 ms at most and the SDT every 2 s (ETSI
// TR 101 290, 5.2.1 and 5.2.3), ATSC the PAT every 100 ms (A/53, from memory): a dwell of
// 5 s, as is the default, sees all of them, unless reception is so bad that none comes
// through. What was not read is empty. Listening begins when the tuner has settled, so
// that no section of the channel before is left in its pipe.

// names asks a visit for the names too.
type names struct {
	coding psi.Coding
	heard  psi.Heard
}

// namesWithin is how long names are waited for, from the start of the dwell. A/65 has the
// VCT every 400 ms (from memory), DVB the SDT every 2 s and the NIT every 10 s at most
// (TR 101 290, 5.2.3); the NIT mostly comes sooner, and is not worth waiting for.
const namesWithin = 5 * time.Second

// hear begins to listen to what is tuned; nil if that cannot be. That is said once.
func (s *Source) hear(f *frontend, sys reception.System) *ear {
	tables, coding := identityTables(sys), psi.CodingDVB
	if s.names != nil {
		tables, coding = nameTables(sys), s.names.coding
	}
	e, err := listen(s.kernel, f.node, tables, coding)
	switch {
	case err == nil:
		s.deaf = false
		return e
	case s.deaf:
	case errors.Is(err, unix.ENOENT):
		s.o.Log.Debug("the tuner has no demultiplexer: which transmitter is received is not known", "device", f.node)
	default:
		s.o.Log.Warn("which transmitter is received cannot be read; reception is measured all the same. See that holdfast may open the demux device beside the tuner's frontend",
			"device", f.node, "error", err)
	}
	s.deaf = true
	return nil
}

// heardOf puts what was heard into a reading.
func (s *Source) heardOf(ctx context.Context, f *frontend, e *ear, r *reception.Reading, start time.Time) error {
	if e == nil {
		return nil
	}
	end := start
	if s.names != nil && r.Locked {
		end = start.Add(namesWithin)
	}
	if err := e.takeUntil(ctx, end); err != nil {
		return err
	}
	h := e.reader.Heard()
	r.Identity = h.Identity(r.System)
	s.noteSilence(f, e, r)
	if s.names != nil {
		s.names.heard = h
	}
	return nil
}

// silent visits in a row are said: a tuner that locks and gives no packets is useless to
// viewers, and its figures do not show it.
const silent = 3

// noteSilence compares lock with what came of the stream. A second of dwell has two PATs
// and more (see above); damaged sections are packets too.
func (s *Source) noteSilence(f *frontend, e *ear, r *reception.Reading) {
	switch {
	case e.reader.Any():
		if s.silence >= silent {
			s.o.Log.Info("a transport stream comes from the tuner again", "device", f.node)
		}
		s.silence = 0
	case r.Locked && r.LockedMS == r.DwellMS && r.ErroredS == 0:
		if s.silence++; s.silence == silent {
			s.o.Log.Warn("the tuner locks without errors, and no transport stream comes from it: unplug it and plug it in again; until then nobody can watch by it",
				"device", f.node, "frequency_hz", r.FrequencyHz)
		}
	}
}

// visitNames is a visit that also waits for the names of what it receives.
func (s *Source) visitNames(ctx context.Context, v collector.Visit, c psi.Coding) (reception.Reading, psi.Heard, error) {
	n := &names{coding: c, heard: psi.Heard{Stream: -1, Origin: -1}}
	s.names = n
	r, err := s.Visit(ctx, v)
	if errors.Is(err, collector.ErrHung) { // its goroutine is still at it
		return r, psi.Heard{Stream: -1, Origin: -1}, err
	}
	s.names = nil
	return r, n.heard, err
}
