package tally

import (
	"cmp"
	"math"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"pgregory.net/rapid"
)

// What a bitWriter wrote comes back, in as many bits as gammaBits says.
func TestBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type item struct {
			gamma bool
			v     uint64
			k     uint
		}
		var items []item
		var w bitWriter
		n := uint(0)
		for range rapid.IntRange(0, 60).Draw(t, "items") {
			it := item{rapid.Bool().Draw(t, "gamma"), rapid.Uint64().Draw(t, "v"), rapid.UintRange(0, maxBits).Draw(t, "k")}
			it.v >>= rapid.UintRange(0, 63).Draw(t, "smaller")
			if it.gamma {
				w.gamma(it.v, it.k)
				n += gammaBits(it.v, it.k)
			} else {
				it.v &= 1<<it.k - 1
				w.wide(it.v, it.k)
				n += it.k
			}
			items = append(items, it)
		}
		b := w.end()
		if uint(len(b)) != (n+7)/8 {
			t.Fatalf("%d bits took %d bytes", n, len(b))
		}
		r := bitReader{b: b}
		for _, it := range items {
			got := uint64(0)
			if it.gamma {
				got = r.gamma(it.k)
			} else {
				got = r.wide(it.k)
			}
			if got != it.v {
				t.Fatalf("%+v came back as %d", it, got)
			}
		}
		if !r.over() {
			t.Fatal("something is left")
		}
		if r.take(8); !r.bad {
			t.Fatal("there is more to read than was written")
		}
	})
}

// anyNumber draws numbers of every size, round ones and the ends among them.
func anyNumber(t *rapid.T, label string) int64 {
	switch rapid.IntRange(0, 5).Draw(t, label+"Kind") {
	case 0:
		return 0
	case 1:
		return rapid.SampledFrom([]int64{math.MinInt64, math.MinInt64 + 1, math.MaxInt64, safe, -safe, safe - 1000, 3600e3}).Draw(t, label)
	case 2:
		return rapid.Int64().Draw(t, label)
	case 3:
		return 1000 * rapid.Int64Range(-5000, 5000).Draw(t, label)
	}
	return rapid.Int64Range(-20, 4000).Draw(t, label)
}

// anyBins draws ascending bins without zero counts.
func anyBins(t *rapid.T, label string) (out []reception.Bin) {
	for _, b := range rapid.SliceOfNDistinct(rapid.OneOf(rapid.Int32Range(180, 260), rapid.Int32()), 0, 120, rapid.ID).Draw(t, label) {
		n := anyNumber(t, label+"N")
		if n == 0 {
			n = 1
		}
		out = append(out, reception.Bin{Bin: b, N: n})
	}
	slices.SortFunc(out, func(a, b reception.Bin) int { return cmp.Compare(a.Bin, b.Bin) })
	return out
}

// Any tally comes back, whatever its numbers: sums over decades, differences, damage.
func TestPackAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var tl reception.Tally
		for _, f := range scalars(&tl) {
			*f = anyNumber(t, "scalar")
		}
		for i, h := range histograms(&tl) {
			if rapid.Bool().Draw(t, "empty") {
				continue
			}
			if *h = anyBins(t, "bins"); i == 3 && rapid.Bool().Draw(t, "like C/N") {
				*h = tl.CN
			}
		}
		bins := tl.CN
		if rapid.Bool().Draw(t, "other dose") {
			bins = anyBins(t, "dose")
		}
		for _, b := range bins {
			d := reception.DoseBin{Bin: b.Bin, Visits: b.N}
			if rapid.Bool().Draw(t, "counted") {
				for _, f := range []*int64{&d.Visits, &d.Failed, &d.ErroredUS, &d.ErroredBlocks, &d.Blocks, &d.PreErrors, &d.PreBits} {
					*f = anyNumber(t, "dose")
				}
			}
			if d != (reception.DoseBin{Bin: d.Bin}) {
				tl.Dose = append(tl.Dose, d)
			}
		}
		for range rapid.IntRange(0, 4).Draw(t, "runs") {
			var r reception.BadRun
			for _, f := range runFields(&r) {
				*f = anyNumber(t, "run")
			}
			tl.Runs = append(tl.Runs, r)
		}
		slices.SortFunc(tl.Runs, compareRuns)
		k := Keyed{Key: reception.TallyKey{Hour: rapid.Int64Range(-1e6, 1e6).Draw(t, "hour")}, Tally: tl}
		got, err := Unpack(Pack(k))
		if err != nil || !reflect.DeepEqual(got, k) {
			t.Fatalf("came back as\n%+v, %v; want\n%+v", got, err, k)
		}
	})
}

