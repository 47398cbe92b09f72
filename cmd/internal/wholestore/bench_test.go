//go:build unix

package wholestore

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector/intake"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
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

// benchHome is a store with some days of the first world in it, each channel visited
// once a minute.
func benchHome(b *testing.B, days int) (*embedded.Store, *intake.Intake, int) {
	b.Helper()
	now := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	s, err := embedded.Open(b.Context(), b.TempDir(), embedded.Options{ReserveBytes: -1})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	in, err := intake.New(s, s, intake.Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: minute}
		},
		Now: func() time.Time { return now.AddDate(0, 1, 0) },
	})
	if err == nil {
		err = in.Recover(b.Context())
	}
	if err != nil {
		b.Fatal(err)
	}
	var all []reception.Reading
	for r := range firstworld.New(1, now).Past(now.AddDate(0, 0, -days), now, firstworld.Schedule{Every: time.Minute}) {
		all = append(all, r)
	}
	if _, err := in.Import(b.Context(), rows(all), nil); err != nil {
		b.Fatal(err)
	}
	return s, in, len(all)
}

// BenchmarkReadTallies reads and unpacks a year of forty channels' tallies.
func BenchmarkReadTallies(b *testing.B) {
	small, _, _ := benchHome(b, 1)
	var packed []reception.PackedTally
	for p, err := range small.Tallies(b.Context(), store.Query{}) {
		if err != nil {
			b.Fatal(err)
		}
		if k, err := tally.Unpack(p); err == nil && len(k.Tally.Runs) == 0 { // whose instants are those of their hour
			packed = append(packed, p)
		}
	}
	s, err := embedded.Open(b.Context(), b.TempDir(), embedded.Options{ReserveBytes: -1})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	const days, channels = 365, 40
	n := 0
	for month := range int64(12) {
		var batch store.Batch
		for day := month * days / 12; day < (month+1)*days/12; day++ {
			for h := range int64(24) {
				for c := range int64(channels) {
					p := packed[n%len(packed)]
					n++
					p.FrequencyHz, p.Layer, p.Tuner, p.Hour = 473e6+c*6e6, "", "loft", week0/hour+day*24+h
					batch.Tallies = append(batch.Tallies, p)
				}
			}
		}
		if _, err := s.Append(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	whole, err := s.Backup(b.Context(), b.TempDir(), nil)
	if err != nil {
		b.Fatal(err)
	}
	for name, unpack := range map[string]bool{"packed": false, "unpacked": true} {
		b.Run(name, func(b *testing.B) {
			read := 0
			var u tally.Unpacker
			b.ReportAllocs()
			used := cpu()
			for b.Loop() {
				for p, err := range s.Tallies(b.Context(), store.Query{}) {
					if err == nil && unpack {
						_, err = u.Unpack(&p)
					}
					if err != nil {
						b.Fatal(err)
					}
					read++
				}
			}
			if read%n != 0 {
				b.Fatalf("%d read, want a multiple of %d", read, n)
			}
			b.ReportMetric((cpu()-used).Seconds()/float64(read/n), "cpu-s/year")
			b.ReportMetric(b.Elapsed().Seconds()/float64(read/n), "s/year")
			b.ReportMetric(float64(whole.Bytes)/float64(n), "disk-B/tally")
		})
	}
}

// BenchmarkRebuild makes all tallies again, as a new version of them does.
func BenchmarkRebuild(b *testing.B) {
	s, in, n := benchHome(b, 20)
	times := 0
	used := cpu()
	for b.Loop() {
		if err := s.Touch(b.Context(), store.Query{}); err != nil {
			b.Fatal(err)
		}
		if err := in.Rebuild(b.Context()); err != nil {
			b.Fatal(err)
		}
		times++
	}
	b.ReportMetric(float64((cpu()-used).Nanoseconds())/float64(n*times), "cpu-ns/reading")
	b.ReportMetric(float64(n*times)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkLive stores one visit after another, as a daemon does: checked, folded,
// durable. One in twelve closes the hour of its channel.
func BenchmarkLive(b *testing.B) {
	s, err := embedded.Open(b.Context(), b.TempDir(), embedded.Options{ReserveBytes: -1})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	now := int64(week0)
	in, err := intake.New(s, s, intake.Options{
		Rules: func(reception.Series) tally.Rules {
			return tally.Rules{System: reception.ATSC1, Unit: reception.UnitDB, BaseIntervalMS: 5 * minute}
		},
		Now: func() time.Time { return time.UnixMilli(now) },
	})
	if err == nil {
		err = in.Recover(b.Context())
	}
	if err != nil {
		b.Fatal(err)
	}
	world := firstworld.New(1, time.UnixMilli(week0))
	freqs := world.Frequencies(world.Tuners()[0].Name)
	visit := func(i int64) []reception.Reading {
		now = week0 + i/int64(len(freqs))*5*minute + i%int64(len(freqs))*10_000
		return []reception.Reading{world.Visit(world.Tuners()[0].Name, freqs[i%int64(len(freqs))], time.UnixMilli(now), 5*time.Second)}
	}
	n := int64(0)
	for ; n < 300; n++ {
		if err := in.Add(b.Context(), visit(n)); err != nil {
			b.Fatal(err)
		}
	}
	var visits [][]reception.Reading
	for i := range int64(4000) {
		visits = append(visits, visit(n+i))
	}
	b.ReportAllocs()
	used, done := cpu(), 0
	for b.Loop() {
		now = visits[done%len(visits)][0].Time
		if err := in.Add(b.Context(), visits[done%len(visits)]); err != nil {
			b.Fatal(err)
		}
		done++
	}
	b.ReportMetric(float64((cpu()-used).Microseconds())/float64(done), "cpu-µs/op")
}
