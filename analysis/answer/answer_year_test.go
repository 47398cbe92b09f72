//go:build linux

package answer

import (
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"

	"holdfast/analysis/reception"
)

// yearHome is the home whose speed the product's goals are stated for: a year of forty
// channels, each visited once a minute.
func yearHome() home {
	h := twoChannels(365, 11)
	h.everyMS = 60e3
	two := h.channels
	h.channels = nil
	for k := range 40 {
		c := two[k%2]
		c.hz = int64(473e6 + 6e6*k)
		c.cn += float64(k%7) - 3
		h.channels = append(h.channels, c)
	}
	return h
}

// yearFacts takes some fifteen seconds and 1 GB to make.
var yearFacts = sync.OnceValue(func() []Fact {
	var out []Fact
	yearHome().each(func(x Fact) {
		if x.Tally != nil { // what a fold does not read is not worth the memory
			k := *x.Tally
			k.Tally.Level, k.Tally.DarkLevel = nil, nil
			x.Tally = &k
		}
		out = append(out, x)
	})
	return out
})

func yearFold() *Fold {
	f := New(yearHome().setup())
	for _, x := range yearFacts() {
		f.Step(x)
	}
	return f
}

// cpu returns a function that reports the processor time, in seconds a turn, since it was
// made: what else runs on the machine disturbs that less than the time that passes.
func cpu(b *testing.B) (report func()) {
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	from := used()
	return func() { b.ReportMetric((used()-from).Seconds()/float64(b.N), "cpu-s/op") }
}

// BenchmarkAnswerYear answers over a year of forty channels at a visit a minute: "fold"
// takes the facts in, "first" answers from them, "again" once more, "day" with one more
// day of facts, "replay" for the alarms at the end of each day.
func BenchmarkAnswerYear(b *testing.B) {
	facts := yearFacts()
	b.Run("fold", func(b *testing.B) {
		b.ReportAllocs()
		defer cpu(b)()
		for b.Loop() {
			yearFold()
		}
	})
	b.Run("first", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			b.StopTimer()
			f := yearFold()
			runtime.GC()
			b.StartTimer()
			f.Answer(0, 0, 0)
		}
	})
	b.Run("again", func(b *testing.B) {
		f := yearFold()
		f.Answer(0, 0, 0)
		b.ReportAllocs()
		defer cpu(b)()
		for b.Loop() {
			f.Answer(0, 0, 0)
		}
	})
	b.Run("day", func(b *testing.B) {
		end := int64(0)
		for _, x := range facts {
			if x.Tally != nil {
				end = max(end, x.Tally.Key.Hour+1)
			}
		}
		f := New(yearHome().setup())
		for _, x := range facts {
			if x.Tally == nil || x.Tally.Key.Hour < end-24 {
				f.Step(x)
			}
		}
		f.Answer(0, 0, 0)
		var more []Fact
		for _, x := range facts {
			if x.Tally != nil && x.Tally.Key.Hour >= end-24 {
				more = append(more, x)
			}
		}
		b.ReportAllocs()
		defer cpu(b)()
		for b.Loop() {
			for _, x := range more {
				f.Step(x)
			}
			f.Answer(0, 0, end*reception.HourMS)
		}
	})
	b.Run("replay", func(b *testing.B) {
		f := yearFold()
		b.ReportAllocs()
		defer cpu(b)()
		for b.Loop() {
			first, after := f.extent()
			f.slow = slowState{}
			for at := first + 24; at <= after; at += 24 {
				f.Alarming(at * reception.HourMS)
			}
		}
	})
}
