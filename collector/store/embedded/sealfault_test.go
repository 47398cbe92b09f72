//go:build unix

package embedded

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// An act is one thing that is done to a store: readings appended, or the house kept.
type act struct {
	name     string
	readings []reception.Reading
	tidy     time.Time
}

// acts returns a life in which everything happens that concerns sealed readings, with
// small numbers; smallOptions make them count as large.
func acts() []act {
	var out []act
	add := func(name string, rs []reception.Reading) { out = append(out, act{name: name, readings: rs}) }
	for day := range int64(3) {
		for i := range int64(3) {
			add(fmt.Sprintf("day %d", day), visits(3, start+day*dayMS+i*300_000, 2))
		}
	}
	out = append(out, act{name: "seal the first day", tidy: time.UnixMilli(start + 3*dayMS)})
	late := visits(2, start+450_000, 2)
	again := visits(3, start, 1)
	again[1].CNDB++ // conflicts
	add("late", append(late, again...))
	add("a history of two months", history(2, start-35*60_000, 70))
	out = append(out, act{name: "seal and merge", tidy: far})
	add("the history again and more", append(history(2, start-35*60_000, 60), history(2, start-200*60_000, 30)...))
	add("live", visits(2, start+4*dayMS, 1))
	out = append(out, act{name: "seal and merge again", tidy: far})
	return out
}

var smallOptions = Options{sealRows: 10, bulkRows: 30, newRows: 10}

func (a act) do(ctx context.Context, s *Store) error {
	if a.readings == nil {
		return s.Tidy(ctx, a.tidy)
	}
	_, err := s.Append(ctx, store.Batch{Readings: a.readings})
	return err
}

type readingKey struct {
	reception.Series
	time int64
}

// A memory knows what a store has acknowledged.
type memory struct {
	acked map[readingKey]string // its bits
	own   []reception.Reading   // of the act under way, which may be there too
}

func (m *memory) begin(a act) { m.own = a.readings }

func (m *memory) done(err error) {
	if err == nil {
		for i := range m.own {
			k := readingKey{m.own[i].Series(), m.own[i].Time}
			if _, ok := m.acked[k]; !ok {
				m.acked[k] = print(&m.own[i])
			}
		}
	}
	m.own = nil
}

func (m *memory) clone() *memory { return &memory{maps.Clone(m.acked), m.own} }

func print(r *reception.Reading) string { return fmt.Sprintf("%+v", *r) }

// check reads a store and compares. Live batches are there whole or not at all; of a
// history a part may be there.
func (m *memory) check(t *testing.T, s *Store, what string) {
	t.Helper()
	own := map[readingKey]string{}
	for i := range m.own {
		k := readingKey{m.own[i].Series(), m.own[i].Time}
		if _, ok := m.acked[k]; !ok {
			if _, ok := own[k]; !ok {
				own[k] = print(&m.own[i])
			}
		}
	}
	seen, extra := 0, 0
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		for i := range chunk {
			k := readingKey{chunk[i].Series(), chunk[i].Time}
			got := print(&chunk[i])
			if want, ok := m.acked[k]; ok {
				seen++
				if got != want {
					t.Fatalf("%s: reading\n got %s\nwant %s", what, got, want)
				}
				continue
			}
			if own[k] != got {
				t.Fatalf("%s: reading %s was never given", what, got)
			}
			extra++
		}
	}
	if seen != len(m.acked) {
		t.Fatalf("%s: %d of %d acknowledged readings are there", what, seen, len(m.acked))
	}
	if extra > 0 && extra < len(own) && len(m.own) < smallOptions.bulkRows {
		t.Fatalf("%s: %d of the %d readings of a batch are there", what, extra, len(own))
	}
	checkWhole(t, s)
	for _, name := range files(t, s.dir) {
		if filepath.Ext(name) != ".parquet" || name[0] == '.' {
			t.Fatalf("%s: file %s is left", what, name)
		}
	}
}

// TestCrashPoints stops before every write, sync and rename of all acts, and opens what
// a crash at that moment leaves.
func TestCrashPoints(t *testing.T) {
	t.Parallel()
	f := newFaulty(t)
	f.lazy = true
	dir := t.TempDir()
	o := f.options(smallOptions)
	moments := map[moment]int{}
	o.at = func(m moment) { moments[m]++ }
	s := open(t, dir, o)
	defer s.Close()
	m := &memory{acked: map[readingKey]string{}}
	points := 0
	for _, a := range acts() {
		m.begin(a)
		f.before = func() {
			if points++; points%2 == 0 { // to open a store takes its time
				return
			}
			crash(t, dir, func(s *Store) { m.check(t, s, fmt.Sprintf("%s, call %d", a.name, f.calls.Load())) })
		}
		err := a.do(t.Context(), s)
		f.before = nil
		if err != nil {
			t.Fatalf("%s: %v", a.name, err)
		}
		m.done(nil)
		m.check(t, s, a.name)
	}
	for at := moment(1); at <= 5; at++ {
		if moments[at] < 2 {
			t.Errorf("state %d was reached %d times", at, moments[at])
		}
	}
	t.Logf("%d points", points)
}

