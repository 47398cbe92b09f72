package exchange

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"holdfast/analysis/reception"
)

// checkChunks reads a text by chunks, whose oracle is what reading it row by row gave.
func checkChunks(t *testing.T, text string, o ReadOptions, want took) {
	t.Helper()
	checkChunksOf(t, strings.NewReader(text), text, o, want)
	if len(text) < 1000 {
		checkChunksOf(t, iotest.OneByteReader(strings.NewReader(text)), text, o, want)
	}
}

func checkChunksOf(t *testing.T, r io.Reader, text string, o ReadOptions, want took) {
	t.Helper()
	rd, err := ReadReadings(r, o)
	if err != nil {
		t.Fatalf("%.60q: %v", text, err)
	}
	rows, last := want.rows, int64(0)
	var bad []string
	for c, err := range rd.Chunks() {
		if err != nil {
			t.Fatalf("%.60q: %v", text, err)
		}
		if len(c.Lines) != len(c.Readings) || len(c.Readings) > len(rows) {
			t.Fatalf("%.60q: a chunk of %d readings and %d lines, want at most %d of each", text, len(c.Readings), len(c.Lines), len(rows))
		}
		first, end := int64(1<<62), last
		for i := range c.Readings {
			if w := &rows[i]; c.Lines[i] != w.Line || !c.Readings[i].Equal(&w.Reading) {
				t.Fatalf("%.60q: line %d is %+v\nby chunks line %d, %+v", text, w.Line, w.Reading, c.Lines[i], c.Readings[i])
			}
			first, end = min(first, c.Lines[i]), max(end, c.Lines[i])
		}
		for _, b := range c.Bad {
			bad = append(bad, b.Error())
			first, end = min(first, b.Line), max(end, b.Line)
		}
		if first <= last {
			t.Fatalf("%.60q: a chunk begins on line %d, the one before ended on %d", text, first, last)
		}
		rows, last = rows[len(c.Readings):], end
	}
	if len(rows) > 0 || !slices.Equal(bad, want.bad) {
		t.Fatalf("%.60q: %d rows are missing by chunks; bad %q, want %q", text, len(rows), bad, want.bad)
	}
	if w := rd.Warnings(); !slices.Equal(w, want.warnings) {
		t.Errorf("%.60q: warnings by chunks %q, want %q", text, w, want.warnings)
	}
	if a, b := fmt.Sprint(rd.Scales(), rd.Installations()), fmt.Sprint(want.rd.Scales(), want.rd.Installations()); a != b {
		t.Errorf("%.60q: by chunks %s, want %s", text, a, b)
	}
}

// Files of many chunks: what depends on earlier rows, what is wrong, quotes and blank
// lines come in any chunk.
func TestChunksAreTheRows(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 7))
		end := []string{"\n", "\r\n"}[seed%2]
		quotes := []int{1 << 30, 5000, 300, 3, 3000, 40}[seed]
		var b strings.Builder
		b.WriteString("time,tuner,channel,dwell_s,locked,cn_db,quality_pct,scale,installation" + end)
		for i := range 9000 + rng.IntN(3000) {
			at := fmt.Sprint(1772380800 + i)
			tuner := []string{"attic", "shed", " loft "}[rng.IntN(3)]
			cn, pct, scale, locked, dwell := fmt.Sprintf("%.2f", 10+rng.Float64()*20), "", "", "1", "5"
			switch rng.IntN(8) {
			case 0:
				cn, locked = "", "0"
			case 1:
				cn, pct = "", "70"
			case 2:
				scale = []string{"s1", "s2"}[rng.IntN(2)]
			case 3:
				dwell = ""
			}
			switch rng.IntN(60) {
			case 0:
				cn = "2O"
			case 1:
				at += ",x"
			case 2:
				b.WriteString(" \t" + end)
			case 3:
				cn = "" // neither lock nor quality
				locked = ""
			}
			switch rng.IntN(quotes) {
			case 0:
				tuner = `"the ""big"" one` + end + `on top"`
			case 1:
				tuner = `x"y`
			}
			fmt.Fprintf(&b, "%s,%s,%d,%s,%s,%s,%s,%s,%s%s", at, tuner, 14+rng.IntN(3), dwell, locked, cn, pct, scale, []string{"", "old", "new"}[i/4000%3], end)
		}
		text := b.String()
		if seed == 3 {
			text = strings.TrimRight(text, "\r\n")
		}
		o := us
		o.Scales = []reception.Scale{{ID: "s1", Unit: reception.UnitDB}}
		if got := read(t, text, o); len(got.rows) < 4000 || len(got.bad) < 50 || len(text) < 2*chunkBytes {
			t.Errorf("seed %d: %d rows, %d bad, %d bytes: that tests little", seed, len(got.rows), len(got.bad), len(text))
		}
	}
}

