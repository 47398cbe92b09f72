package segment

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

const start = 1_767_225_600_000 // 2026-01-01 00:00 UTC

func codec(t testing.TB) *Codec {
	t.Helper()
	c, err := NewCodec(1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// write writes groups and returns the file.
func write(t testing.TB, c *Codec, small bool, groups ...[]reception.Reading) []byte {
	t.Helper()
	var b bytes.Buffer
	w := NewWriter(c, 1+len(groups)%2)
	if err := w.Begin(&b, small); err != nil {
		t.Fatal(err)
	}
	for _, g := range groups {
		w.Add(g)
		if err := w.Cut(); err != nil {
			t.Fatal(err)
		}
	}
	done, size, crc, err := w.End(map[string]string{"note": "ours"})
	if err != nil || size != int64(b.Len()) || len(done) != len(groups) {
		t.Fatalf("end: %d groups, %d bytes of %d, %v", len(done), size, b.Len(), err)
	}
	for i, g := range groups {
		if want := (Group{len(g), g[0].Time, g[len(g)-1].Time, g[0].Series()}); done[i] != want {
			t.Errorf("group %d: %+v, want %+v", i, done[i], want)
		}
	}
	f, err := Open(bytes.NewReader(b.Bytes()), size, c)
	if err != nil || f.CRC() != crc {
		t.Fatalf("open: crc %x, want %x: %v", f.CRC(), crc, err)
	}
	return b.Bytes()
}

// read returns the groups of a file.
func read(b []byte, c *Codec) (out [][]reception.Reading, err error) {
	f, err := Open(bytes.NewReader(b), int64(len(b)), c)
	if err != nil {
		return nil, err
	}
	var cols, times Columns
	for g, n := range f.Groups() {
		if err := f.Read(g, &cols); err != nil {
			return nil, err
		}
		if err := f.ReadTimes(g, &times); err != nil {
			return nil, err
		}
		if cols.Rows() != n || times.Rows() != n {
			return nil, fmt.Errorf("group %d has %d rows, read %d and %d", g, n, cols.Rows(), times.Rows())
		}
		rs := make([]reception.Reading, n)
		for i := 0; i < n; i += 100 { // in parts, so that their ends are met
			cols.Fill(rs[i:min(n, i+100)], i)
		}
		for i := range rs {
			if rs[i].Time != times.Time(i) || times.Search(rs[i].Time) != i {
				return nil, fmt.Errorf("row %d: time %d, alone %d, found at %d", i, rs[i].Time, times.Time(i), times.Search(rs[i].Time))
			}
		}
		out = append(out, rs)
	}
	return out, nil
}

// bits prints every field, floats by their bits. All NaNs are one.
func bits(r *reception.Reading) string {
	x := *r
	var f strings.Builder
	for _, p := range []*float64{&x.LevelDBm, &x.LevelPct, &x.CNDB, &x.CNLowDB, &x.CNSpreadDB, &x.QualityPct, &x.ErroredS} {
		if math.IsNaN(*p) {
			f.WriteString("NaN ")
		} else {
			fmt.Fprintf(&f, "%016x ", math.Float64bits(*p))
		}
		*p = 0
	}
	return fmt.Sprintf("%+v %s", x, f.String())
}

func same(t rapid.TB, got, want []reception.Reading) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d readings, want %d", len(got), len(want))
	}
	for i := range got {
		if g, w := bits(&got[i]), bits(&want[i]); g != w {
			t.Fatalf("reading %d:\n got %s\nwant %s", i, g, w)
		}
	}
}

// TestBitByBit: whatever a reading holds comes back, whatever its neighbours hold.
func TestBitByBit(t *testing.T) {
	c := codec(t)
	rapid.Check(t, func(rt *rapid.T) {
		var groups [][]reception.Reading
		for g := range rapid.IntRange(1, 3).Draw(rt, "groups") {
			groups = append(groups, drawGroup(rt, g))
		}
		b := write(t, c, rapid.Bool().Draw(rt, "small"), groups...)
		got, err := read(b, c)
		if err != nil {
			rt.Fatal(err)
		}
		for g := range groups {
			same(rt, got[g], groups[g])
		}
	})
}