// TestSealFaults makes each write, sync and rename of each act fail, with a full disk and
// with a broken one: the act fails and leaves nothing, or succeeds; reading goes on; a
// crash loses nothing; once mended the act succeeds.
func TestSealFaults(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		free uint64
		once bool
		full bool
	}{
		{"no space", syscall.ENOSPC, 100, false, true},
		{"I/O error", syscall.EIO, 1 << 40, false, false},
		{"I/O error, once", syscall.EIO, 1 << 40, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := newFaulty(t)
			f.lazy = true
			disk := &space{}
			disk.bytes.Store(1 << 40)
			o := f.options(smallOptions)
			o.free, o.probe = disk.free, func(string) error { return nil }
			dir := t.TempDir()
			s := open(t, dir, o)
			defer func() { s.Close() }()
			m := &memory{acked: map[readingKey]string{}}
			failures := 0
			for n, a := range acts() {
				if n < 9 { // the days: TestFaults looks at such appends
					if err := a.do(t.Context(), s); err != nil {
						t.Fatal(err)
					}
					m.begin(a)
					m.done(nil)
					continue
				}
				for skip := int64(0); ; skip++ {
					what := fmt.Sprintf("%s, call %d", a.name, skip)
					m.begin(a)
					disk.bytes.Store(c.free)
					calls := int64(1 << 40)
					if c.once {
						calls = 1
					}
					f.breakAt(skip, calls, c.err)
					err := a.do(t.Context(), s)
					hit := f.failed.Load() > 0
					f.mend()
					disk.bytes.Store(1 << 40)
					if err != nil {
						failures++
						wantError(t, what, err, nil, dir)
						if errors.Is(err, store.ErrFull) != c.full {
							t.Fatalf("%s: error %v, want a full disk: %v", what, err, c.full)
						}
						if skip%3 == int64(n)%3 { // to open a store takes its time
							crash(t, dir, func(s *Store) { m.check(t, s, what+", crash") })
						}
						m.done(err)
					} else {
						m.done(nil)
					}
					checkKept(t, s, m, what)
					if !hit {
						break // the act needs no more calls than that
					}
				}
			}
			if failures < 50 {
				t.Errorf("only %d acts failed", failures)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, smallOptions)
			m.check(t, s, "after all")
		})
	}
}

// checkKept checks the readings of a store that is still open: files that a failed
// commit left may lie there.
func checkKept(t *testing.T, s *Store, m *memory, what string) {
	t.Helper()
	n := 0
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		for i := range chunk {
			if m.acked[readingKey{chunk[i].Series(), chunk[i].Time}] != print(&chunk[i]) {
				t.Fatalf("%s: reading %s is not as acknowledged", what, print(&chunk[i]))
			}
			n++
		}
	}
	if n != len(m.acked) {
		t.Fatalf("%s: %d readings, want %d", what, n, len(m.acked))
	}
	checkWhole(t, s)
}

// TestSealPowerFailure cuts the power at moments spread over all acts.
func TestSealPowerFailure(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(3, 4))
	f := newFaulty(t)
	p := &platter{files: map[string]*image{}}
	f.disk, f.lazy = p, true
	s := open(t, t.TempDir(), f.options(smallOptions))
	defer s.Close()
	checkpointOften(t, s)
	type left struct {
		files map[string][]byte
		m     *memory
		act   string
	}
	var cuts []left
	m := &memory{acked: map[readingKey]string{}}
	name := "open"
	p.before = func() {
		if r.IntN(3) != 0 || name == "open" {
			return
		}
		keep := []func() bool{
			func() bool { return false },
			func() bool { return true },
			func() bool { return r.IntN(2) == 0 },
		}[r.IntN(3)]
		cuts = append(cuts, left{p.survivors(r, keep), m.clone(), name})
	}
	for _, a := range acts() {
		m.begin(a)
		p.mu.Lock()
		name = a.name
		p.mu.Unlock()
		if err := a.do(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		m.done(nil)
	}
	if len(cuts) < 60 {
		t.Fatalf("only %d cuts", len(cuts))
	}
	for i, c := range cuts {
		dir := t.TempDir()
		if err := os.Mkdir(filepath.Join(dir, "readings"), 0o700); err != nil {
			t.Fatal(err)
		}
		for _, name := range slices.Sorted(maps.Keys(c.files)) {
			if err := os.WriteFile(filepath.Join(dir, name), c.files[name], 0o600); err != nil {
				t.Fatal(err)
			}
		}
		s := open(t, dir, Options{})
		c.m.check(t, s, fmt.Sprintf("cut %d of %d, %s", i, len(cuts), c.act))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d cuts", len(cuts))
}
