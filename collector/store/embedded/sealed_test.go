//go:build unix

package embedded

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/storetest"
)

// far is an instant at which everything that was measured is long over.
var far = time.UnixMilli(start + 100*365*dayMS)

// A tidied store keeps house after each append.
type tidied struct{ *Store }

func (s tidied) Append(ctx context.Context, b store.Batch) (store.Appended, error) {
	a, err := s.Store.Append(ctx, b)
	if err == nil {
		err = s.Tidy(context.WithoutCancel(ctx), far)
	}
	return a, err
}

// TestSuiteSealed runs the suites on stores that seal and merge whatever they are given
// at once, in files cut small, and that take every reading for a history.
func TestSuiteSealed(t *testing.T) {
	for name, o := range map[string]Options{
		"sealed in parts": {sealRows: 5},
		"some bulk":       {bulkRows: 3, newRows: 2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := newFaulty(t)
			f.lazy = true
			storetest.Run(t, storetest.Options{Open: func(t *testing.T, dir string) storetest.Store {
				s := open(t, dir, f.options(o))
				if strings.HasPrefix(name, "sealed") {
					return tidied{s}
				}
				return s
			}})
		})
	}
}

// files lists the directory of sealed readings.
func files(t testing.TB, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(filepath.Join(dir, "readings"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		names = append(names, e.Name())
	}
	return names
}

// A paper keeps what the store warns of.
type paper struct {
	bytes.Buffer
	mu sync.Mutex
}

func (p *paper) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.Buffer.Write(b)
}

func (p *paper) lines() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Split(strings.TrimSuffix(p.String(), "\n"), "\n")
}

func (p *paper) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(p, &slog.HandlerOptions{Level: slog.LevelWarn}))
}

// quick returns options for stores that a test only reads, writes and copies.
func quick(t testing.TB) Options {
	f := newFaulty(t)
	f.lazy = true
	return f.options(smallOptions)
}

// live plays all acts on a new store and returns its directory and what it holds.
func live(t *testing.T) (string, *memory) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir, quick(t))
	m := &memory{acked: map[readingKey]string{}}
	for _, a := range acts() {
		m.begin(a)
		if err := a.do(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		m.done(nil)
	}
	m.check(t, s, "before all")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, m
}

// TestLostDatabase: files of sealed readings bring back what a lost database forgot, and
// their tallies are made again.
func TestLostDatabase(t *testing.T) {
	t.Parallel()
	dir, m := live(t)
	for _, name := range []string{"holdfast.db", "holdfast.db-wal", "holdfast.db-shm"} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	before := files(t, dir)
	var p paper
	o := quick(t)
	o.Logger = p.logger()
	s := open(t, dir, o)
	defer s.Close()
	m.check(t, s, "without the database")
	dirty, err := s.Dirty(t.Context(), 1000)
	if err != nil || len(dirty) == 0 {
		t.Errorf("%d hours are to be rebuilt, %v", len(dirty), err)
	}
	if got := p.lines(); len(got) != len(before) || !strings.Contains(got[0], before[0]) {
		t.Errorf("warnings %q about files %q", got, before)
	}
	for _, name := range files(t, dir) {
		if slices.Contains(before, name) {
			t.Errorf("file %s is still there", name)
		}
	}
}

