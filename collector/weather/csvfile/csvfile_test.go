package csvfile

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const header = "time,temp_c,wind_mps,source,distance_km\n"

// put writes the whole file, as finished some time ago.
func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	rest(t, path)
}

func rest(t *testing.T, path string) {
	t.Helper()
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		t.Fatal(err)
	}
}

func add(t *testing.T, path, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(text); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

func open(t *testing.T, text string) (*Source, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "weather.csv")
	put(t, path, text)
	s, err := New(path, Options{Source: "shed", DistanceKM: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	return s, path
}

// look returns the temperatures of the new rows and the error's text.
func look(t *testing.T, s *Source) (temps []float64, said string) {
	t.Helper()
	rows, err := s.Observe(t.Context())
	for _, w := range rows {
		temps = append(temps, w.TempC)
	}
	if err != nil {
		said = err.Error()
	}
	return temps, said
}

func want(t *testing.T, what string, got []float64, said string, temps ...float64) {
	t.Helper()
	if len(got) != len(temps) || said != "" {
		t.Fatalf("%s: got %v, error %q, want %v", what, got, said, temps)
	}
	for i := range got {
		if got[i] != temps[i] {
			t.Fatalf("%s: got %v, want %v", what, got, temps)
		}
	}
}

func TestGrowing(t *testing.T) {
	s, path := open(t, "\n"+header+"2026-03-01T18:00:00Z,1,3,,\n2026-03-01T19:00:00Z,2,3,roof,5\n")
	rows, err := s.Observe(t.Context())
	if err != nil || len(rows) != 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if a, b := rows[0], rows[1]; a.Source != "shed" || a.DistanceKM != 0.1 || b.Source != "roof" || b.DistanceKM != 5 || a.WindMPS != 3 || !math.IsNaN(a.GustMPS) {
		t.Errorf("rows %+v", rows)
	}
	got, said := look(t, s)
	want(t, "nothing new", got, said)

	add(t, path, "2026-03-01T20:00:00Z,3,3,,\n2026-03-01T21:00:00Z,4")
	got, said = look(t, s)
	want(t, "half a line", got, said, 3)
	got, said = look(t, s)
	want(t, "still half a line", got, said)
	add(t, path, "0,3,,\n")
	got, said = look(t, s)
	want(t, "the other half", got, said, 40)

	add(t, path, "2026-03-01T22:00:00Z,5,3,,")
	rest(t, path)
	got, said = look(t, s)
	want(t, "a last line without end that nobody touches", got, said, 5)
}

func TestBadLinesAreNamedOnce(t *testing.T) {
	s, path := open(t, header+"2026-03-01T18:00:00Z,1,3,,\n")
	look(t, s)
	add(t, path, "2026-03-01T20:00:00Z,3,3,,\nnonsense\n2026-03-01T19:00:00Z,2,3,,\n2026-03-01T21:00:00Z,warm,3,,\nx\ny\nz\n")
	got, said := look(t, s)
	if len(got) != 2 || got[0] != 2 || got[1] != 3 {
		t.Errorf("good rows %v, want them by time", got)
	}
	for _, part := range []string{path, "line 4: has 1 field", `line 6: temp_c "warm" is not a number`, "line 7", "and 2 more bad lines"} {
		if !strings.Contains(said, part) {
			t.Errorf("error %q does not say %q", said, part)
		}
	}
	if strings.Contains(said, "\n") {
		t.Errorf("error of more than a line: %q", said)
	}
	got, said = look(t, s)
	want(t, "again", got, said)
}

func TestReplacedFileIsReadFromTheStart(t *testing.T) {
	s, path := open(t, header+"2026-03-01T18:00:00Z,1,3,,\n2026-03-01T19:00:00Z,2,3,,\n")
	look(t, s)
	put(t, path, header+"2026-03-01T18:00:00Z,7,3,,\n") // shorter
	got, said := look(t, s)
	want(t, "shorter", got, said, 7)
	put(t, path, "time,temp_c\n2026-03-01T18:00:00Z,8\n2026-03-01T19:00:00Z,9\n2026-03-01T20:00:00Z,10\n2026-03-01T21:00:00Z,11\n")
	got, said = look(t, s)
	want(t, "other columns", got, said, 8, 9, 10, 11)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, said := look(t, s); !strings.Contains(said, "check weather file in the config") || !strings.Contains(said, path) {
		t.Errorf("removed: %q", said)
	}
	put(t, path, header+"2026-03-01T23:00:00Z,12,3,,\n")
	got, said = look(t, s)
	want(t, "back", got, said, 12)
	put(t, path, header+"2026-03-02T23:00:00Z,13,3,,\n") // in place, same header, same length
	got, said = look(t, s)
	want(t, "another day in its place", got, said, 13)
}

// A fault of the whole file is said each time until it is mended, then all is read.
func TestWrongFile(t *testing.T) {
	s, path := open(t, "")
	for range 2 {
		if _, said := look(t, s); said != "" {
			t.Errorf("an empty file, perhaps not yet begun: %q", said)
		}
	}
	put(t, path, "time;temp_c\n1772388000;1\n")
	for range 2 {
		if _, said := look(t, s); !strings.Contains(said, "separated by semicolons") {
			t.Errorf("semicolons: %q", said)
		}
	}
	put(t, path, "time,temp_c\n1772388000,1\n")
	got, said := look(t, s)
	want(t, "mended", got, said, 1)
	dir, err := New(t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dir.Observe(t.Context()); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("folder: %v", err)
	}
	for _, bad := range []struct {
		path string
		o    Options
	}{{"", Options{}}, {"x", Options{DistanceKM: -1}}} {
		if _, err := New(bad.path, bad.o); err == nil {
			t.Errorf("New(%q, %+v) succeeded", bad.path, bad.o)
		}
	}
}
