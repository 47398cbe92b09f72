//go:build linux

package figures

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
)

// The home that the product's goals for speed are stated for: a year of forty channels,
// each visited once a minute. Its tallies are made directly, from visits that nobody
// keeps; the store has the first and the last visit of each series.
const (
	longSeries = 40
	longDays   = 365
)

// longStart is a noon of standard time in the home's zone: the year ends today.
var longStart = time.Now().UTC().Truncate(24*time.Hour).Add(-7*time.Hour).AddDate(0, 0, -longDays)

// longConfig returns the home's config without tuners: its answers speak of the end of
// what was measured.
func longConfig() string {
	var b strings.Builder
	b.WriteString("version: 1\nhome: { name: Long Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }\n")
	b.WriteString("web: { listen: 127.0.0.1:0 }\nchannels:\n")
	for rf := 2; rf <= 36; rf++ {
		fmt.Fprintf(&b, "  - { rf: %d, name: Channel %d }\n", rf, rf)
	}
	for k := range longSeries - 35 {
		fmt.Fprintf(&b, "  - { frequency_mhz: %d, bandwidth_mhz: 6, name: Beyond %d }\n", 611+6*k, k+1)
	}
	return b.String()
}

// A longChannel makes one series' visits: leaves come and go by two straight lines, fades
// are spells of a random walk, and every fortieth day the mast is off for an hour.
type longChannel struct {
	reception.Series
	rng        *rand.Rand
	level      float64
	leaves     float64
	slow, fade float64
	before     []reception.Reading
	folder     tally.Folder
}

func longChannels() []*longChannel {
	var out []*longChannel
	for k := range longSeries {
		c := &longChannel{rng: rand.New(rand.NewPCG(77, uint64(k))), level: 20.5 + float64(k%9), leaves: float64(k%4) * 1.2}
		if c.Tuner = "one"; k%2 == 1 {
			c.Tuner = "two"
		}
		if rf := 2 + k; rf <= 36 {
			c.FrequencyHz, _, _ = reception.RegionUS.CentreHz(rf)
		} else {
			c.FrequencyHz = 611e6 + int64(rf-37)*6e6
		}
		out = append(out, c)
	}
	return out
}

// hour makes the tallies of the visits of an hour, and says what its last visit was.
func (c *longChannel) hour(hour int64, wet bool) ([]tally.Keyed, reception.Reading) {
	day := float64(time.UnixMilli(hour * reception.HourMS).UTC().YearDay())
	leaf := math.Max(0, math.Min(1, math.Min((day-112)/20, (318-day)/25)))
	visits := make([]reception.Reading, 60)
	if hour%24 == 0 {
		c.slow = 0.6*c.slow + 0.3*c.rng.NormFloat64()
	}
	off := int64(c.level)+hour/24%40 == 40 && hour%24 == 7
	for i := range visits {
		if c.rng.IntN(6000) == 0 {
			c.fade = 1 + 3*c.rng.ExpFloat64()
		} else if c.fade > 0 {
			c.fade = math.Max(0, c.fade-0.15+0.4*c.rng.NormFloat64())
		}
		cn := c.level - leaf*c.leaves + c.slow + 0.25*c.rng.NormFloat64() - c.fade
		if wet {
			cn -= 0.6 * leaf * c.leaves
		}
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Scale = hour*reception.HourMS+int64(i)*60e3, c.Tuner, c.FrequencyHz, 5000, "dB"
		r.LevelDBm = cn - 70
		if r.Locked = cn > 14.5 && !off; r.Locked {
			r.CNDB, r.TotalBlocks, r.UncorrectedBlocks = math.Round(cn*10)/10, 64470, 0
			if bad := 15.8 - cn; bad > 0 && c.rng.Float64() < bad {
				r.UncorrectedBlocks = 900
			}
		}
		visits[i] = r
	}
	out := c.folder.Hour(visits, c.before, nil, func(*reception.Reading) reception.Regime { return reception.Regime{Scale: "dB"} }, tally.Rules{System: reception.ATSC1, BaseIntervalMS: 60e3})
	c.before = visits
	return out, visits[59]
}