// TestFullDiskAtOpen: a disk that is full when files are to be taken over does not keep
// the store from opening; the next start takes them.
func TestFullDiskAtOpen(t *testing.T) {
	t.Parallel()
	dir, m := live(t)
	lost := filepath.Join(t.TempDir(), "lost")
	copyStore(t, dir, lost)
	for _, name := range []string{"holdfast.db", "holdfast.db-wal"} {
		if err := os.Remove(filepath.Join(lost, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	open(t, filepath.Join(lost, "empty"), quick(t)).Close()
	copyFile(t, filepath.Join(lost, "empty", "holdfast.db"), filepath.Join(lost, "holdfast.db"))
	f := newFaulty(t)
	f.lazy = true
	disk := &space{}
	o := f.options(smallOptions)
	o.free = disk.free
	f.breakAt(0, 1<<40, syscall.ENOSPC)
	s := open(t, lost, o)
	if n := count(t, s); n != 0 {
		t.Errorf("%d readings are there on a full disk", n)
	}
	f.mend()
	s.Close()
	s = open(t, lost, quick(t))
	defer s.Close()
	m.check(t, s, "after space was freed")
}

// TestOlderDatabase: a database of an earlier day finds back what was sealed and merged
// since, and counts nothing twice.
func TestOlderDatabase(t *testing.T) {
	t.Parallel()
	all := acts()
	for _, day := range []int{9, 10, 12, 13} { // after a seal, late readings, a merge, a history
		dir, old := t.TempDir(), t.TempDir()
		s := open(t, dir, quick(t))
		m := &memory{acked: map[readingKey]string{}}
		for i, a := range all {
			if i == day {
				copyStore(t, dir, old)
			}
			if a.name == "live" { // would be lost if it was not sealed
				continue
			}
			m.begin(a)
			if err := a.do(t.Context(), s); err != nil {
				t.Fatal(err)
			}
			m.done(nil)
		}
		s.Close()
		for _, name := range files(t, old) {
			if err := os.Remove(filepath.Join(old, "readings", name)); err != nil {
				t.Fatal(err)
			}
		}
		for _, name := range files(t, dir) {
			copyFile(t, filepath.Join(dir, "readings", name), filepath.Join(old, "readings", name))
		}
		s = open(t, old, quick(t))
		if err := s.Close(); err != nil { // files that are missing are reported once
			t.Fatal(err)
		}
		s = open(t, old, quick(t))
		m.check(t, s, fmt.Sprintf("database of before act %d", day))
		s.Close()
	}
}

// TestDamagedFiles: a file that is flipped, cut or gone is reported in one line with the
// remedy, the rest answers, the bytes are kept, and a good copy put back heals it.
func TestDamagedFiles(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		damage func(b []byte) []byte // nil: the file is removed
		kept   bool
	}{
		{"a flipped bit in a group", func(b []byte) []byte { b[200] ^= 4; return b }, true},
		{"a flipped bit at the end", func(b []byte) []byte { b[len(b)-100] ^= 1; return b }, true},
		{"cut short", func(b []byte) []byte { return b[:len(b)/2] }, true},
		{"torn", func(b []byte) []byte { clear(b[len(b)/2:]); return b }, true},
		{"empty", func([]byte) []byte { return nil }, true},
		{"gone", nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir, m := live(t)
			name := files(t, dir)[0]
			path := filepath.Join(dir, "readings", name)
			good, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if c.damage == nil {
				err = os.Remove(path)
			} else {
				err = os.WriteFile(path, c.damage(slices.Clone(good)), 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
			var p paper
			o := quick(t)
			o.Logger = p.logger()
			s := open(t, dir, o)
			n := count(t, s)
			if n == 0 || n >= len(m.acked) {
				t.Errorf("%d of %d readings answer, want the other files' ones", n, len(m.acked))
			}
			if count(t, s) != n {
				t.Error("another look gives another answer")
			}
			lines := p.lines()
			if len(lines) != 1 || !strings.Contains(lines[0], name) || !strings.Contains(lines[0], "backup") {
				t.Errorf("reported %q, want one line that names %s and a backup", lines, name)
			}
			if got := s.archive.troubles(); len(got) != 1 || !strings.Contains(got[0], name) {
				t.Errorf("troubles = %q", got)
			}
			// What is missing can be imported again.
			if _, err := s.Append(t.Context(), store.Batch{Readings: visits(2, start+6*dayMS, 1), FoldedReadings: true}); err != nil {
				t.Fatal(err)
			}
			n += 2
			if err := s.Tidy(t.Context(), far); err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(path + damagedSuffix); (err == nil) != c.kept {
				t.Errorf("the damaged file is kept: %v, want %v", err == nil, c.kept)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, quick(t))
			if got := count(t, s); got != n {
				t.Errorf("%d readings after a restart, want %d", got, n)
			}
			if got := s.Problems(); (len(got) == 1 && strings.Contains(got[0], name+damagedSuffix)) != c.kept {
				t.Errorf("after a restart the problems are %q, want the damaged file if it is kept (%v)", got, c.kept)
			}
			checkWhole(t, s)
			s.Close()

			if err := os.WriteFile(path, good, 0o600); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, quick(t))
			defer s.Close()
			if got := count(t, s); got != len(m.acked)+2 {
				t.Errorf("%d readings after the file was put back, want %d", got, len(m.acked)+2)
			}
			checkWhole(t, s)
		})
	}
}

// TestOtherVersion: a file whose form another version wrote is said in one line wherever
// one looks, stays where it is under its name, and answers again with a program that reads
// it.
func TestOtherVersion(t *testing.T) {
	t.Parallel()
	dir, m := live(t)
	name := files(t, dir)[0]
	path := filepath.Join(dir, "readings", name)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const key = "holdfast.format" // its value follows: type and length, one byte each
	at := bytes.LastIndex(good, []byte(key)) + len(key) + 2
	other := slices.Clone(good)
	if other[at] != '1' {
		t.Fatalf("the form is %q", other[at-2:at+2])
	}
	other[at] = '0'
	if err := os.WriteFile(path, other, 0o600); err != nil {
		t.Fatal(err)
	}
	oneLine := func(when string, got []string) {
		t.Helper()
		if len(got) != 1 || !strings.Contains(got[0], name) || !strings.Contains(got[0], "version") {
			t.Errorf("%s the problems are %q, want one line that names %s and a version", when, got, name)
		}
	}
	for _, when := range []string{"at first", "after a restart"} {
		s := open(t, dir, quick(t)) // and no logger
		if n := count(t, s); n == 0 || n >= len(m.acked) {
			t.Errorf("%s %d of %d readings answer, want the other files' ones", when, n, len(m.acked))
		}
		if err := s.Tidy(t.Context(), far); err != nil {
			t.Fatal(err)
		}
		oneLine(when, s.Problems())
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		l, err := Peek(t.Context(), dir)
		if err != nil {
			t.Fatal(err)
		}
		oneLine("by a look", l.Problems)
		if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, other) {
			t.Fatalf("%s the file is not what it was: %v", when, err)
		}
	}
	if err := os.WriteFile(path, good, 0o600); err != nil { // as if the program read it
		t.Fatal(err)
	}
	s := open(t, dir, quick(t))
	defer s.Close()
	if n := count(t, s); n != len(m.acked) || len(s.Problems()) > 0 {
		t.Errorf("%d of %d readings answer, with problems %q", n, len(m.acked), s.Problems())
	}
	checkWhole(t, s)
}

// TestStrangeFiles: what is none of ours stays where it is, whatever it holds.
func TestStrangeFiles(t *testing.T) {
	t.Parallel()
	dir, m := live(t)
	for name, text := range map[string]string{"notes.txt": "mine", "2019-01.parquet": "PAR1PAR1PAR1PAR1", "2019-02.000001.parquet": ""} {
		if err := os.WriteFile(filepath.Join(dir, "readings", name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var p paper
	o := quick(t)
	o.Logger = p.logger()
	s := open(t, dir, o)
	defer s.Close()
	if got := count(t, s); got != len(m.acked) {
		t.Errorf("%d readings, want %d", got, len(m.acked))
	}
	if got := p.lines(); len(got) != 2 || !strings.Contains(got[0], "2019-01.parquet") {
		t.Errorf("warnings %q, want one for each Parquet file", got)
	}
	for _, name := range []string{"notes.txt", "2019-01.parquet", "2019-02.000001.parquet"} {
		if !slices.Contains(files(t, dir), name) {
			t.Errorf("%s is gone", name)
		}
	}
}

func TestMissingDirectory(t *testing.T) {
	t.Parallel()
	dir, _ := live(t)
	if err := os.Rename(filepath.Join(dir, "readings"), filepath.Join(dir, "elsewhere")); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), dir, Options{ReserveBytes: -1})
	wantError(t, "open", err, nil, filepath.Join(dir, "readings"), "backup")
}

// TestReadersKeepFiles: a reader sees its snapshot to the end though a merge comes
// between, and the files go when it is done.
func TestReadersKeepFiles(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), quick(t))
	defer s.Close()
	for i := range int64(3) {
		if _, err := s.Append(t.Context(), store.Batch{Readings: history(2, start+i*dayMS, 100)}); err != nil {
			t.Fatal(err)
		}
	}
	parts := files(t, s.dir)
	if len(parts) != 3 {
		t.Fatalf("files %q, want 3", parts)
	}
	n := 0
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			if err := s.Tidy(t.Context(), far); err != nil {
				t.Fatal(err)
			}
			if got := files(t, s.dir); len(got) != 4 {
				t.Errorf("files %q while somebody reads, want the old and the new", got)
			}
			if got := count(t, s); got != 600 {
				t.Errorf("a second reader sees %d readings, want 600", got)
			}
		}
		n += len(chunk)
	}
	if n != 600 {
		t.Errorf("the reader saw %d readings, want 600", n)
	}
	if got := files(t, s.dir); len(got) != 1 {
		t.Errorf("files %q after it, want the merged one", got)
	}
}

