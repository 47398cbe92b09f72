//go:build unix

package embedded

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// TestPendingLinesComeBack plays live, late and far-off appends, tallies, weather and
// touches in any order, and crashes in between: the change list and the description of
// the series must be found again from the rows alone, and from every sequence that was
// ever given out the list must cover all that came later.
func TestPendingLinesComeBack(t *testing.T) {
	t.Parallel()
	f := newFaulty(t)
	f.lazy = true
	rapid.Check(t, func(rt *rapid.T) {
		dir := t.TempDir()
		o := Options{vfs: f.name, pendingLines: rapid.SampledFrom([]int{2, 5, 1024}).Draw(rt, "pending")}
		s := open(t, dir, o)
		defer func() { s.Close() }()
		type done struct {
			seq    int64 // before it
			series reception.Series
			span   store.Span
		}
		var log []done
		now := int64(start)
		// More than may be strays, so that there is an end of time.
		if _, err := s.Append(t.Context(), store.Batch{Readings: visits(4, start-30*60_000, 30)}); err != nil {
			rt.Fatal(err)
		}
		for range rapid.IntRange(1, 14).Draw(rt, "steps") {
			now += rapid.SampledFrom([]int64{1000, 60_000, 3_600_000}).Draw(rt, "wait")
			before, err := s.Seq(t.Context())
			if err != nil {
				rt.Fatal(err)
			}
			b := store.Batch{FoldedReadings: rapid.Bool().Draw(rt, "folded")}
			noted := len(log)
			note := func(k reception.Series, from, to int64) {
				log = append(log, done{before, k, store.Span{From: from, To: to}})
			}
			kind := rapid.SampledFrom([]string{"live", "live", "live", "live", "tally", "tally", "tally", "late", "weather", "future", "touch", "old tally", "again"}).Draw(rt, "kind")
			back := map[string]int64{"late": 86_400_000, "future": -86_400_000, "live": rapid.Int64Range(0, 3*reachBackMS).Draw(rt, "back")}[kind]
			if kind != "touch" && kind != "weather" && kind != "old tally" {
				b.Readings = visits(rapid.IntRange(1, 3).Draw(rt, "channels"), now-back, 1)
				for i := range b.Readings {
					r := &b.Readings[i]
					note(r.Series(), r.Time, r.Time+1)
				}
			}
			k := visits(1, now, 1)[0].Series()
			switch kind {
			case "weather":
				w := reception.NewWeather()
				w.Time, w.Source = now, "roof"
				b.Weather = append(b.Weather, w)
			case "tally", "old tally":
				hour := store.HourOf(now) - rapid.Int64Range(0, 5).Draw(rt, "hours back")
				b.Tallies = append(b.Tallies, reception.PackedTally{TallyKey: reception.TallyKey{Series: k, Hour: hour}, Body: []byte{1}})
				note(k, hour*reception.HourMS, (hour+1)*reception.HourMS)
			}
			if kind == "touch" {
				if err := s.Touch(t.Context(), store.Query{}); err != nil {
					rt.Fatal(err)
				}
			} else if a, err := s.Append(t.Context(), b); err != nil {
				rt.Fatal(err)
			} else if a.Duplicates+len(a.Conflicts) > 0 {
				log = log[:noted] // some of it was there: it need not be a change
			}
			if rapid.IntRange(0, 4).Draw(rt, "crash") > 0 {
				continue
			}
			seq, err := s.Seq(t.Context())
			if err != nil {
				rt.Fatal(err)
			}
			series, err := s.Series(t.Context())
			if err != nil {
				rt.Fatal(err)
			}
			to := t.TempDir()
			for _, name := range []string{"/holdfast.db", "/holdfast.db-wal"} {
				copyFile(t, dir+name, to+name)
			}
			s.Close()
			dir = to
			s = open(t, dir, o)
			if got, err := s.Seq(t.Context()); err != nil || got != seq {
				rt.Fatalf("after a crash the list is at %d, was at %d: %v", got, seq, err)
			}
			if got, err := s.Series(t.Context()); err != nil || !slices.Equal(got, series) {
				rt.Fatalf("after a crash the series are\n%+v, were\n%+v: %v", got, series, err)
			}
			for i, d := range log {
				var lines []store.Change
				for c, err := range s.Changes(t.Context(), d.seq) {
					if err != nil {
						rt.Fatal(err)
					}
					lines = append(lines, c)
				}
				for _, later := range log[i:] {
					if !slices.ContainsFunc(lines, func(c store.Change) bool {
						return c.Series == later.series && c.From <= later.span.From && c.To >= later.span.To ||
							c.Series == reception.Series{} && !c.Weather && c.Seq > later.seq
					}) {
						rt.Fatalf("after %d nothing covers %+v: %+v", d.seq, later, lines)
					}
				}
			}
		}
	})
}

// TestWrongClockOnce: readings far in the future do not make each later append write
// its line down.
func TestWrongClockOnce(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), Options{})
	defer s.Close()
	lines := func() (n int) {
		t.Helper()
		if err := s.readers.QueryRowContext(t.Context(), `SELECT count(*) FROM change`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	add := func(rs []reception.Reading) {
		t.Helper()
		if _, err := s.Append(t.Context(), store.Batch{Readings: rs, FoldedReadings: true}); err != nil {
			t.Fatal(err)
		}
	}
	add(visits(4, start, 200))
	add(visits(4, start+50*365*86_400_000, 10))
	before := lines()
	for i := range int64(100) {
		add(visits(4, start+(200+i)*60_000, 1))
	}
	if n := lines() - before; n != 0 {
		t.Errorf("100 appends after a wrong clock wrote %d lines down, want 0", n)
	}
	add(visits(4, start-86_400_000, 1))
	if lines() == before {
		t.Error("a late append must write its line down")
	}
}

// TestLookBack: a line stays pending as far behind the end of time as a look back
// finds it, and no farther.
func TestLookBack(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		behind int64 // the end of time, ms
		want   int   // lines written down
	}{{"just near enough", reachBackMS, 0}, {"just too far", reachBackMS + 1, 1}} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir, Options{})
			defer s.Close()
			if _, err := s.Append(t.Context(), store.Batch{Readings: visits(4, start, 100)}); err != nil { // too many to stay pending
				t.Fatal(err)
			}
			r := visits(1, s.cat.latest[strays]-c.behind, 1)
			r[0].Tuner = "another"
			a, err := s.Append(t.Context(), store.Batch{Readings: r})
			if err != nil {
				t.Fatal(err)
			}
			var lines int
			if err := s.readers.QueryRowContext(t.Context(), `SELECT count(*) FROM change WHERE tuner = 'another'`).Scan(&lines); err != nil || lines != c.want {
				t.Errorf("%d lines were written down, want %d: %v", lines, c.want, err)
			}
			crash(t, dir, func(s *Store) {
				if seq, err := s.Seq(t.Context()); err != nil || seq != a.Seq {
					t.Errorf("after a crash the list is at %d, was at %d: %v", seq, a.Seq, err)
				}
				checkWhole(t, s)
			})
		})
	}
}

func TestTail(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		times := rapid.SliceOfN(rapid.Int64Range(0, 1000), 0, 3*strays).Draw(rt, "times")
		var l tail
		for _, x := range times {
			l = l.with(x)
		}
		slices.Sort(times)
		slices.Reverse(times)
		if want := times[:min(len(times), strays+1)]; !slices.Equal(l, want) {
			rt.Fatalf("tail is %v, want %v", l, want)
		}
	})
}
