package segment

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

// TestKept: rows that were kept come back as they were read.
func TestKept(t *testing.T) {
	c := codec(t)
	var cols, back Columns
	var kept Kept // over all cases: nothing of the last one may stay
	rapid.Check(t, func(rt *rapid.T) {
		rs := drawGroup(rt, 0)
		b := write(t, c, false, rs)
		f, err := Open(bytes.NewReader(b), int64(len(b)), c)
		if err == nil {
			err = f.Read(0, &cols)
		}
		if err != nil {
			rt.Fatal(err)
		}
		lo := rapid.IntRange(0, len(rs)-1).Draw(rt, "lo")
		hi := rapid.IntRange(lo+1, len(rs)).Draw(rt, "hi")
		from := cols.Keep(&kept, lo, hi)
		if from > lo || from < lo-7 {
			rt.Fatalf("rows from %d on were kept, want from %d", from, lo)
		}
		first := rapid.IntRange(lo, hi-1).Draw(rt, "first")
		last := rapid.IntRange(first, hi-1).Draw(rt, "last")
		kept.Give(&back, rs[first].Time, rs[last].Time)
		got := make([]reception.Reading, last+1-first)
		at := back.Search(rs[first].Time)
		if back.Rows() != at+len(got) {
			rt.Fatalf("%d rows came back, %d of them before the first; want %d of %d to %d", back.Rows(), at, len(got), first, last)
		}
		back.Fill(got, at)
		same(rt, got, rs[first:last+1])
	})
}

// BenchmarkKept keeps most of a month and gives it back by 4096 rows.
func BenchmarkKept(b *testing.B) {
	c, rs := codec(b), month(44640)
	file := write(b, c, true, rs)
	f, err := Open(bytes.NewReader(file), int64(len(file)), c)
	var cols, back Columns
	if err == nil {
		err = f.Read(0, &cols)
	}
	if err != nil {
		b.Fatal(err)
	}
	var kept Kept
	for b.Loop() {
		cols.Keep(&kept, 0, len(rs))
		for lo := 0; lo < len(rs); lo += 4096 {
			kept.Give(&back, rs[lo].Time, rs[min(lo+4096, len(rs))-1].Time)
		}
	}
	b.ReportMetric(float64(len(kept.b))/float64(len(rs)), "B/row")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/row")
}