// A countdown is a context that is cancelled once it was looked at often enough.
type countdown struct {
	context.Context
	looks atomic.Int64 // the database looks from a goroutine of its own too
}

func counting(ctx context.Context, looks int) *countdown {
	c := &countdown{Context: ctx}
	c.looks.Store(int64(looks))
	return c
}

func (c *countdown) Err() error {
	if c.looks.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

// TestTidyCancelled: housekeeping that is broken off leaves nothing half done, and goes on
// the next time.
func TestTidyCancelled(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), quick(t))
	defer s.Close()
	m := &memory{acked: map[readingKey]string{}}
	for _, a := range acts() {
		m.begin(a)
		for looks := 0; ; looks++ {
			err := a.do(counting(t.Context(), looks), s)
			if err == nil {
				break
			}
			if !errors.Is(err, context.Canceled) {
				t.Fatalf("%s, cancelled at look %d: error %v", a.name, looks, err)
			}
			for _, name := range files(t, s.dir) {
				if name[0] == '.' {
					t.Fatalf("%s, cancelled at look %d: %s is left", a.name, looks, name)
				}
			}
		}
		m.done(nil)
		checkKept(t, s, m, a.name)
	}
	if got := files(t, s.dir); len(got) != len(s.shelf.segments) {
		t.Errorf("files %q, %d in the catalogue", got, len(s.shelf.segments))
	}
}