// drawGroup draws readings of one series. Each field is drawn from few or many values,
// so that constants, dictionaries, deltas and gaps are all met.
func drawGroup(rt *rapid.T, g int) []reception.Reading {
	float := rapid.SampledFrom([]*rapid.Generator[float64]{
		rapid.Just(math.NaN()),
		rapid.SampledFrom([]float64{20.1, math.NaN()}),
		rapid.Map(rapid.IntRange(-900, 900), func(n int) float64 { return float64(n) / 10 }),
		rapid.Map(rapid.IntRange(-90000, 90000), func(n int) float64 { return float64(n) / 1000 }),
		rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.Inf(1), math.Inf(-1), 1e300, 5e-324, 2147483.647, -2147483.648, 1.0 / 3, math.NaN(),
			math.Nextafter(20.1, 21)}),
		rapid.Float64(),
	})
	count := rapid.SampledFrom([]*rapid.Generator[int64]{
		rapid.Just[int64](0), rapid.Just[int64](reception.NotCounted), rapid.SampledFrom([]int64{5, reception.NotCounted}),
		rapid.Int64Min(reception.NotCounted), rapid.Just[int64](math.MaxInt64),
	})
	word := rapid.SampledFrom([]*rapid.Generator[string]{
		rapid.Just(""), rapid.Just("8vsb"), rapid.SampledFrom([]string{"a", "", "b"}), rapid.StringN(0, 5, 20),
	})
	set := []func(*reception.Reading){}
	for i := range floatColumns {
		at, of := floatColumns[i].at, float.Draw(rt, "kind")
		set = append(set, func(r *reception.Reading) { *at(r) = of.Draw(rt, "v") })
	}
	for i := range intColumns {
		at := intColumns[i].at
		if at == nil {
			continue
		}
		of := count.Draw(rt, "kind")
		if intColumns[i].missing == 0 && rapid.Bool().Draw(rt, "any") {
			of = rapid.Int64()
		}
		set = append(set, func(r *reception.Reading) { *at(r) = of.Draw(rt, "v") })
	}
	for i := range textColumns {
		if textColumns[i].optional {
			continue
		}
		put, of := textColumns[i].set, word.Draw(rt, "kind")
		set = append(set, func(r *reception.Reading) { put(r, of.Draw(rt, "v")) })
	}
	at := rapid.Int64Range(-1000, start).Draw(rt, "start")
	tuner, layer := word.Draw(rt, "kind").Draw(rt, "tuner"), word.Draw(rt, "kind").Draw(rt, "layer")
	rs := make([]reception.Reading, rapid.IntRange(1, 40).Draw(rt, "rows"))
	for i := range rs {
		r := &rs[i]
		for _, s := range set {
			s(r)
		}
		r.Locked = rapid.Bool().Draw(rt, "locked")
		r.Time, r.Tuner, r.Layer, r.FrequencyHz = at, tuner, layer, int64(g)
		at += rapid.Int64Range(1, 100_000).Draw(rt, "step")
	}
	return rs
}

// month returns readings like those of a tuner, as many as a group holds at most.
func month(rows int) []reception.Reading {
	rs := make([]reception.Reading, rows)
	cn := 200
	for i := range rs {
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz = start+int64(i)*60_000, "loft", 473e6
		cn += (i*7919+i*i*31)%5 - 2
		r.DwellMS, r.Locked, r.LockedMS = 5000, true, 5000
		r.CNDB, r.LevelDBm = float64(cn)/10, -float64(550+(i*37+i*i*11)%15)/10
		r.CNLowDB, r.CNSpreadDB = float64(cn-i%4)/10, 0.15
		r.UncorrectedBlocks, r.TotalBlocks, r.PreErrors, r.PreBits = int64(i%50/49*3), 64470, int64(i*31%900), 96_470_000
		r.System, r.Mode, r.Scale, r.Identity = reception.ATSC1, "8vsb", "a1b2c3", "0x0421"
		if i%997 == 5 {
			r.Locked, r.LockedMS, r.CNDB, r.CNLowDB, r.Why = false, 0, math.NaN(), math.NaN(), reception.WhyViewer
		}
		rs[i] = r
	}
	return rs
}

