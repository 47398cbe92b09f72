package dvb

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/psi"
)

const (
	// scanLockWait: demodulators take 0.2 to 2 s to lock (from memory).
	scanLockWait = 3 * time.Second
	scanDwell    = time.Second
	// scanPatience is how long a pass waits in all for a tuner that was taken meanwhile.
	scanPatience = 20 * time.Second
	scanRetry    = 2 * time.Second
)

// ScanOptions say what to look for.
type ScanOptions struct {
	// Channels to try, such as Raster gives. Several systems of one frequency follow each
	// other; the first that locks ends them.
	Channels []reception.Channel
	Region   reception.Region // says how ISDB-T codes names
	LockWait time.Duration    // on each frequency and system; 3 s if 0
	// Progress, if set, is told before each frequency and after it, and when the scan
	// waits for the tuner. It must return soon.
	Progress func(ScanStep)
}

// A ScanStep tells how far a scan is.
type ScanStep struct {
	Done, Total int               // frequencies
	Channel     reception.Channel // the one that is being tried, or was
	Waiting     error             // why the tuner cannot be had just now, if it cannot
	Result      *Scanned          // of a frequency that is finished
}

// A Scanned is what a scan found on one frequency.
type Scanned struct {
	// Channel is as tried, with the system that locked, and with Name, Screen and Identity
	// as far as they were read; if none locked, the first system tried.
	Channel reception.Channel
	// Reading has lock, level, C/N and mode as of a visit of a second.
	Reading  reception.Reading
	Services []psi.Service // programmes, by number
	Network  string        // its name
	Note     string        // why names are empty, where their coding is not read
	Took     time.Duration
	// Err: the frequency was not tried. It wraps collector.ErrBusy, ErrGone or ErrChannel.
	Err error
}

// Locked reports whether there is a channel.
func (s Scanned) Locked() bool { return s.Err == nil && s.Reading.Locked }

// Raster lists a region's channels for a scan, ascending, for those of the wanted
// systems; nil means the ones that are in use there. Europe has DVB-T2 and DVB-T side
// by side.
func Raster(r reception.Region, want []reception.System) []reception.Channel {
	if want == nil {
		want = []reception.System{r.DefaultSystem()}
		if r == reception.RegionEurope {
			want = append(want, reception.DVBT)
		}
	}
	var out []reception.Channel
	for _, rf := range r.RFNumbers() {
		hz, bw, err := r.CentreHz(rf)
		if err != nil {
			continue
		}
		for _, s := range want {
			out = append(out, reception.Channel{FrequencyHz: hz, RF: rf, System: s, BandwidthHz: bw, Wanted: true})
		}
	}
	return out
}

// Scan tries channels with one tuner. It has the tuner for the seconds that a frequency
// takes and gives it back after each. A tuner that is taken or unplugged meanwhile is
// waited for, up to 20 s in all; then the other frequencies are tried, and those that
// were missed once more at the end.
//
// It returns what was found, in the order of so.Channels, also with an error: that of
// ctx, or why the tuner could not be used at all.
func Scan(ctx context.Context, o Options, so ScanOptions) ([]Scanned, error) {
	s, err := New(o)
	if err != nil {
		return nil, err
	}
	out, err := scan(ctx, s, so)
	return out, errors.Join(err, s.Close())
}

type scanner struct {
	s        *Source
	so       ScanOptions
	sites    [][]reception.Channel // by frequency
	results  []*Scanned
	done     int
	patience time.Duration
}

func scan(ctx context.Context, s *Source, so ScanOptions) ([]Scanned, error) {
	if so.LockWait == 0 {
		so.LockWait = scanLockWait
	}
	c := scanner{s: s, so: so}
	for _, ch := range so.Channels {
		if n := len(c.sites); n > 0 && c.sites[n-1][0].FrequencyHz == ch.FrequencyHz {
			c.sites[n-1] = append(c.sites[n-1], ch)
		} else {
			c.sites = append(c.sites, []reception.Channel{ch})
		}
	}
	c.results = make([]*Scanned, len(c.sites))
	err := c.run(ctx)
	var out []Scanned
	tried := false
	var last error
	for _, r := range c.results {
		if r == nil {
			continue
		}
		out = append(out, *r)
		tried = tried || r.Err == nil || errors.Is(r.Err, collector.ErrChannel)
		last = r.Err
	}
	if err == nil && !tried && last != nil {
		err = fmt.Errorf("no frequency could be tried: %w", last)
	}
	return out, err
}

// run makes two passes: the second takes what the first could not try.
func (c *scanner) run(ctx context.Context) error {
	for range 2 {
		c.patience = scanPatience
		for i := range c.sites {
			if r := c.results[i]; r != nil && !missed(r.Err) {
				continue
			}
			if err := c.site(ctx, i); err != nil {
				return err
			}
		}
	}
	return nil
}

func missed(err error) bool { return err != nil && !errors.Is(err, collector.ErrChannel) }

// site tries one frequency. An error ends the scan.
func (c *scanner) site(ctx context.Context, i int) error {
	first := c.sites[i][0]
	c.tell(ScanStep{Channel: first})
	start := time.Now()
	for {
		r := c.systems(ctx, c.sites[i])
		r.Took = time.Since(start)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(r.Err, collector.ErrHung), errors.Is(r.Err, fs.ErrPermission):
			return r.Err
		case missed(r.Err) && c.patience > 0:
			c.tell(ScanStep{Channel: first, Waiting: r.Err})
			c.patience -= scanRetry
			t := time.NewTimer(scanRetry)
			select {
			case <-ctx.Done():
				t.Stop()
				return ctx.Err()
			case <-t.C:
			}
			continue
		}
		if c.results[i] == nil {
			c.done++
		}
		c.results[i] = &r
		c.tell(ScanStep{Channel: r.Channel, Result: &r})
		return nil
	}
}

// systems tries the systems of a frequency one after the other.
func (c *scanner) systems(ctx context.Context, chs []reception.Channel) Scanned {
	var first Scanned
	for i, ch := range chs {
		r := c.one(ctx, ch)
		if r.Locked() || missed(r.Err) {
			return r
		}
		// what a system that the tuner lacks says is less than what one says that it has
		if i == 0 || first.Err != nil && r.Err == nil {
			first = r
		}
	}
	return first
}

func (c *scanner) one(ctx context.Context, ch reception.Channel) Scanned {
	limited, cancel := context.WithTimeout(ctx, c.so.LockWait+scanDwell+20*time.Second)
	defer cancel()
	out := Scanned{Channel: ch}
	v := collector.Visit{Channel: ch, Dwell: scanDwell, LockWait: c.so.LockWait, Kind: reception.VisitExtra}
	var h psi.Heard
	out.Reading, h, out.Err = c.s.visitNames(limited, v, psi.CodingOf(ch.System, c.so.Region))
	if !out.Locked() {
		return out
	}
	out.Channel.Identity = out.Reading.Identity
	out.Channel.Name, out.Channel.Screen = h.Title()
	out.Services, out.Network, out.Note = h.Services, h.Network, h.Note
	return out
}

func (c *scanner) tell(s ScanStep) {
	if c.so.Progress != nil {
		s.Done, s.Total = c.done, len(c.sites)
		c.so.Progress(s)
	}
}