// TestFilesExplainThemselves: a file of sealed readings carries the installations and
// scales, as they are known when it is written.
func TestFilesExplainThemselves(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), quick(t))
	defer s.Close()
	if err := s.Put(t.Context(),
		reception.Entry{Kind: reception.KindInstallation, Key: "loft", Held: start, Known: start, Body: []byte(`{"name": "first"}`)},
		reception.Entry{Kind: reception.KindInstallation, Key: "loft", Held: start, Known: start + 1000, Body: []byte(`{"name": "first, by hand"}`)},
		reception.Entry{Kind: reception.KindNote, Known: 1, Body: []byte(`"private"`)}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(t.Context(), store.Batch{Readings: visits(1, start, 3)}); err != nil {
		t.Fatal(err)
	}
	if err := s.Tidy(t.Context(), far); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(s.dir, "readings", files(t, s.dir)[0]))
	if err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	want := `[{"key":"loft","held":"2026-01-01T00:00:00Z","known":"2026-01-01T00:00:01Z","body":{"name":"first, by hand"}}]`
	if got, _ := f.Lookup("holdfast.installations"); got != want {
		t.Errorf("installations are\n%s, want\n%s", got, want)
	}
	if bytes.Contains(b, []byte("private")) {
		t.Error("a note is in the file")
	}
}

// TestOlderStoreSeals: the hot readings of a store of version 1 simply seal.
func TestOlderStoreSeals(t *testing.T) {
	t.Parallel()
	s := open(t, version1(t, ""), Options{})
	defer s.Close()
	read := func() (out []string) {
		t.Helper()
		for chunk, err := range s.Readings(t.Context(), store.Query{}) {
			if err != nil {
				t.Fatal(err)
			}
			for i := range chunk {
				out = append(out, print(&chunk[i]))
			}
		}
		return out
	}
	before := read()
	if err := s.Tidy(t.Context(), far); err != nil {
		t.Fatal(err)
	}
	var hot int
	if err := s.readers.QueryRowContext(t.Context(), `SELECT count(*) FROM hot`).Scan(&hot); err != nil || hot != 0 {
		t.Errorf("%d hot readings are left, %v", hot, err)
	}
	if got := read(); !slices.Equal(got, before) || len(got) < 100 {
		t.Errorf("%d readings after the seal, %d before, or others", len(got), len(before))
	}
	checkWhole(t, s)
}