// longStore fills a store with the year. It takes some forty seconds.
var longStore = sync.OnceValues(func() (past, error) {
	p := past{dir: filepath.Join(scratch, "year")}
	dir := p.file("store")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return p, err
	}
	if err := os.WriteFile(p.file("holdfast.yaml"), []byte(longConfig()), 0o644); err != nil {
		return p, err
	}
	// The program's own first look notes by which version hours are tallied.
	if err := build(); err != nil {
		return p, err
	}
	if _, err := holdfast(p, dir, "answer"); err != nil {
		return p, err
	}
	ctx := context.Background()
	s, err := embedded.Open(ctx, dir, embedded.Options{})
	if err != nil {
		return p, err
	}
	scale, err := json.Marshal(reception.Scale{ID: "dB", Unit: reception.UnitDB, Step: 0.1, Ceiling: 40, LevelKind: reception.LevelInChannel, Quantity: reception.QuantityCN})
	if err != nil {
		return p, err
	}
	start := longStart.UnixMilli()
	if err := s.Put(ctx, reception.Entry{Kind: reception.KindScale, Key: "dB", Held: start, Known: start, Body: scale}); err != nil {
		return p, err
	}
	channels, sky := longChannels(), rand.New(rand.NewPCG(78, 1))
	raining := 0
	for day := range int64(longDays) {
		var wet [24]bool
		b := store.Batch{FoldedReadings: true}
		for h := range int64(24) {
			end := start + (day*24+h+1)*reception.HourMS
			w := reception.NewWeather()
			w.Time, w.Source, w.DistanceKM = end, "station", 8
			w.TempC = 11 - 13*math.Cos(2*math.Pi*(float64(time.UnixMilli(end).UTC().YearDay())-22)/365.25) + 4*math.Sin(float64(h-10)/24*2*math.Pi)
			if w.RainMMPerHour = 0; raining > 0 {
				raining--
				w.RainMMPerHour, wet[h] = 1.5, true
			} else if sky.IntN(60) == 0 {
				raining = 3 + sky.IntN(8)
			}
			b.Weather = append(b.Weather, w)
		}
		packed := make([][]reception.PackedTally, len(channels))
		ends := make([]reception.Reading, len(channels))
		var all sync.WaitGroup
		for k, c := range channels {
			all.Go(func() {
				for h := range int64(24) {
					var ts []tally.Keyed
					ts, ends[k] = c.hour(start/reception.HourMS+day*24+h, wet[h])
					for _, t := range ts {
						packed[k] = append(packed[k], tally.Pack(t))
					}
				}
			})
		}
		all.Wait()
		for k, c := range channels {
			b.Tallies = append(b.Tallies, packed[k]...)
			if day == 0 {
				first := ends[k]
				first.Time = start
				b.Readings = append(b.Readings, first)
			}
			if day == longDays-1 {
				b.Readings = append(b.Readings, c.before[59])
			}
		}
		if _, err := s.Append(ctx, b); err != nil {
			return p, err
		}
	}
	return p, s.Close()
})

// longCopy returns the year, and a folder with its store that is the test's own.
func longCopy(tb testing.TB) (past, string) {
	tb.Helper()
	p := must(longStore())(tb)
	dir := tempDir(tb)
	if err := os.CopyFS(dir, os.DirFS(p.file("store"))); err != nil {
		tb.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "lock")); err != nil && !os.IsNotExist(err) {
		tb.Fatal(err)
	}
	return p, dir
}

// BenchmarkLongAnswer measures `holdfast answer` over a year of forty channels at a visit
// a minute, as a command that opens the store itself: "first" has the alarms of the year
// to work out, "again" finds those that the first one left.
func BenchmarkLongAnswer(b *testing.B) {
	for _, again := range []bool{false, true} {
		name := "first"
		if again {
			name = "again"
		}
		b.Run(name, func(b *testing.B) {
			var s sum
			for b.Loop() {
				b.StopTimer()
				p, dir := longCopy(b)
				ask := func() usage {
					u, err := holdfast(p, dir, "answer", "--format", "json")
					if err != nil {
						b.Fatal(err)
					}
					checkLong(b, u.out)
					return u
				}
				if again {
					ask()
				}
				b.StartTimer()
				s.add(ask())
			}
			s.report(b)
		})
	}
}

// BenchmarkLongDaemon watches the daemon over the same year, as BenchmarkDaemon does.
func BenchmarkLongDaemon(b *testing.B) {
	for b.Loop() {
		b.StopTimer()
		_, old := longCopy(b)
		dir := tempDir(b)
		if err := os.Rename(old, filepath.Join(dir, "data")); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		c := benchDaemon(b, dir, true)
		b.ReportMetric(c.ready.wall.Seconds(), "ready-s")
		b.ReportMetric(c.ready.cpu.Seconds(), "ready-cpu-s")
	}
}

// checkLong looks whether an answer is one about the year.
func checkLong(tb testing.TB, text string) {
	tb.Helper()
	var a struct {
		Channels []struct {
			Spare struct{ Value *float64 } `json:"spare_db"`
		}
		Alarms []any
	}
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		tb.Fatalf("read the answer: %v", err)
	}
	decided := 0
	for _, c := range a.Channels {
		if c.Spare.Value != nil {
			decided++
		}
	}
	if len(a.Channels) != longSeries || decided < longSeries*3/4 || len(a.Alarms) < 5 {
		tb.Fatalf("the answer has %d channels, %d with spare_db, %d alarms; want %d, most of them decided, and the alarms of hours off air", len(a.Channels), decided, len(a.Alarms), longSeries)
	}
}
