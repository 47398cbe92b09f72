//go:build unix

package embedded

import (
	"compress/gzip"
	"database/sql"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/ncruces/go-sqlite3/driver"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// unzip returns what a gzipped file of testdata holds.
func unzip(t *testing.T, path ...string) []byte {
	t.Helper()
	f, err := os.Open(filepath.Join(append([]string{"testdata"}, path...)...))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// version1 puts the store of version 1 into a directory of its own and runs a
// statement on it before this program sees it.
func version1(t *testing.T, change string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "holdfast.db"), unzip(t, "version-1", "holdfast.db.gz"), 0o600); err != nil {
		t.Fatal(err)
	}
	onFile(t, dir, func(db *sql.DB) {
		if _, err := db.Exec(change); err != nil {
			t.Fatal(err)
		}
	})
	return dir
}

// onFile runs fn on the database of a store that nobody has open.
func onFile(t *testing.T, dir string, fn func(*sql.DB)) {
	t.Helper()
	db, err := driver.Open("file:" + filepath.Join(dir, "holdfast.db"))
	if err != nil {
		t.Fatal(err)
	}
	fn(db)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// tallyLines lists tallies as tallies.txt has them.
func tallyLines(t *testing.T, s *Store) (lines []string) {
	t.Helper()
	for p, err := range s.Tallies(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, fmt.Sprintf("%d %d %q %q %q %q %q %d %x", p.Hour, p.FrequencyHz, p.Layer, p.Tuner,
			p.Regime.Installation, p.Regime.Mode, p.Regime.Scale, p.Version, p.Body))
	}
	return lines
}

func bytesOfDays(t *testing.T, s *Store) (n int) {
	t.Helper()
	if err := s.readers.QueryRowContext(t.Context(), `SELECT sum(length(body)) FROM tally_day`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// TestMigrateVersion1: a store of version 1 holds after the migration what the program
// that wrote it said it held, in less space.
func TestMigrateVersion1(t *testing.T) {
	t.Parallel()
	dir := version1(t, ``)
	var before int
	onFile(t, dir, func(db *sql.DB) {
		if err := db.QueryRow(`SELECT sum(length(body)) FROM tally_day`).Scan(&before); err != nil {
			t.Fatal(err)
		}
	})
	s := open(t, dir, Options{})
	defer s.Close()
	want := strings.TrimSpace(string(unzip(t, "version-1", "tallies.txt.gz")))
	if got := strings.Join(tallyLines(t, s), "\n"); got != want {
		t.Errorf("tallies after the migration:\n%s\nwant\n%s", got, want)
	}
	if n := bytesOfDays(t, s); n > before*9/10 {
		t.Errorf("packed days take %d bytes, took %d", n, before)
	}
	lines := strings.Count(string(unzip(t, "version-1", "readings.csv.gz")), "\n") - 1
	if n := count(t, s); n != lines || n == 0 {
		t.Errorf("%d readings after the migration, want %d", n, lines)
	}
	checkWhole(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{}) // migrated once, and then never again
	defer s.Close()
	var versions int
	if err := s.readers.QueryRowContext(t.Context(), `SELECT count(*) FROM migration`).Scan(&versions); err != nil || versions != len(migrations) {
		t.Errorf("%d migrations are noted, want %d: %v", versions, len(migrations), err)
	}
	if got := strings.Join(tallyLines(t, s), "\n"); got != want {
		t.Error("the second open changed tallies")
	}
}

// TestDamagedDay: a packed day that cannot be read comes through the migration as it
// was, does not keep the others from being read or its own hours from being written, and
// has them made again; what it held is kept.
func TestDamagedDay(t *testing.T) {
	t.Parallel()
	const damage = `UPDATE tally_day SET body = x'0118ff' WHERE id = 1`
	damaged := func(s *Store) (n int) {
		if err := s.readers.QueryRowContext(t.Context(), `SELECT count(*) FROM tally_damaged WHERE body = x'0118ff'`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, c := range []struct {
		name string
		meet func(s *Store, first reception.PackedTally) error
	}{
		{"reading", func(s *Store, _ reception.PackedTally) error {
			for _, err := range s.Tallies(t.Context(), store.Query{}) {
				if err != nil {
					return err
				}
			}
			return nil
		}},
		{"writing", func(s *Store, p reception.PackedTally) error {
			_, err := s.Append(t.Context(), store.Batch{Tallies: []reception.PackedTally{p}})
			return err
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := open(t, version1(t, ``), Options{})
			defer whole.Close()
			var first reception.PackedTally
			var day, mask int64
			if err := whole.readers.QueryRowContext(t.Context(), `SELECT t.day, t.hours, s.frequency_hz, s.layer, s.tuner, r.installation, r.mode, r.scale
				FROM tally_day t JOIN series s ON s.id = t.series JOIN regime r ON r.id = t.regime WHERE t.id = 1`).
				Scan(&day, &mask, &first.FrequencyHz, &first.Layer, &first.Tuner, &first.Regime.Installation, &first.Regime.Mode, &first.Regime.Scale); err != nil {
				t.Fatal(err)
			}
			first.Hour, first.Body = day*hoursADay, []byte("new")
			all := tallyLines(t, whole)
			s := open(t, version1(t, damage), Options{})
			defer s.Close()
			if n := damaged(s); n != 0 {
				t.Errorf("the migration touched the damaged day")
			}
			seq, err := s.Seq(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if err := c.meet(s, first); err != nil {
				t.Fatal(err)
			}
			if n := damaged(s); n != 1 {
				t.Errorf("%d damaged days are kept, want 1", n)
			}
			var lost int64
			for h := range int64(hoursADay) {
				lost += mask >> h & 1
			}
			dirty, err := s.Dirty(t.Context(), 1000)
			if err != nil || int64(len(dirty)) != lost || lost == 0 {
				t.Errorf("%d hours are dirty, want the %d of the damaged day: %v", len(dirty), lost, err)
			}
			want := len(all) - int(lost)
			if c.name == "writing" {
				want++
			}
			if n := len(tallyLines(t, s)); n != want {
				t.Errorf("%d tallies can be read, want %d of %d", n, want, len(all))
			}
			var lines int
			for ch, err := range s.Changes(t.Context(), seq) {
				if lines++; err != nil || ch.Series != first.Series || ch.From > day*hoursADay*reception.HourMS || ch.To < (day*hoursADay+1)*reception.HourMS {
					t.Errorf("change %+v, %v, want one of %+v that covers the day", ch, err, first.Series)
				}
			}
			if lines == 0 {
				t.Error("the change list says nothing of it")
			}
			checkWhole(t, s)
		})
	}
}
