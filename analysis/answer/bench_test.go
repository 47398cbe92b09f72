package answer

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
	"testing"

	"holdfast/analysis/reception"
)

// A year and a half of twelve channels, ten minutes apart.
var bigHome = sync.OnceValue(func() []Fact {
	h := twoChannels(550, 9)
	for k := range 10 {
		c := h.channels[k%2]
		c.hz = int64(473e6 + 6e6*k)
		h.channels = append(h.channels, c)
	}
	return h.facts()
})

func bigFold() *Fold {
	h := twoChannels(550, 9)
	for k := range 10 {
		c := h.channels[k%2]
		c.hz = int64(473e6 + 6e6*k)
		h.channels = append(h.channels, c)
	}
	f := New(h.setup())
	for _, x := range bigHome() {
		f.Step(x)
	}
	return f
}

func BenchmarkStep(b *testing.B) {
	facts := bigHome()
	b.ReportAllocs()
	for b.Loop() {
		f := New(twoChannels(1, 1).setup())
		for _, x := range facts {
			f.Step(x)
		}
	}
}

func BenchmarkAnswer(b *testing.B) {
	b.Run("first", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			b.StopTimer()
			f := bigFold()
			b.StartTimer()
			f.Answer(0, 0, 0)
		}
	})
	f := bigFold()
	for _, alarms := range []bool{false, true} {
		b.Run(fmt.Sprintf("again/alarms=%v", alarms), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				f.answer(0, 0, 0, alarms)
			}
		})
	}
}

// BenchmarkReplay answers for alarms at the end of each day of a year and a half of
// twelve channels.
func BenchmarkReplay(b *testing.B) {
	facts := slices.Clone(bigHome())
	hour := func(x Fact) int64 {
		switch {
		case x.Tally != nil:
			return x.Tally.Key.Hour
		case x.Weather != nil:
			return x.Weather.Time/reception.HourMS - 1
		}
		return 0
	}
	slices.SortStableFunc(facts, func(a, b Fact) int { return cmp.Compare(hour(a), hour(b)) })
	n := 0
	for b.Loop() {
		f, last := New(twoChannels(1, 1).setup()), int64(0)
		for _, x := range facts {
			if d := f.days.Of(hour(x)); hour(x) > 0 && d != last {
				if last != 0 {
					f.Alarming(f.days.First(d) * reception.HourMS)
					n++
				}
				last = d
			}
			f.Step(x)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(n), "ms/day")
}
