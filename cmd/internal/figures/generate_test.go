//go:build linux

package figures

import (
	"iter"
	"math"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/intake"
)

// A generator makes up readings: twenty frequencies or fewer by four tuners, one visit a
// minute to each series, a tuner's visits one after the other with starts that stray by
// up to two whole seconds. C/N and level are tenths of a dB that move with the hour of
// the day, with slow fading, and with noise; in deep fades errors appear, then lock is
// lost. Each is a function of series and minute alone, so any part can be made by itself.
// Making a reading takes some 50 ns, which the rows that use it include.
type generator struct{ Channels, Days int }

const (
	yearBegin   = 1735689600000 // 2025-01-01 00:00 UTC, Unix ms
	yearMinute  = 60 * 1000
	dwellMS     = 3000
	blockRate   = 12894  // transport packets a second of 8-VSB, ATSC A/53
	bitsADwell  = 58.2e6 // of 19.39 Mbit/s in 3 s
	slowMinutes = 90     // from one knot of the slow fading to the next
)

func (g generator) rows() int { return g.Channels * g.Days * 1440 }

// month is a span of 30 days in the middle of the year.
func (g generator) month() (from, to int64) {
	first := int64(max(0, g.Days/2-15))
	return yearBegin + first*1440*yearMinute, yearBegin + min(int64(g.Days), first+30)*1440*yearMinute
}

// now is long after the year.
func (g generator) now() time.Time {
	return time.UnixMilli(yearBegin + int64(g.Days+60)*1440*yearMinute)
}

// mix is the finaliser of splitmix64 (Steele, Lea, Flood, OOPSLA 2014).
func mix(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// normals are quantiles of the normal distribution in a shuffled order, dB/10 with a
// standard deviation of one.
var normals = func() (out [4096]float32) {
	for i := range out {
		p := (float64(mix(uint64(i))%4096) + 0.5) / 4096
		out[i] = float32(math.Sqrt2 * math.Erfinv(2*p-1))
	}
	return out
}()

// A made is one series of a generator.
type made struct {
	reading reception.Reading // what does not change
	base    float32           // C/N, dB
	offset  int64             // of its visits within the minute, ms
	seed    uint64
}

func (g generator) series() []made {
	var out []made
	for i := range g.Channels {
		r := reception.NewReading()
		r.Tuner = []string{"roof-1", "roof-2", "attic-1", "attic-2"}[i/20%2*2+i%2]
		r.FrequencyHz, r.System = 473e6+int64(i%20)*6e6+int64(i/40)*120e6, reception.ATSC1
		r.DwellMS, r.Mode, r.Identity, r.Scale = dwellMS, "8vsb", "0x0"+string(rune('a'+i%20)), "import-db"
		seed := mix(uint64(i) + 1)
		out = append(out, made{r, 20 + float32(seed%120)/10, int64(i/2%10) * 6000, seed})
	}
	return out
}

// all yields the year by chunks of 25 minutes, ascending by minute.
func (g generator) all() iter.Seq2[intake.Rows, error] {
	return func(yield func(intake.Rows, error) bool) {
		series, line := g.series(), int64(1)
		var c intake.Rows
		for minute := range int64(g.Days) * 1440 {
			for i := range series {
				line++
				c.Lines = append(c.Lines, line)
				n := len(c.Readings)
				c.Readings = append(c.Readings, series[i].reading)
				series[i].visit(&c.Readings[n], minute)
			}
			if minute%25 == 24 || minute == int64(g.Days)*1440-1 {
				if !yield(c, nil) {
					return
				}
				c.Lines, c.Readings = c.Lines[:0], c.Readings[:0]
			}
		}
	}
}

func (m *made) slow(knot int64) float32 { return normals[mix(m.seed^uint64(knot))%4096] }

// visit fills in what a minute's visit measured.
func (m *made) visit(r *reception.Reading, minute int64) {
	x := mix(m.seed + uint64(minute)*0x9e3779b97f4a7c15)
	r.Time = yearBegin + minute*yearMinute + m.offset + int64(x%3)*1000
	knot, part := minute/slowMinutes, float32(minute%slowMinutes)/slowMinutes
	fade := m.slow(knot)*(1-part) + m.slow(knot+1)*part
	day := float32(minute%1440)/720 - 1 // -1 to 1, 0 at noon
	cn := m.base + 1.5*day*day + 1.6*fade + 0.25*normals[x>>16%4096]
	if fade < -1.9 { // now and then deep
		cn += 9 * (fade + 1.9)
	}
	level := -62 + (cn-m.base)*0.8 + 0.2*normals[x>>28%4096]
	r.LevelDBm = math.Round(float64(level)*10) / 10
	r.TotalBlocks, r.PreBits = dwellMS/1000*blockRate+int64(x>>40%3), bitsADwell
	if cn < 14.8 {
		r.TotalBlocks, r.PreBits, r.LockedMS = reception.NotCounted, reception.NotCounted, 0
		r.Mode, r.Identity = "", ""
		return
	}
	r.Locked, r.LockedMS = true, dwellMS
	tenths := math.Round(float64(cn) * 10)
	r.CNDB = tenths / 10
	r.CNLowDB = (tenths - float64(2+x>>44%4)) / 10
	r.CNSpreadDB = float64(10+x>>48%12) / 100
	r.UncorrectedBlocks, r.PreErrors = 0, int64(x>>52%8)
	if cn < 18 {
		r.PreErrors += int64(math.Exp(float64(18-cn)*2.2)) + int64(x>>56%16)
	}
	if cn < 15.4 {
		r.UncorrectedBlocks = int64((15.4 - cn) * 60 * (1 + float32(x>>58%4)))
	}
}
