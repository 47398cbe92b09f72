//go:build unix

package embedded

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// history returns visits to channels, one a minute, in series order: C/N and level
// walk slowly and scatter by a few tenths, errors are rare and come in runs. The columns
// that a tuner of the middling kind fills: C/N, level, errors before correction, blocks.
func history(channels int, from int64, rounds int) []reception.Reading {
	out := make([]reception.Reading, 0, channels*rounds)
	for c := range channels {
		rng := rand.New(rand.NewPCG(uint64(c), uint64(from)))
		cn, level := 16+0.4*float64(c), -70+0.5*float64(c)
		for i := range rounds {
			r := reception.NewReading()
			r.Time = from + int64(i)*60_000 + rng.Int64N(15)
			r.Tuner, r.FrequencyHz = fmt.Sprintf("tuner %d", c%4), 473e6+int64(c)*6e6
			r.DwellMS = 5000
			cn += (18+0.3*float64(c)-cn)*0.01 + rng.NormFloat64()*0.1
			level += (-65+0.5*float64(c)-level)*0.01 + rng.NormFloat64()*0.1
			r.LevelDBm = math.Round((level+rng.NormFloat64()*0.15)*10) / 10
			if r.Locked = cn > 14; r.Locked {
				r.CNDB = math.Round((cn+rng.NormFloat64()*0.15)*10) / 10
				r.TotalBlocks, r.PreErrors, r.UncorrectedBlocks = 64470+rng.Int64N(3), int64(rng.ExpFloat64()*2*math.Exp((22-cn)/3)), 0
				if r.CNDB < 15.2 {
					r.UncorrectedBlocks = rng.Int64N(40)
				}
			}
			r.System, r.Mode, r.Scale = reception.ATSC1, "8vsb", "a1b2c3"
			out = append(out, r)
		}
	}
	return out
}

// month0 and its length: a month that is over.
const (
	month0     = start
	monthDays  = 30
	monthTurns = monthDays * 24 * 60
)

// aMonth stores a month of channels, a visit a minute, as an import would.
func aMonth(b testing.TB, channels int) (*Store, string) {
	b.Helper()
	dir := b.TempDir()
	s := open(b, dir, Options{})
	const days = 5
	for d := 0; d < monthDays; d += days {
		if _, err := s.Append(b.Context(), store.Batch{Readings: history(channels, month0+int64(d)*dayMS, days*24*60), FoldedReadings: true}); err != nil {
			b.Fatal(err)
		}
	}
	return s, dir
}

// sizeOf returns how many bytes the sealed files take.
func sizeOf(b testing.TB, dir string) (n int64) {
	b.Helper()
	for _, name := range files(b, dir) {
		st, err := os.Stat(filepath.Join(dir, "readings", name))
		if err != nil {
			b.Fatal(err)
		}
		n += st.Size()
	}
	return n
}

// BenchmarkBulk stores histories of forty channels, five days at a time.
func BenchmarkBulk(b *testing.B) {
	dir := b.TempDir()
	s := open(b, dir, Options{})
	defer s.Close()
	const channels, rounds = 40, 5 * 24 * 60
	n, days := 0, int64(0)
	var used time.Duration
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		batch := store.Batch{Readings: history(channels, month0+days*dayMS, rounds), FoldedReadings: true}
		days += 5
		b.StartTimer()
		from := cpu()
		a, err := s.Append(b.Context(), batch)
		used += cpu() - from
		if err != nil || a.New != len(batch.Readings) {
			b.Fatal(a, err)
		}
		n += a.New
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(used.Nanoseconds())/float64(n), "cpu-ns/reading")
	b.ReportMetric(float64(sizeOf(b, dir))/float64(n), "disk-B/reading")
}

