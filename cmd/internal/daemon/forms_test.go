package daemon

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"strings"
	"testing"
	"time"

	"holdfast/dashboards"
)

// A year from an archive, packed as it comes, reaches the merged hours; its warnings and
// bad lines the report. Lines are made by hand in the archive's form.
func TestYearFromAnArchive(t *testing.T) {
	t.Parallel()
	h, err := Open(t.Context(), parse(t, simulatedHome), t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	n := 0
	for at := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() == 2024; at = at.Add(time.Hour) {
		temp := 50 + at.Hour() - at.YearDay()%20
		if n == 100 {
			temp = 900 // 90 degrees
		}
		fmt.Fprintf(z, "%s %5d %5d %5d %5d %5d %5d %5d %5d\n", at.Format("2006 01 02 15"), temp, temp-30, 10100+at.Hour(), 210+at.Hour(), 30+at.Hour(), 0, at.Hour()%2, -9999)
		n++
	}
	fmt.Fprintln(z, "2025 01 01 24    64    36 10118     0     0     0     0 -9999")
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	var r dashboards.ImportReport
	for range 2 {
		if r, err = h.Import(t.Context(), "weather", "archive/999990-00001-2024.gz", bytes.NewReader(packed.Bytes()), nil, nil); err != nil {
			t.Fatal(err)
		}
		if r.New+r.Duplicates != int64(n) || r.BadCount != 1 || r.Bad[0].Line != int64(n+1) {
			t.Errorf("report %+v, want %d rows and line %d bad", r, n, n+1)
		}
	}
	if r.New != 0 {
		t.Errorf("the second time gave %d new rows", r.New)
	}
	if w := strings.Join(r.Warnings, "\n"); !strings.Contains(w, "no gusts") || !strings.Contains(w, "temp_c cannot be true in 1 rows, first at line 101: not used") {
		t.Errorf("warnings:\n%s", w)
	}
	rows := merged(t, h)
	if len(rows) != n || rows[7].Source != "isd-lite 999990-00001" {
		t.Errorf("%d merged hours of %s, want %d", len(rows), rows[7].Source, n)
	}
}

func TestFormsOfWeather(t *testing.T) {
	t.Parallel()
	h, err := Open(t.Context(), parse(t, simulatedHome), t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	fmt.Fprint(z, "time,temp_c\n2026-03-01T10:00:00Z,5\n")
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	fahrenheit := "time,temp_c\n"
	for i := range 30 {
		fahrenheit += fmt.Sprintf("2026-07-%02dT18:00:00Z,%d\n", i+1, 78+i%9)
	}
	for _, c := range []struct{ name, text, report string }{
		{"packed CSV", packed.String(), "packed CSV holds neither ISD-Lite nor GHCN-Hourly; unpack it if it is CSV"},
		{"torn", "\x1f\x8b\x08\x00", "unpack:"},
		{"empty", "", "empty"},
		{"no archive", "a|b\n1|2\n", "columns are separated by bars"},
		{"a header of nothing", "STATION|a|b|c|d|e\n", "GHCN-Hourly: line 1 names neither"},
		{"wrong unit", fahrenheit, "imported temp_c has a median of 81.5 in 30 rows: looks like degrees Fahrenheit"},
	} {
		r, err := h.Import(t.Context(), "weather", c.name, strings.NewReader(c.text), nil, nil)
		if got := fmt.Sprint(err, r.Warnings); !strings.Contains(got, c.report) {
			t.Errorf("%s: %s, want %q", c.name, got, c.report)
		}
	}
}
