//go:build linux

package wholestore

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/intake"
	"holdfast/collector/store/embedded"
)

// loggedFrames returns how many frames the database's log holds: mxFrame in the header of
// the index beside it, https://sqlite.org/walformat.html section 2.1.
func loggedFrames(t *testing.T, dir string) int64 {
	t.Helper()
	index, err := os.ReadFile(filepath.Join(dir, "holdfast.db-shm"))
	if err != nil {
		t.Fatal(err)
	}
	return int64(binary.NativeEndian.Uint32(index[16:]))
}

// frameBytes is what SQLite logs of a page: the page and 24 bytes before it.
const frameBytes = 24 + 4096

// TestBytesLogged counts what the visits of a daemon write to the log, one at a time,
// the marks of hours that open and the tallies of hours that close included, in a store
// with a year behind it. Almost all is the one page that the visits of these minutes lie
// on: whoever makes each append write another page doubles what memory cards bear.
func TestBytesLogged(t *testing.T) {
	t.Parallel()
	const channels, hours, most = 4, 3, 6000 // bytes a visit
	end := int64(week0) + 366*24*hour
	dir := t.TempDir()
	s, err := embedded.Open(t.Context(), dir, embedded.Options{ReserveBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	now := end
	in, err := intake.New(s, s, intake.Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: minute}
		},
		Now: func() time.Time { return time.UnixMilli(now) },
	})
	if err == nil {
		err = in.Recover(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	visit := func(channel, at int64) reception.Reading {
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz, r.TunedHz, r.DwellMS = at+channel*9000, "loft", 473e6+6e6*channel, 473e6+6e6*channel, 5000
		r.Visit, r.System, r.Scale, r.Identity, r.Mode = reception.VisitBase, reception.ATSC1, "plain", "one", "8vsb"
		r.Locked, r.LockedMS, r.LevelDBm, r.CNDB, r.CNLowDB = true, 5000, -51.5+float64(at/minute%40)/10, 24.1, 23.8
		r.UncorrectedBlocks, r.TotalBlocks = 0, 64470+at/minute%3
		return r
	}
	var year []reception.Reading
	for at := int64(week0); at < end; at += hour {
		for c := range int64(channels) {
			year = append(year, visit(c, at))
		}
	}
	if _, err := in.Import(t.Context(), rows(year), nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Tidy(t.Context(), time.UnixMilli(end)); err != nil {
		t.Fatal(err)
	}
	was, frames, visits := loggedFrames(t, dir), int64(0), int64(0)
	for ; now < end+hours*hour; now += minute {
		for c := range int64(channels) {
			if err := in.Add(t.Context(), []reception.Reading{visit(c, now)}); err != nil {
				t.Fatal(err)
			}
			visits++
			is := loggedFrames(t, dir)
			if frames += is - was; is < was { // the log was copied back and begins anew
				frames += was
			}
			was = is
		}
	}
	if c := in.Counts(); c.Added != visits || frames < visits {
		t.Fatalf("%d of %d visits were new, with %d frames", c.Added, visits, frames)
	}
	bytes := frames * frameBytes / visits
	t.Logf("%d bytes a visit", bytes)
	if bytes > most {
		t.Errorf("%d bytes a visit, want %d at most", bytes, most)
	}
}