// BenchmarkBulkAgain stores what is there.
func BenchmarkBulkAgain(b *testing.B) {
	s := open(b, b.TempDir(), Options{})
	defer s.Close()
	batch := store.Batch{Readings: history(40, month0, 5*24*60), FoldedReadings: true}
	if _, err := s.Append(b.Context(), batch); err != nil {
		b.Fatal(err)
	}
	n := 0
	used := cpu()
	for b.Loop() {
		a, err := s.Append(b.Context(), batch)
		if err != nil || a.Duplicates != len(batch.Readings) {
			b.Fatal(a, err)
		}
		n += a.Duplicates
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n), "cpu-ns/reading")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkReadSealedMonth reads a month of one channel among forty, a visit a minute.
func BenchmarkReadSealedMonth(b *testing.B) {
	s, dir := aMonth(b, 40)
	defer s.Close()
	if err := s.Tidy(b.Context(), far); err != nil {
		b.Fatal(err)
	}
	n := 0
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		m := 0
		for chunk, err := range s.Readings(b.Context(), store.Query{FrequencyHz: 473e6 + 20*6e6}) {
			if err != nil {
				b.Fatal(err)
			}
			m += len(chunk)
		}
		if m != monthTurns {
			b.Fatal(m)
		}
		n += m
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n), "cpu-ns/reading")
	b.ReportMetric(float64(sizeOf(b, dir))/float64(40*monthTurns), "disk-B/reading")
}

// BenchmarkMerge merges a month of forty channels in six parts, 1.7 million readings.
func BenchmarkMerge(b *testing.B) {
	var used time.Duration
	for b.Loop() {
		b.StopTimer()
		s, dir := aMonth(b, 40)
		before := sizeOf(b, dir)
		b.StartTimer()
		from := cpu()
		if err := s.Tidy(b.Context(), far); err != nil {
			b.Fatal(err)
		}
		used += cpu() - from
		b.StopTimer()
		if n := len(files(b, dir)); n != 1 {
			b.Fatalf("%d files", n)
		}
		b.ReportMetric(float64(before)/float64(40*monthTurns), "before-B/reading")
		b.ReportMetric(float64(sizeOf(b, dir))/float64(40*monthTurns), "disk-B/reading")
		s.Close()
		os.RemoveAll(dir)
		b.StartTimer()
	}
	b.ReportMetric(float64(used.Milliseconds())/float64(b.N), "cpu-ms/op")
}

// BenchmarkSealDay seals a day of forty channels, 57,600 readings.
func BenchmarkSealDay(b *testing.B) {
	f := newFaulty(b)
	s := open(b, b.TempDir(), f.options(Options{}))
	defer s.Close()
	day := int64(0)
	var used time.Duration
	var wrote int64
	for b.Loop() {
		b.StopTimer()
		all := history(40, month0+day*dayMS, 24*60)
		for i := 0; i < len(all); i += 1000 { // hot
			if _, err := s.Append(b.Context(), store.Batch{Readings: all[i:min(len(all), i+1000)], FoldedReadings: true}); err != nil {
				b.Fatal(err)
			}
		}
		day++
		b.StartTimer()
		from, bytes := cpu(), f.bytes.Load()
		if err := s.sealDays(b.Context(), month0+day*dayMS+hotMS); err != nil {
			b.Fatal(err)
		}
		used += cpu() - from
		wrote += f.bytes.Load() - bytes
	}
	b.ReportMetric(float64(used.Milliseconds())/float64(b.N), "cpu-ms/op")
	b.ReportMetric(float64(wrote)/float64(b.N), "written-B/op")
}

// BenchmarkOpenAfterCrash opens a store of a year whose last day's seal was cut short.
func BenchmarkOpenAfterCrash(b *testing.B) {
	dir := b.TempDir()
	s := open(b, dir, Options{})
	for m := range int64(12) {
		if _, err := s.Append(b.Context(), store.Batch{Readings: history(40, month0+m*30*dayMS, 30*24*6), FoldedReadings: true}); err != nil {
			b.Fatal(err)
		}
	}
	hot := history(40, month0+370*dayMS, 24*60)
	for i := 0; i < len(hot); i += 1000 {
		if _, err := s.Append(b.Context(), store.Batch{Readings: hot[i:min(len(hot), i+1000)], FoldedReadings: true}); err != nil {
			b.Fatal(err)
		}
	}
	var left string
	s.at = func(m moment) {
		if m == 3 {
			left = b.TempDir()
			copyStore(b, dir, left)
		}
	}
	if err := s.sealDays(b.Context(), month0+371*dayMS+hotMS); err != nil {
		b.Fatal(err)
	}
	s.Close()
	var used time.Duration
	for b.Loop() {
		b.StopTimer()
		at := filepath.Join(b.TempDir(), "store")
		copyStore(b, left, at)
		b.StartTimer()
		from := cpu()
		s := open(b, at, Options{})
		used += cpu() - from
		b.StopTimer()
		s.Close()
		b.StartTimer()
	}
	b.ReportMetric(float64(used.Milliseconds())/float64(b.N), "cpu-ms/op")
}
