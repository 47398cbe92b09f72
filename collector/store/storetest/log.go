package storetest

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// runLog is the common part: what any engine does, a follower too.
func runLog(t *testing.T, o Options) {
	t.Run("Empty", func(t *testing.T) {
		s := o.open(t)
		if got := readings(t, s, store.Query{}); len(got) != 0 {
			t.Errorf("an empty log yields %d readings", len(got))
		}
		if got := all(t, s.Weather(t.Context(), store.Always)); len(got) != 0 {
			t.Errorf("an empty log yields %d weather rows", len(got))
		}
		if got := all(t, s.Tallies(t.Context(), store.Query{})); len(got) != 0 {
			t.Errorf("an empty log yields %d tallies", len(got))
		}
		series, err := s.Series(t.Context())
		must(t, err)
		seq, err := s.Seq(t.Context())
		must(t, err)
		a := appendTo(t, s, store.Batch{})
		if len(series) != 0 || seq != 0 || a.Seq != 0 || a.New != 0 {
			t.Errorf("empty log: series %v, seq %d, empty append %+v", series, seq, a)
		}
	})

	t.Run("ReadingsComeBackBitByBit", func(t *testing.T) {
		s := o.open(t)
		want := oddReadings()
		a := appendTo(t, s, store.Batch{Readings: want})
		if a.New != len(want) || a.Duplicates != 0 || len(a.Conflicts) != 0 {
			t.Errorf("append: %+v, want %d new", a, len(want))
		}
		sameReadings(t, readings(t, s, store.Query{}), want)
	})

	t.Run("Order", func(t *testing.T) {
		s := o.open(t)
		var want []reception.Reading
		for _, k := range []reception.Series{loft, shed, layerA, loftHi} { // frequency, layer, tuner
			for i := range int64(5) {
				want = append(want, reading(k, t0+i*60_000))
			}
		}
		in := slices.Clone(want)
		slices.Reverse(in)
		appendTo(t, s, store.Batch{Readings: in[:7]})
		appendTo(t, s, store.Batch{Readings: in[7:]})
		sameReadings(t, readings(t, s, store.Query{}), want)
		got, err := s.Series(t.Context())
		must(t, err)
		var exp []store.Stored
		for _, k := range []reception.Series{loft, shed, layerA, loftHi} {
			exp = append(exp, store.Stored{Series: k, First: t0, Last: t0 + 240_000, Count: 5})
		}
		if !slices.Equal(got, exp) {
			t.Errorf("Series:\n got %+v\nwant %+v", got, exp)
		}
	})

	t.Run("Query", func(t *testing.T) {
		s := o.open(t)
		keys := []reception.Series{loft, shed, layerA, loftHi}
		for _, k := range keys {
			var rs []reception.Reading
			for i := range int64(10) {
				rs = append(rs, reading(k, t0+i*1000))
			}
			appendTo(t, s, store.Batch{Readings: rs})
		}
		a, none := "A", ""
		for _, c := range []struct {
			name string
			q    store.Query
			of   []reception.Series
			n    int
		}{
			{"everything", store.Query{}, keys, 40},
			{"always", store.Query{Span: store.Always}, keys, 40},
			{"tuner", store.Query{Tuner: "shed"}, keys[1:2], 10},
			{"frequency", store.Query{FrequencyHz: 473e6}, keys[:3], 30},
			{"layer", store.Query{Layer: &a}, keys[2:3], 10},
			{"no layer", store.Query{Layer: &none, FrequencyHz: 473e6}, keys[:2], 20},
			{"unknown tuner", store.Query{Tuner: "cellar"}, nil, 0},
			{"from inside, to outside", store.Query{Span: store.Span{From: t0 + 2000, To: t0 + 5000}}, keys, 12},
			{"empty span", store.Query{Span: store.Span{From: t0 + 2000, To: t0 + 2000}}, nil, 0},
			{"span turned round", store.Query{Span: store.Span{From: t0 + 5000, To: t0 + 2000}}, nil, 0},
			{"before all", store.Query{Span: store.Span{From: 0, To: t0}}, nil, 0},
		} {
			t.Run(c.name, func(t *testing.T) {
				got := readings(t, s, c.q)
				if len(got) != c.n {
					t.Errorf("got %d readings, want %d", len(got), c.n)
				}
				var of []reception.Series
				for i := range got {
					if k := got[i].Series(); len(of) == 0 || of[len(of)-1] != k {
						of = append(of, k)
					}
				}
				if !slices.Equal(of, c.of) {
					t.Errorf("got series %v, want %v", of, c.of)
				}
			})
		}
	})

	t.Run("ManyChunks", func(t *testing.T) {
		s := o.open(t)
		var want []reception.Reading
		for i := range int64(9000) {
			want = append(want, reading(loft, t0+i*1000))
		}
		appendTo(t, s, store.Batch{Readings: want})
		sameReadings(t, readings(t, s, store.Query{}), want)
	})

	t.Run("Replay", func(t *testing.T) {
		s := o.open(t)
		rs := oddReadings()
		ws := oddWeather()
		first := appendTo(t, s, store.Batch{Readings: rs, Weather: ws})
		again := appendTo(t, s, store.Batch{Readings: rs, Weather: ws})
		if again.New != 0 || again.Duplicates != len(rs)+len(ws) || len(again.Conflicts) != 0 {
			t.Errorf("replay: %+v, want %d duplicates", again, len(rs)+len(ws))
		}
		if again.Seq != first.Seq {
			t.Errorf("replay moved the change list from %d to %d", first.Seq, again.Seq)
		}
		sameReadings(t, readings(t, s, store.Query{}), rs)
	})

	t.Run("FirstWins", func(t *testing.T) {
		s := o.open(t)
		first := reading(loft, t0)
		other := first
		other.CNDB, other.Locked = 3.5, false
		fresh := reading(loft, t0+1000)
		appendTo(t, s, store.Batch{Readings: []reception.Reading{first}})
		a := appendTo(t, s, store.Batch{Readings: []reception.Reading{fresh, other, first}})
		if a.New != 1 || a.Duplicates != 1 || len(a.Conflicts) != 1 {
			t.Fatalf("append: %+v, want 1 new, 1 duplicate, 1 conflict", a)
		}
		c := a.Conflicts[0]
		if c.Index != 1 || c.Weather || strings.Contains(c.String(), "\n") {
			t.Errorf("conflict %+v, want index 1, one line", c)
		}
		for _, part := range []string{"loft", "473", "2026-03-01T00:00:00Z"} {
			if !strings.Contains(c.Kept, part) || !strings.Contains(c.Given, part) {
				t.Errorf("conflict %q does not name %q on both sides", c, part)
			}
		}
		if !strings.Contains(c.Kept, "20") || !strings.Contains(c.Given, "3.5") {
			t.Errorf("conflict %q does not show both values of C/N", c)
		}
		sameReadings(t, readings(t, s, store.Query{}), []reception.Reading{first, fresh})
	})

	t.Run("FirstWinsWithinABatch", func(t *testing.T) {
		s := o.open(t)
		first := reading(loft, t0)
		other := first
		other.UncorrectedBlocks = 9
		a := appendTo(t, s, store.Batch{Readings: []reception.Reading{first, reading(shed, t0), other, first}})
		if a.New != 2 || a.Duplicates != 1 || len(a.Conflicts) != 1 || a.Conflicts[0].Index != 2 {
			t.Errorf("append: %+v, want 2 new, 1 duplicate, conflict at 2", a)
		}
		sameReadings(t, readings(t, s, store.Query{Tuner: "loft"}), []reception.Reading{first})
	})

	t.Run("ManyDuplicatesAmongNew", func(t *testing.T) {
		s := o.open(t)
		var want []reception.Reading
		for i := range int64(500) {
			want = append(want, reading(loft, t0+i*1000), reading(shed, t0+i*1000))
		}
		var some []reception.Reading
		for i, r := range want {
			if i%7 == 3 {
				some = append(some, r)
			}
		}
		appendTo(t, s, store.Batch{Readings: some})
		conflicting := slices.Clone(want)
		conflicting[3].CNDB++ // its key is taken by the true one
		a := appendTo(t, s, store.Batch{Readings: conflicting})
		if a.New != len(want)-len(some) || a.Duplicates != len(some)-1 || len(a.Conflicts) != 1 || a.Conflicts[0].Index != 3 {
			t.Errorf("append: %d new, %d duplicates, conflicts %v; want %d, %d, one at 3", a.New, a.Duplicates, a.Conflicts, len(want)-len(some), len(some)-1)
		}
		slices.SortStableFunc(want, func(a, b reception.Reading) int { return cmp.Compare(a.Tuner, b.Tuner) })
		sameReadings(t, readings(t, s, store.Query{}), want)
	})

	t.Run("Weather", func(t *testing.T) {
		s := o.open(t)
		want := oddWeather()
		in := slices.Clone(want)
		slices.Reverse(in)
		a := appendTo(t, s, store.Batch{Weather: in})
		if a.New != len(in) {
			t.Errorf("append: %+v, want %d new", a, len(in))
		}
		got := all(t, s.Weather(t.Context(), store.Span{}))
		if len(got) != len(want) {
			t.Fatalf("got %d rows, want %d", len(got), len(want))
		}
		for i := range got {
			if g, w := weatherBits(&got[i]), weatherBits(&want[i]); g != w {
				t.Errorf("row %d:\n got %s\nwant %s", i, g, w)
			}
		}
		if n := len(all(t, s.Weather(t.Context(), store.Span{From: t0, To: t0 + reception.HourMS}))); n != 3 {
			t.Errorf("got %d rows of the first hour, want 3: the end of the span is not in it", n)
		}
		other := want[0]
		other.TempC = 31
		a = appendTo(t, s, store.Batch{Weather: []reception.Weather{want[1], other}})
		if a.New != 0 || a.Duplicates != 1 || len(a.Conflicts) != 1 || !a.Conflicts[0].Weather || a.Conflicts[0].Index != 1 ||
			!strings.Contains(a.Conflicts[0].Given, "31") {
			t.Errorf("append: %+v, want a duplicate and a conflict at 1", a)
		}
	})

	t.Run("Tallies", func(t *testing.T) {
		s := o.open(t)
		in := []reception.PackedTally{
			tally(loftHi, hour0+24, "new", "f"), tally(loft, hour0+1, "old", "b"), tally(loftHi, hour0, "old", "a2"),
			tally(loft, hour0+23, "old", "d"), tally(loft, hour0, "old", "a1"), tally(loft, hour0+23, "new", "c"),
			tally(loft, hour0+24, "new", "e"), tally(loft, hour0-1, "old", ""),
		}
		appendTo(t, s, store.Batch{Tallies: in[:3]})
		appendTo(t, s, store.Batch{Tallies: in[3:]})
		want := []string{
			"-1 473 loft old  v1", "0 473 loft old a1 v1", "0 569 loft old a2 v1", "1 473 loft old b v1",
			"23 473 loft new c v1", "23 473 loft old d v1", "24 473 loft new e v1", "24 569 loft new f v1",
		}
		sameStrings(t, "all", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), want)
		sameStrings(t, "hours that begin in the span", tallyKeys(all(t, s.Tallies(t.Context(),
			store.Query{Span: store.Span{From: t0 + 1, To: t0 + 24*reception.HourMS}}))), want[3:6])
		sameStrings(t, "one frequency", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{FrequencyHz: 569e6}))), []string{want[2], want[7]})

		replaced := tally(loft, hour0, "old", "again")
		replaced.Version = 2
		appendTo(t, s, store.Batch{Tallies: []reception.PackedTally{replaced}})
		want[1] = "0 473 loft old again v2"
		sameStrings(t, "replaced", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), want)

		appendTo(t, s, store.Batch{
			ReplaceHours: []store.DirtyHour{{Series: loft, Hour: hour0 + 23}, {Series: loft, Hour: hour0 + 500}},
			Tallies:      []reception.PackedTally{tally(loft, hour0+23, "third", "x")},
		})
		want = slices.Concat(want[:4], []string{"23 473 loft third x v1"}, want[6:])
		sameStrings(t, "moved to another regime", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), want)

		appendTo(t, s, store.Batch{ReplaceHours: []store.DirtyHour{{Series: loft, Hour: hour0 + 1}}})
		sameStrings(t, "dropped", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), slices.Delete(want, 3, 4))
	})

	t.Run("LargeTallies", func(t *testing.T) {
		s := o.open(t)
		var want []string
		for h := range int64(24) {
			body := strings.Repeat(fmt.Sprint(h%10), int(100+h*90))
			appendTo(t, s, store.Batch{Tallies: []reception.PackedTally{tally(loft, hour0+h, "i", body)}})
			want = append(want, fmt.Sprintf("%d 473 loft i %s v1", h, body))
		}
		sameStrings(t, "a full day", tallyKeys(all(t, s.Tallies(t.Context(), store.Query{}))), want)
	})

	t.Run("StopEarly", func(t *testing.T) {
		s := o.open(t)
		var rs []reception.Reading
		for i := range int64(5000) {
			rs = append(rs, reading(loft, t0+i*1000))
		}
		appendTo(t, s, store.Batch{Readings: rs, Weather: oddWeather(),
			Tallies: []reception.PackedTally{tally(loft, hour0, "i", "a"), tally(loft, hour0+1, "i", "b")}})
		must(t, s.Put(t.Context(), reception.Entry{Kind: "note", Key: "a", Known: 1}, reception.Entry{Kind: "note", Key: "b", Known: 1}))
		for range 20 { // often: a leak would use up what the engine has
			for range s.Readings(t.Context(), store.Query{}) {
				break
			}
			for range s.Weather(t.Context(), store.Always) {
				break
			}
			for range s.Tallies(t.Context(), store.Query{}) {
				break
			}
			for range s.Changes(t.Context(), 0) {
				break
			}
			for range s.Entries(t.Context(), "note") {
				break
			}
			for range s.History(t.Context(), "note") {
				break
			}
		}
		appendTo(t, s, store.Batch{Readings: []reception.Reading{reading(shed, t0)}})
	})
}

