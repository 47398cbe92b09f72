//go:build linux

package figures

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// BenchmarkImport measures `holdfast import readings` of eighteen months from CSV, into
// an empty home and again where every row is there already.
func BenchmarkImport(b *testing.B) {
	p := needHistory(b)
	for _, again := range []bool{false, true} {
		name, want := "new", fmt.Sprintf("%d new, 0 already there", p.rows)
		if again {
			name, want = "again", fmt.Sprintf("0 new, %d already there", p.rows)
		}
		b.Run(name, func(b *testing.B) {
			var s sum
			var disk int64
			for b.Loop() {
				b.StopTimer()
				dir := tempDir(b)
				if again {
					_, dir = prepared(b)
				} else if _, err := holdfast(p, dir, "import", "weather", p.file("weather.csv")); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
				u, err := holdfast(p, dir, "import", "readings", p.file("readings.csv"))
				if err != nil {
					b.Fatal(err)
				}
				if !strings.Contains(u.out, want) {
					b.Fatalf("the import said %q, want %q in it", u.out, want)
				}
				s.add(u)
				disk = onDisk(b, dir)
			}
			s.report(b)
			rows := float64(p.rows) * float64(s.n)
			b.ReportMetric(rows/s.wall.Seconds(), "rows/s")
			b.ReportMetric(rows/s.cpu.Seconds(), "rows/cpu-s")
			b.ReportMetric(float64(disk)/float64(p.rows), "disk-B/row")
		})
	}
}

// BenchmarkAnswer measures `holdfast answer` on twelve channels and eighteen months,
// as a command that opens the store itself. It has the alarms of the whole history in
// it.
func BenchmarkAnswer(b *testing.B) {
	p, dir := prepared(b)
	var s sum
	for b.Loop() {
		u, err := holdfast(p, dir, "answer", "--format", "json")
		if err != nil {
			b.Fatal(err)
		}
		checkAnswer(b, []byte(u.out))
		s.add(u)
	}
	s.report(b)
}

// checkAnswer looks whether an answer is one about the whole home.
func checkAnswer(tb testing.TB, text []byte) {
	tb.Helper()
	var a struct {
		Channels []struct {
			Spare struct{ Value *float64 } `json:"spare_db"`
		}
		Alarms []any
	}
	if err := json.Unmarshal(text, &a); err != nil {
		tb.Fatalf("read the answer: %v", err)
	}
	decided := 0
	for _, c := range a.Channels {
		if c.Spare.Value != nil {
			decided++
		}
	}
	if len(a.Channels) < 12 || decided < 10 || len(a.Alarms) == 0 {
		tb.Fatalf("the answer has %d channels, %d with spare_db, %d alarms; want 12 or more, most of them decided, and an alarm of the fault", len(a.Channels), decided, len(a.Alarms))
	}
}

// BenchmarkAlarm measures `holdfast alarm` over the same history: opening the store and
// the replay of the alarms day by day.
func BenchmarkAlarm(b *testing.B) {
	p, dir := prepared(b)
	var s sum
	for b.Loop() {
		u, err := holdfast(p, dir, "alarm", "--format", "json")
		if err != nil {
			b.Fatal(err)
		}
		if !strings.Contains(u.out, `"replay"`) {
			b.Fatalf("no alarm of the replay: %s", u.out)
		}
		s.add(u)
	}
	s.report(b)
}