func TestFullGroup(t *testing.T) {
	c := codec(t)
	want := month(MaxRows)
	got, err := read(write(t, c, true, want), c)
	if err != nil {
		t.Fatal(err)
	}
	same(t, got[0], want)
	defer func() {
		if recover() == nil {
			t.Error("one row more did not panic")
		}
	}()
	w := NewWriter(c, 1)
	if err := w.Begin(io.Discard, false); err != nil {
		t.Fatal(err)
	}
	w.Add(want)
	w.Add(want[:1])
}

// TestReferenceReader has parquet-go's own reader read a file: names, types, values,
// nulls, checksums of pages and metadata.
func TestReferenceReader(t *testing.T) {
	c := codec(t)
	rs := month(3000)
	for i := range rs {
		switch i % 7 {
		case 1:
			rs[i].CNDB = 20.123
		case 2:
			rs[i].CNSpreadDB, rs[i].LevelPct = 1.0/3, math.Inf(1)
		case 3:
			rs[i].PreErrors, rs[i].TunedHz, rs[i].Known = reception.NotCounted, 473_000_123, start
		}
	}
	other := month(10)
	for i := range other {
		other[i].Tuner, other[i].Layer = "shed", "A"
	}
	b := write(t, c, false, rs, other)
	type row struct {
		Time      int64   `parquet:"time_s"`
		TimeMS    *int32  `parquet:"time_ms"`
		Tuner     string  `parquet:"tuner"`
		Layer     string  `parquet:"layer"`
		Frequency int64   `parquet:"frequency_hz"`
		Tuned     *int64  `parquet:"tuned_hz"`
		Known     *int64  `parquet:"known,timestamp(millisecond)"`
		Locked    bool    `parquet:"locked"`
		LockedMS  *int64  `parquet:"locked_ms"`
		CN        *int32  `parquet:"cn_ddb"`
		CNRest    *int32  `parquet:"cn_rest_mdb"`
		Level     *int32  `parquet:"level_ddbm"`
		LevelRest *int32  `parquet:"level_rest_mdb"`
		Drop      *int32  `parquet:"cn_drop_ddb"`
		Spread    *int32  `parquet:"cn_spread_cdb"`
		SpreadMDB *int32  `parquet:"cn_spread_rest_mdb"`
		PreErrors *int64  `parquet:"pre_errors"`
		Mode      string  `parquet:"mode"`
		Why       string  `parquet:"why"`
		Exact     *string `parquet:"exact"`
	}
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	if v, ok := f.Lookup("note"); !ok || v != "ours" {
		t.Errorf("metadata note = %q, %v", v, ok)
	}
	if n := len(f.RowGroups()); n != 2 {
		t.Errorf("%d row groups, want 2", n)
	}
	if got := f.Schema().Columns(); len(got) != columnCount {
		t.Errorf("%d columns, want %d", len(got), columnCount)
	}
	lo, hi, ok := f.RowGroups()[0].ColumnChunks()[secondColumn].(*parquet.FileColumnChunk).Bounds()
	if !ok || lo.Int64() != rs[0].Time/1000 || hi.Int64() != rs[len(rs)-1].Time/1000 {
		t.Errorf("bounds of time: %v, %v, %v", lo, hi, ok)
	}
	got, err := parquet.Read[row](bytes.NewReader(b), int64(len(b)))
	if err != nil || len(got) != len(rs)+len(other) {
		t.Fatalf("%d rows, %v", len(got), err)
	}
	tenths := func(v, rest *int32) float64 {
		if v == nil {
			return math.NaN()
		}
		m := 100 * *v
		if rest != nil {
			m += *rest
		}
		return float64(m) / 1000
	}
	number := func(p *int64, missing int64) int64 {
		if p == nil {
			return missing
		}
		return *p
	}
	eq := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	for i, w := range slices.Concat(rs, other) {
		g := got[i]
		if 1000*g.Time != w.Time || g.TimeMS != nil || g.Tuner != w.Tuner || g.Layer != w.Layer || g.Frequency != w.FrequencyHz || g.Locked != w.Locked || g.Mode != w.Mode ||
			g.Why != string(w.Why) || number(g.Tuned, 0) != w.TunedHz || number(g.Known, 0) != w.Known || number(g.PreErrors, -1) != w.PreErrors ||
			number(g.LockedMS, -1) != w.LockedMS || !eq(tenths(g.CN, g.CNRest), w.CNDB) || !eq(tenths(g.Level, g.LevelRest), w.LevelDBm) {
			t.Fatalf("row %d: %+v, want %+v", i, g, w)
		}
		if i < len(rs) && i%7 != 1 && w.Locked && *g.Drop != *g.CN-int32(math.Round(10*w.CNLowDB)) {
			t.Fatalf("row %d: drop %d", i, *g.Drop)
		}
		if odd := i < len(rs) && i%7 == 2; odd != (g.Exact != nil) || odd && (*g.Exact != "level_pct=+Inf cn_spread_db=0.3333333333333333" || 10**g.Spread+*g.SpreadMDB != 333) {
			t.Fatalf("row %d: exact %v, spread %v", i, g.Exact, g.Spread)
		}
	}
}