// oddReadings returns readings of one series, ascending, with the values that are
// easily lost: not available, zero, minus zero, one in the last place, infinite,
// counts beyond 2^53, not measured, long names.
func oddReadings() []reception.Reading {
	nan := math.NaN()
	at := t0
	next := func(change func(*reception.Reading)) reception.Reading {
		r := reading(loft, at)
		at += 1000
		change(&r)
		return r
	}
	blank := reception.NewReading()
	return []reception.Reading{
		next(func(*reception.Reading) {}),
		next(func(r *reception.Reading) {
			x := blank
			x.Time, x.Tuner, x.FrequencyHz, x.Layer = r.Time, r.Tuner, r.FrequencyHz, r.Layer
			*r = x
		}),
		next(func(r *reception.Reading) { r.CNDB, r.CNLowDB, r.CNSpreadDB = 0, math.Copysign(0, -1), 0.1 }),
		next(func(r *reception.Reading) {
			r.CNDB, r.LevelDBm = math.Nextafter(20.1, 21), math.Nextafter(-61.5, -62)
		}),
		next(func(r *reception.Reading) { r.CNDB, r.LevelDBm, r.LevelPct = 20.123, -61.25, 1.0/3 }),
		next(func(r *reception.Reading) { r.CNDB, r.LevelDBm = math.Inf(1), math.Inf(-1) }),
		next(func(r *reception.Reading) { r.CNDB, r.QualityPct, r.ErroredS = 1e300, 5e-324, 1234567.5 }),
		next(func(r *reception.Reading) {
			r.PreErrors, r.PreBits, r.UncorrectedBlocks, r.TotalBlocks = 0, 1<<62+1, 1<<53+1, math.MaxInt64
		}),
		next(func(r *reception.Reading) { r.Locked, r.LockedMS, r.CNDB, r.Identity = false, 0, nan, "0x0421/0x0003" }),
		next(func(r *reception.Reading) {
			r.Why, r.Locked, r.CNDB, r.Visit = reception.WhyViewer, false, nan, reception.VisitExtra
		}),
		next(func(r *reception.Reading) {
			r.Visit, r.Known, r.TunedHz = reception.VisitRiding, t0+86_400_000, 473_000_123
		}),
		next(func(r *reception.Reading) {
			r.Mode, r.Scale, r.Identity = "64qam-3/4", strings.Repeat("s", 300), "2026-03-01T00:00:00Z"
		}),
		next(func(r *reception.Reading) { r.Time, r.LevelPct, r.QualityPct = r.Time+1, 100, 99.9 }),
	}
}

// oddWeather returns rows in the order in which Weather yields them: three within
// the first hour.
func oddWeather() []reception.Weather {
	row := func(at int64, source string, interval int64, change func(*reception.Weather)) reception.Weather {
		w := reception.NewWeather()
		w.Time, w.Source, w.IntervalS = at, source, interval
		change(&w)
		return w
	}
	return []reception.Weather{
		row(t0, "airport", 3600, func(w *reception.Weather) { w.TempC, w.DewpointC, w.DistanceKM = -12.3, math.Copysign(0, -1), 7.25 }),
		row(t0, "roof", 300, func(w *reception.Weather) {
			w.Modelled, w.Precipitation, w.Thunder = true, reception.PrecipTrace, reception.No
		}),
		row(t0, "roof", 3600, func(w *reception.Weather) { w.RainMMPerHour, w.Known = 1.0/3, t0+5000 }),
		row(t0+reception.HourMS, "airport", 3600, func(w *reception.Weather) {
			w.WindMPS, w.GustMPS, w.WindDirDeg, w.PressureHPa, w.SnowMMPerHour = 4.1, 0, 360, 1013.25, 0
		}),
	}
}
