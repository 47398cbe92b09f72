package exchange

import (
	"bytes"
	"fmt"
	"testing"

	"holdfast/analysis/reception"
)

// One channel-day at one visit in five minutes is 288 rows; ten channels' month.
func BenchmarkReadReadings(b *testing.B) {
	b.Run("rows", func(b *testing.B) {
		benchmarkRead(b, func(rd *Readings) (n int) {
			for _, err := range rd.Rows() {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			return n
		})
	})
	b.Run("chunks", func(b *testing.B) {
		benchmarkRead(b, func(rd *Readings) (n int) {
			for c, err := range rd.Chunks() {
				if err != nil || len(c.Bad) > 0 {
					b.Fatal(err, c.Bad)
				}
				n += len(c.Readings)
			}
			return n
		})
	})
}

func benchmarkRead(b *testing.B, read func(*Readings) int) {
	rows := make([]reception.Reading, 0, 86400)
	for i := range cap(rows) {
		r := reception.NewReading()
		r.Time, r.Tuner, r.FrequencyHz = 1772380800000+int64(i)*300e3, "attic", 569e6
		r.DwellMS, r.Locked, r.LockedMS, r.LevelDBm, r.CNDB = 5000, true, 5000, -61.5, 20+float64(i%80)/10
		r.UncorrectedBlocks, r.TotalBlocks, r.System, r.Scale = 0, 64470, reception.ATSC1, "import-db"
		r.Identity = fmt.Sprint(i % 3)
		rows = append(rows, r)
	}
	var file bytes.Buffer
	if err := WriteReadings(&file, CSV, chunked(rows)); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(file.Len()))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		rd, err := ReadReadings(bytes.NewReader(file.Bytes()), ReadOptions{Region: reception.RegionUS})
		if err != nil {
			b.Fatal(err)
		}
		n += read(rd)
	}
	if n != b.N*len(rows) {
		b.Fatalf("%d rows were read of %d", n, b.N*len(rows))
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}
