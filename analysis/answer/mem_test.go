package answer

import (
	"runtime"
	"testing"
)

// BenchmarkMemory reports what a year of one channel costs, at a visit every five
// minutes, with all days worked out.
func BenchmarkMemory(b *testing.B) {
	heap := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	for b.Loop() {
		h := twoChannels(365, 4)
		h.everyMS = 300e3
		facts := h.facts()
		before := heap()
		f := New(h.setup())
		for _, x := range facts {
			f.Step(x)
		}
		hours := heap()
		f.Answer(0, 0, 0)
		f.leaf = nil
		after := heap()
		b.ReportMetric((hours-before)/1e6, "MB-facts")
		b.ReportMetric((after-hours)/1e6/2, "MB-days/channel-year")
		runtime.KeepAlive(facts)
		runtime.KeepAlive(f)
	}
}