// TestDatabaseShrinks: a database that held much more than two days gives the space back.
func TestDatabaseShrinks(t *testing.T) {
	t.Parallel()
	f := newFaulty(t)
	f.lazy = true
	o := f.options(Options{compactBytes: 100 << 10})
	s := open(t, t.TempDir(), o)
	defer s.Close()
	size := func() int64 {
		t.Helper()
		st, err := os.Stat(filepath.Join(s.dir, databaseName))
		if err != nil {
			t.Fatal(err)
		}
		return st.Size()
	}
	all := visits(4, start, 2500)
	for chunk := range slices.Chunk(all, 1000) {
		if _, err := s.Append(t.Context(), store.Batch{Readings: chunk}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.w.row(t.Context(), "PRAGMA wal_checkpoint(TRUNCATE)", nil, new(int), new(int), new(int)); err != nil {
		t.Fatal(err)
	}
	before := size()
	if err := s.Tidy(t.Context(), far); err != nil {
		t.Fatal(err)
	}
	if after := size(); after > before/2 {
		t.Errorf("the database had %d bytes and has %d", before, after)
	}
	if n := count(t, s); n != len(all) {
		t.Errorf("%d readings of %d", n, len(all))
	}
	if _, err := s.Append(t.Context(), store.Batch{Readings: visits(1, start+9*dayMS, 1)}); err != nil {
		t.Fatal(err)
	}
	checkWhole(t, s)
}

// TestWhenDaysAreSealed: 48 hours after their end, and earlier, but never today, when
// there are too many hot readings.
func TestWhenDaysAreSealed(t *testing.T) {
	t.Parallel()
	o := quick(t)
	o.hotRows = 11
	s := open(t, t.TempDir(), o)
	defer s.Close()
	hot := func() (days []int64) {
		t.Helper()
		rows, err := s.readers.QueryContext(t.Context(), `SELECT DISTINCT (time - ?) / ? FROM hot ORDER BY 1`, int64(start), int64(dayMS))
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var d int64
			if err := rows.Scan(&d); err != nil {
				t.Fatal(err)
			}
			days = append(days, d)
		}
		return days
	}
	tidy := func(now int64, want ...int64) {
		t.Helper()
		if err := s.Tidy(t.Context(), time.UnixMilli(now)); err != nil {
			t.Fatal(err)
		}
		if got := hot(); !slices.Equal(got, want) {
			t.Errorf("at %v days %d are hot, want %d", time.UnixMilli(now).UTC(), got, want)
		}
	}
	add := func(day int64, n int) {
		t.Helper()
		if _, err := s.Append(t.Context(), store.Batch{Readings: visits(1, start+day*dayMS, n)}); err != nil {
			t.Fatal(err)
		}
	}
	for day := range int64(3) {
		add(day, 3)
	}
	tidy(start+dayMS+hotMS-1, 0, 1, 2)
	tidy(start+dayMS+hotMS, 1, 2)
	add(3, 6) // twelve are too many
	tidy(start+3*dayMS+1, 2, 3)
	add(3, 9)
	add(3, 20)
	tidy(start+3*dayMS+2*reception.HourMS, 3)
}

func TestMergeDue(t *testing.T) {
	t.Parallel()
	parts := func(n int, rows int64) (out []*segmentRow) {
		for range n {
			out = append(out, &segmentRow{rows: rows})
		}
		return out
	}
	merged := &segmentRow{rows: 1600, merged: whole}
	for _, c := range []struct {
		name   string
		segs   []*segmentRow
		closed bool
		want   bool
	}{
		{"eight parts", parts(8, 10), false, false},
		{"nine parts", parts(9, 10), false, true},
		{"one part of a month that is over", parts(1, 10), true, true},
		{"merged before it was over", []*segmentRow{{rows: 10, merged: soFar}}, true, true},
		{"merged", []*segmentRow{merged}, true, false},
		{"little came late", append(parts(1, 99), merged), true, false},
		{"much came late", append(parts(1, 100), merged), true, true},
		{"often came late", append(parts(8, 1), merged), true, true},
	} {
		if got := mergeDue(c.segs, c.closed); got != c.want {
			t.Errorf("%s: due = %v, want %v", c.name, got, c.want)
		}
	}
}
