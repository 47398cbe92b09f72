package storetest

import (
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// runAnyOrder checks that any order of appends, in any batches, with repeats and
// reopening, gives the readings of one sorted append.
func runAnyOrder(t *testing.T, o Options) {
	rapid.Check(t, func(rt *rapid.T) {
		want := drawReadings(rt)
		// Play them shuffled, some twice, cut into batches.
		play := rapid.Permutation(want).Draw(rt, "order")
		if len(play) > 0 {
			play = append(play, rapid.SliceOfN(rapid.SampledFrom(want), 0, 5).Draw(rt, "repeats")...)
		}
		dir, err := os.MkdirTemp(t.TempDir(), "")
		if err != nil {
			rt.Fatal(err)
		}
		s := o.Open(t, dir)
		defer func() { s.Close() }()
		added, duplicates := 0, 0
		for len(play) > 0 {
			n := rapid.IntRange(1, len(play)).Draw(rt, "batch")
			a, err := s.Append(t.Context(), store.Batch{Readings: play[:n], FoldedReadings: rapid.Bool().Draw(rt, "folded")})
			if err != nil || len(a.Conflicts) > 0 {
				rt.Fatalf("append: %v, conflicts %v", err, a.Conflicts)
			}
			added, duplicates, play = added+a.New, duplicates+a.Duplicates, play[n:]
			if !o.Forgets && rapid.IntRange(0, 5).Draw(rt, "reopen") == 0 {
				if err := s.Close(); err != nil {
					rt.Fatal(err)
				}
				s = o.Open(t, dir)
			}
		}
		if added != len(want) {
			rt.Fatalf("%d were new, want %d (%d duplicates)", added, len(want), duplicates)
		}
		slices.SortFunc(want, func(a, b reception.Reading) int {
			if c := store.CompareSeries(a.Series(), b.Series()); c != 0 {
				return c
			}
			return int(a.Time - b.Time)
		})
		var got []reception.Reading
		for chunk, err := range s.Readings(t.Context(), store.Query{}) {
			if err != nil {
				rt.Fatal(err)
			}
			got = append(got, chunk...)
		}
		if len(got) != len(want) {
			rt.Fatalf("got %d readings, want %d", len(got), len(want))
		}
		for i := range got {
			if g, w := bits(&got[i]), bits(&want[i]); g != w {
				rt.Fatalf("reading %d:\n got %s\nwant %s", i, g, w)
			}
		}
		series, err := s.Series(t.Context())
		if err != nil {
			rt.Fatal(err)
		}
		var expect []store.Stored
		for _, r := range want {
			if n := len(expect); n == 0 || expect[n-1].Series != r.Series() {
				expect = append(expect, store.Stored{Series: r.Series(), First: r.Time})
			}
			last := &expect[len(expect)-1]
			last.Last = r.Time
			last.Count++
		}
		if !slices.Equal(series, expect) {
			rt.Fatalf("series:\n got %+v\nwant %+v", series, expect)
		}
	})
}

// drawReadings draws readings of different keys.
func drawReadings(rt *rapid.T) []reception.Reading {
	keys := []reception.Series{loft, shed, loftHi, layerA}
	float := rapid.OneOf(rapid.Float64(), rapid.Map(rapid.IntRange(-900, 900), func(n int) float64 { return float64(n) / 10 }))
	count := rapid.Int64Min(reception.NotCounted)
	one := rapid.Custom(func(rt *rapid.T) reception.Reading {
		r := reading(rapid.SampledFrom(keys).Draw(rt, "series"), t0+rapid.Int64Range(0, 7_200_000).Draw(rt, "time"))
		r.Visit = rapid.SampledFrom([]reception.VisitKind{reception.VisitBase, reception.VisitExtra, reception.VisitRiding}).Draw(rt, "visit")
		r.Why = rapid.SampledFrom(append(reception.Reasons(), reception.Measured)).Draw(rt, "why")
		r.Locked = rapid.Bool().Draw(rt, "locked")
		r.CNDB, r.LevelDBm, r.CNLowDB = float.Draw(rt, "cn"), float.Draw(rt, "level"), float.Draw(rt, "low")
		r.UncorrectedBlocks, r.LockedMS, r.PreBits = count.Draw(rt, "blocks"), count.Draw(rt, "locked_ms"), count.Draw(rt, "bits")
		r.Identity = rapid.StringN(0, 8, 32).Draw(rt, "identity")
		return r
	})
	type key struct {
		reception.Series
		time int64
	}
	return rapid.SliceOfNDistinct(one, 0, 60, func(r reception.Reading) key { return key{r.Series(), r.Time} }).Draw(rt, "readings")
}
