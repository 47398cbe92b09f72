//go:build unix

package embedded

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// cpu returns the processor time that this process has used: on a machine that does
// other things too it is steadier than the time that passes.
func cpu() time.Duration {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

const start = 1_767_225_600_000 // 2026-01-01 00:00 UTC

// visits returns n rounds of visits to channels, one a minute, as a live home with
// four tuners would have them.
func visits(channels int, from int64, rounds int) []reception.Reading {
	out := make([]reception.Reading, 0, channels*rounds)
	for i := range rounds {
		for c := range channels {
			r := reception.NewReading()
			r.Time = from + int64(i)*60_000 + int64(c/4)*1000
			r.Tuner, r.FrequencyHz = fmt.Sprintf("tuner %d", c%4), 473e6+int64(c)*6e6
			r.DwellMS, r.Locked, r.LockedMS = 5000, true, 5000
			r.CNDB, r.LevelDBm = float64(180+(i*7+c*13)%90)/10, -float64(550+(i*3+c*11)%200)/10
			r.CNLowDB, r.CNSpreadDB = float64(176+(i*7+c*13)%90)/10, 0.15
			r.UncorrectedBlocks, r.TotalBlocks, r.PreErrors, r.PreBits = int64(i%50/49*3), 64470, int64(i*31%900), 96_470_000
			r.System, r.Mode, r.Scale, r.Identity = reception.ATSC1, "8vsb", "a1b2c3", fmt.Sprintf("0x%04x", 0x400+c)
			out = append(out, r)
		}
	}
	return out
}

func BenchmarkAppendOne(b *testing.B) { benchmarkAppend(b, 1) }

func BenchmarkAppendTen(b *testing.B) { benchmarkAppend(b, 10) }

// benchmarkAppend measures durable appends of n readings of one instant.
func benchmarkAppend(b *testing.B, n int) {
	f := newFaulty(b)
	s := open(b, b.TempDir(), Options{vfs: f.name})
	defer s.Close()
	if _, err := s.Append(b.Context(), store.Batch{Readings: visits(n, start, 1000), FoldedReadings: true}); err != nil {
		b.Fatal(err)
	}
	round := visits(n, start, 1)
	at := int64(start + 1000*60_000)
	f.bytes.Store(0)
	var took []time.Duration
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		for i := range round {
			round[i].Time = at
		}
		at += 60_000
		from := time.Now()
		if _, err := s.Append(b.Context(), store.Batch{Readings: round, FoldedReadings: true}); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(from))
	}
	b.ReportMetric(float64((cpu()-used).Microseconds())/float64(len(took)), "cpu-µs/op")
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "median-µs")
	b.ReportMetric(float64(took[len(took)*95/100].Microseconds()), "p95-µs")
	b.ReportMetric(float64(f.bytes.Load())/float64(len(took)), "written-B/op")
}

func BenchmarkImport(b *testing.B) {
	const channels, rounds = 40, 1250
	b.ReportAllocs()
	n := 0
	var used time.Duration
	dir := b.TempDir()
	s := open(b, dir, Options{})
	defer s.Close()
	var batches int
	for b.Loop() {
		b.StopTimer()
		batch := visits(channels, start+int64(batches)*rounds*60_000, rounds)
		batches++
		b.StartTimer()
		from := cpu()
		a, err := s.Append(b.Context(), store.Batch{Readings: batch, FoldedReadings: true})
		used += cpu() - from
		if err != nil || a.New != len(batch) {
			b.Fatal(a, err)
		}
		n += a.New
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(used.Nanoseconds())/float64(n), "cpu-ns/reading")
	if err := s.w.exec(b.Context(), "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		b.Fatal(err)
	}
	st, err := os.Stat(filepath.Join(dir, "holdfast.db"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(st.Size())/float64(n), "disk-B/reading")
}

func BenchmarkReimport(b *testing.B) {
	s := open(b, b.TempDir(), Options{})
	defer s.Close()
	batch := visits(40, start, 1250)
	if _, err := s.Append(b.Context(), store.Batch{Readings: batch}); err != nil {
		b.Fatal(err)
	}
	n := 0
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		a, err := s.Append(b.Context(), store.Batch{Readings: batch})
		if err != nil || a.Duplicates != len(batch) {
			b.Fatal(a, err)
		}
		n += len(batch)
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n), "cpu-ns/reading")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkReadMonth reads one channel's month at a visit in five minutes, among
// twelve channels.
func BenchmarkReadMonth(b *testing.B) {
	s := open(b, b.TempDir(), Options{})
	defer s.Close()
	all := visits(12, start, 30*24*12)
	for i := range all {
		all[i].Time = start + (all[i].Time-start)/60_000*300_000 + all[i].Time%60_000
	}
	if _, err := s.Append(b.Context(), store.Batch{Readings: all, FoldedReadings: true}); err != nil {
		b.Fatal(err)
	}
	n := 0
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		m := 0
		for chunk, err := range s.Readings(b.Context(), store.Query{FrequencyHz: all[0].FrequencyHz}) {
			if err != nil {
				b.Fatal(err)
			}
			m += len(chunk)
		}
		if m != 30*24*12 {
			b.Fatal(m)
		}
		n += m
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n), "cpu-ns/reading")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkReadTallies reads a year of forty channels' tallies, 150 bytes each.
func BenchmarkReadTallies(b *testing.B) {
	s := open(b, b.TempDir(), Options{})
	defer s.Close()
	body := make([]byte, 150)
	channels := visits(40, start, 1)
	const days = 365
	for day := range int64(days) {
		var batch store.Batch
		for h := range int64(24) {
			for i := range channels {
				body[h]++
				batch.Tallies = append(batch.Tallies, reception.PackedTally{
					TallyKey: reception.TallyKey{Series: channels[i].Series(), Regime: reception.Regime{Installation: "first", Mode: "8vsb", Scale: "a1"},
						Hour: store.HourOf(start) + day*24 + h},
					Version: 1, Body: slices.Clone(body)})
			}
		}
		if _, err := s.Append(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	n := 0
	used := cpu()
	for b.Loop() {
		m := 0
		for _, err := range s.Tallies(b.Context(), store.Query{}) {
			if err != nil {
				b.Fatal(err)
			}
			m++
		}
		if m != days*24*40 {
			b.Fatal(m)
		}
		n += m
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n), "cpu-ns/tally")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "tallies/s")
}