// An Unpacker gives what Unpack gives, tally after tally, damaged ones between them.
func TestUnpacker(t *testing.T) {
	all, _ := worldTallies(5*time.Minute, 2)
	var u Unpacker
	for i, k := range all {
		p := Pack(k)
		if i%7 == 3 {
			short := p
			short.Body = p.Body[:len(p.Body)-1]
			old := p
			old.Version--
			for _, bad := range []reception.PackedTally{short, old} {
				_, want := Unpack(bad)
				if _, err := u.Unpack(&bad); err == nil || want == nil || err.Error() != want.Error() {
					t.Errorf("a bad one: %v, want %v", err, want)
				}
			}
		}
		got, err := u.Unpack(&p)
		if err != nil || !reflect.DeepEqual(*got, k) {
			t.Fatalf("tally %d came back as\n%+v, %v; want\n%+v", i, got, err, k)
		}
	}
	p := Pack(all[0])
	if n := testing.AllocsPerRun(100, func() { u.Unpack(&p) }); n != 0 {
		t.Errorf("%g allocations a tally, want none", n)
	}
}

// worldTallies are the tallies of the first world's twelve channels over some days,
// visited so often.
func worldTallies(every time.Duration, days int) (out []Keyed, readings int) {
	now := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	by := map[reception.Series][]reception.Reading{}
	var order []reception.Series
	for r := range firstworld.New(1, now).Past(now.AddDate(0, 0, -days), now, firstworld.Schedule{Every: every}) {
		if by[r.Series()] == nil {
			order = append(order, r.Series())
		}
		by[r.Series()] = append(by[r.Series()], r)
		readings++
	}
	rules := Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: every.Milliseconds()}
	for _, s := range order {
		rs := by[s]
		for i := 0; i < len(rs); {
			j := i
			for j < len(rs) && HourOf(rs[j].Time) == HourOf(rs[i].Time) {
				j++
			}
			out = append(out, Hour(rs[i:j], rs[:i], rs[j:], nil, rules)...)
			i = j
		}
	}
	return out, readings
}

// The size of tallies decides how much a year takes, and how long it takes to read. The
// first world's were 110.7 bytes at a visit in five minutes and 171.4 at one a minute in
// the version before, 36.6 and 58.7 in this one.
func TestPackedSizeOfTheFirstWorld(t *testing.T) {
	t.Parallel()
	for every, most := range map[time.Duration]float64{5 * time.Minute: 40, time.Minute: 64} {
		all, readings := worldTallies(every, 4)
		n := 0
		for _, k := range all {
			n += len(Pack(k).Body)
		}
		mean := float64(n) / float64(len(all))
		t.Logf("every %v: %.1f bytes a tally, %.2f a reading", every, mean, float64(n)/float64(readings))
		if mean > most {
			t.Errorf("every %v: %.1f bytes a tally, want %g at most", every, mean, most)
		}
	}
}

var benchTallies = sync.OnceValue(func() []Keyed {
	all, _ := worldTallies(5*time.Minute, 2)
	return all
})

func BenchmarkPack(b *testing.B) {
	all := benchTallies()
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		Pack(all[n%len(all)])
		n++
	}
}

func BenchmarkUnpacker(b *testing.B) {
	var packed []reception.PackedTally
	for _, k := range benchTallies() {
		packed = append(packed, Pack(k))
	}
	var u Unpacker
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		if _, err := u.Unpack(&packed[n%len(packed)]); err != nil {
			b.Fatal(err)
		}
		n++
	}
}

func BenchmarkUnpack(b *testing.B) {
	var packed []reception.PackedTally
	for _, k := range benchTallies() {
		packed = append(packed, Pack(k))
	}
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Unpack(packed[n%len(packed)]); err != nil {
			b.Fatal(err)
		}
		n++
	}
}