// A reader that breaks ends the chunks; what it gave before is in them. One may also
// stop between two of them.
func TestChunksEndEarly(t *testing.T) {
	wish := errors.New("cable was pulled")
	const head, row = "time,channel,cn_db\n", "1772380800,30,20\n"
	many := head + strings.Repeat(row, 20*chunkBytes/len(row))
	rd, err := ReadReadings(io.MultiReader(strings.NewReader(many), iotest.ErrReader(wish)), us)
	if err != nil {
		t.Fatal(err)
	}
	n, last := 0, error(nil)
	for c, err := range rd.Chunks() {
		n, last = n+len(c.Readings), err
	}
	if n != 20*chunkBytes/len(row) || !errors.Is(last, wish) {
		t.Errorf("%d rows, last error %v", n, last)
	}
	if rd, err = ReadReadings(strings.NewReader(many), us); err != nil {
		t.Fatal(err)
	}
	n = 0
	for range rd.Chunks() {
		if n++; n == 3 {
			break
		}
	}
	if n != 3 {
		t.Errorf("%d chunks before the end", n)
	}
}

// The short ways of reading cells agree with the long ones, bit for bit.
func TestShortWaysAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 50000 {
		b := make([]byte, 1+rng.IntN(17))
		for i := range b {
			b[i] = "0123456789.-"[rng.IntN(12)]
		}
		checkShort(t, b)
		s := fmt.Sprintf("%04d-%02d-%02dT%02d:%02d:%02d%sZ", 1995+rng.IntN(110), rng.IntN(14), rng.IntN(33), rng.IntN(25), rng.IntN(61), rng.IntN(62),
			[]string{"", ".", ".5", ".25", ".125", ".9999", ".x"}[rng.IntN(7)])
		checkShort(t, []byte(s))
	}
}

func FuzzShortWays(f *testing.F) {
	for _, s := range []string{"1.5", "-0", "-0.0", ".5", "5.", ".", "-", "123456789012345", "0.00000000000001", "2026-02-29T00:00:00Z", "2024-02-29T23:59:60.5Z"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) { checkShort(t, b) })
}

func checkShort(t *testing.T, b []byte) {
	t.Helper()
	if v, ok := decimal(b); ok {
		if w, err := strconv.ParseFloat(string(b), 64); err != nil || math.Float64bits(v) != math.Float64bits(w) {
			t.Errorf("decimal(%q) = %v, ParseFloat %v, %v", b, v, w, err)
		}
	}
	if v, ok := digits(b); ok {
		if w, err := strconv.ParseInt(string(b), 10, 64); err != nil || v != w {
			t.Errorf("digits(%q) = %d, ParseInt %d, %v", b, v, w, err)
		}
	}
	if ms, ok := plainStamp(b); ok {
		var w time.Time
		if err := w.UnmarshalText(b); err != nil || ms != w.UnixMilli() {
			t.Errorf("plainStamp(%q) = %d, package time %d, %v", b, ms, w.UnixMilli(), err)
		}
	}
}
