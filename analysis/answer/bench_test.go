package answer

import (
	"fmt"
	"sync"
	"testing"
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