// TestDamage flips every bit's byte of a small file, and cuts it at every length: it
// is noticed, or nothing of the readings is changed; nothing panics.
func TestDamage(t *testing.T) {
	c := codec(t)
	want := month(50)
	b := write(t, c, false, want)
	noticed := 0
	for i := range b {
		for _, mask := range []byte{1, 0x80, 0xff} {
			bad := slices.Clone(b)
			bad[i] ^= mask
			got, err := read(bad, c)
			if err == nil {
				same(t, got[0], want)
				continue
			}
			noticed++
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrOther) {
				t.Fatalf("byte %d ^ %x: error %v", i, mask, err)
			}
		}
		if _, err := read(b[:i], c); !errors.Is(err, ErrDamaged) {
			t.Fatalf("cut at %d: error %v", i, err)
		}
	}
	if noticed < len(b) {
		t.Errorf("%d of %d changes were noticed", noticed, 3*len(b))
	}
}

func FuzzOpen(f *testing.F) {
	c := codec(f)
	f.Add(write(f, c, false, month(5)))
	f.Add([]byte("PAR1PAR1"))
	f.Fuzz(func(t *testing.T, b []byte) {
		read(b, c) // must not panic
	})
}

func BenchmarkWrite(b *testing.B) {
	c := codec(b)
	rs := month(43200)
	w := NewWriter(c, 1)
	b.ReportAllocs()
	var size int64
	for b.Loop() {
		if err := w.Begin(io.Discard, false); err != nil {
			b.Fatal(err)
		}
		w.Add(rs)
		var err error
		if _, size, _, err = w.End(nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/reading")
	b.ReportMetric(float64(size)/float64(len(rs)), "B/reading")
}

func BenchmarkRead(b *testing.B) {
	c := codec(b)
	rs := month(43200)
	raw := write(b, c, true, rs)
	var cols Columns
	buf := make([]reception.Reading, 2048)
	f, err := Open(bytes.NewReader(raw), int64(len(raw)), c)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := f.Read(0, &cols); err != nil {
			b.Fatal(err)
		}
		for i := 0; i < cols.Rows(); i += len(buf) {
			cols.Fill(buf[:min(len(buf), cols.Rows()-i)], i)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/reading")
}

func BenchmarkReadTimes(b *testing.B) {
	c := codec(b)
	raw := write(b, c, true, month(43200))
	f, err := Open(bytes.NewReader(raw), int64(len(raw)), c)
	if err != nil {
		b.Fatal(err)
	}
	var cols Columns
	for b.Loop() {
		if err := f.ReadTimes(0, &cols); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*43200), "ns/reading")
}
