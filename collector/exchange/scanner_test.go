package exchange

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
)

// scanAll returns the records that the scanner takes, with their lines.
func scanAll(r io.Reader) (out [][]string, lines []int64, faults int) {
	s := newScanner(r)
	for {
		f, line, err := s.next()
		if errors.Is(err, io.EOF) {
			return out, lines, faults
		}
		if err != nil {
			faults++
			continue
		}
		var rec []string
		for _, b := range f {
			rec = append(rec, string(b))
		}
		out, lines = append(out, rec), append(lines, line)
	}
}

// checkOracle compares with encoding/csv wherever that takes the whole text.
func checkOracle(t *testing.T, text []byte) {
	t.Helper()
	c := csv.NewReader(bytes.NewReader(text))
	c.FieldsPerRecord = -1
	var want [][]string
	var wantLines []int64
	for {
		rec, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return
		}
		line, _ := c.FieldPos(0)
		if len(rec) == 1 && strings.Trim(rec[0], " \t") == "" {
			continue // a line of blanks, or an empty pair of quotes
		}
		want, wantLines = append(want, slices.Clone(rec)), append(wantLines, int64(line))
	}
	readers := map[string]io.Reader{"whole": bytes.NewReader(text)}
	if len(text) < 1000 {
		readers["byte by byte"] = iotest.OneByteReader(bytes.NewReader(text))
	}
	for name, r := range readers {
		got, lines, faults := scanAll(r)
		var kept [][]string
		var keptLines []int64
		for i, rec := range got {
			if len(rec) == 1 && strings.Trim(rec[0], " \t") == "" {
				continue
			}
			kept, keptLines = append(kept, rec), append(keptLines, lines[i])
		}
		if faults > 0 || len(kept) != len(want) || !slices.Equal(keptLines, wantLines) {
			t.Fatalf("%s: %q: got %q at %v with %d faults, encoding/csv %q at %v", name, text, kept, keptLines, faults, want, wantLines)
		}
		for i := range want {
			for j, w := range want[i] {
				g := strings.ReplaceAll(kept[i][j], "\r\n", "\n")
				if len(want[i]) != len(kept[i]) || strings.Trim(g, " \t") != strings.Trim(w, " \t") {
					t.Fatalf("%s: %q: record %d is %q, encoding/csv %q", name, text, i, kept[i], want[i])
				}
			}
		}
	}
}

var scannerSeeds = []string{
	"", "a", "a,b\nc,d\n", "a,b\r\nc,d\r\n", "\n\n a , b \n", "\"a\",\"b\"\n", "\"a\"\"b\",c\n", "\"a\nb\",c\nd,e\n",
	"\"a\r\nb\",\"c\nd\n\"\n\ne,f", ",,\n,\n", "\"\",\"\"\n", "a,\"b", "a\"b,c\n", "\"a\"b,c\n", "\"a\n\"\n", "a\rb,c\n", "\x00,\xff\n",
	"a,\"" + strings.Repeat("line\n", 20000) + "\",b\nc,d,e\n",
}

func TestScannerAgainstEncodingCSV(t *testing.T) {
	for _, s := range scannerSeeds {
		checkOracle(t, []byte(s))
	}
}

func FuzzScanner(f *testing.F) {
	for _, s := range scannerSeeds[:len(scannerSeeds)-1] {
		f.Add([]byte(s))
	}
	f.Fuzz(checkOracle)
}

// Records that lie across the end of the buffer move it; fields must not.
func TestScannerAcrossBuffers(t *testing.T) {
	for shift := range 80 {
		var b strings.Builder
		b.WriteString(strings.Repeat("s", shift) + "\n")
		for i := range 3000 {
			b.WriteString(strings.Repeat(string(rune('a'+i%26)), 20+i%29))
			b.WriteString(",\"")
			b.WriteString(strings.Repeat("y\n", i%13))
			b.WriteString("\",z\n")
		}
		checkOracle(t, []byte(b.String()))
	}
	checkOracle(t, []byte("\""+strings.Repeat("a", 300<<10)+"\n\",b\nc,d\n"))
}
