//go:build unix

package embedded

import (
	"testing"

	"holdfast/collector/store"
)

// TestBytesWritten counts what durable appends write, copying the log back included: the
// order of the key decides it, and memory cards wear by it. With the series first in the
// key ten readings of one instant wrote 55 KB in a prototype.
func TestBytesWritten(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		readings int
		appends  int64
		most     int64 // bytes an append
	}{
		{"one reading", 1, 3000, 6000},
		{"ten of one instant", 10, 1500, 12500},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := newFaulty(t)
			f.lazy = true
			s := open(t, t.TempDir(), f.options(Options{}))
			defer s.Close()
			if _, err := s.Append(t.Context(), store.Batch{Readings: visits(c.readings, start, 1000), FoldedReadings: true}); err != nil {
				t.Fatal(err)
			}
			if err := s.w.row(t.Context(), "PRAGMA wal_checkpoint(TRUNCATE)", nil, new(int), new(int), new(int)); err != nil {
				t.Fatal(err)
			}
			bytes, calls := f.bytes.Load(), f.calls.Load()
			for i := range c.appends {
				if _, err := s.Append(t.Context(), store.Batch{Readings: visits(c.readings, start+(1000+i)*60_000, 1), FoldedReadings: true}); err != nil {
					t.Fatal(err)
				}
			}
			bytes, calls = (f.bytes.Load()-bytes)/c.appends, f.calls.Load()-calls
			t.Logf("%d bytes and %.2f calls an append", bytes, float64(calls)/float64(c.appends))
			if bytes > c.most {
				t.Errorf("%d bytes an append, want %d at most", bytes, c.most)
			}
		})
	}
}
