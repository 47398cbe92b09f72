//go:build unix

package embedded

import (
	"math"
	"slices"
	"sync/atomic"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

// A readDisk counts the bytes that are read.
type readDisk struct {
	systemDisk
	n *atomic.Int64
}

func (d readDisk) Open(path string) (diskReader, error) {
	r, err := d.systemDisk.Open(path)
	return countedReader{r, d.n}, err
}

type countedReader struct {
	diskReader
	n *atomic.Int64
}

func (r countedReader) ReadAt(p []byte, off int64) (int, error) {
	r.n.Add(int64(len(p)))
	return r.diskReader.ReadAt(p, off)
}

// TestMonthAgainInPortions gives a merged month again, some days of all channels at a
// time: every column is compared, and no portion decodes whole months again.
func TestMonthAgainInPortions(t *testing.T) {
	t.Parallel()
	const channels, days = 3, 2
	var read atomic.Int64
	dir := t.TempDir()
	s := open(t, dir, Options{disk: readDisk{n: &read}})
	defer s.Close()
	var portions [][]reception.Reading
	for d := 0; d < monthDays; d += days {
		portions = append(portions, history(channels, month0+int64(d)*dayMS, days*24*60))
		if _, err := s.Append(t.Context(), store.Batch{Readings: portions[len(portions)-1], FoldedReadings: true}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Tidy(t.Context(), far); err != nil {
		t.Fatal(err)
	}
	if names := files(t, dir); len(names) != 1 {
		t.Fatalf("the month lies in %v, want one file", names)
	}
	changes := []func(*reception.Reading){
		func(r *reception.Reading) { r.TunedHz++ }, func(r *reception.Reading) { r.Known++ },
		func(r *reception.Reading) { r.DwellMS++ }, func(r *reception.Reading) { r.LockedMS = 3 },
		func(r *reception.Reading) { r.LevelDBm = math.Nextafter(r.LevelDBm, 0) }, func(r *reception.Reading) { r.LevelPct = 7 },
		func(r *reception.Reading) { r.CNDB = 3.25 }, func(r *reception.Reading) { r.CNLowDB = 3 },
		func(r *reception.Reading) { r.CNSpreadDB = 1 }, func(r *reception.Reading) { r.QualityPct = 9 },
		func(r *reception.Reading) { r.ErroredS = 1 }, func(r *reception.Reading) { r.PreErrors += 70 },
		func(r *reception.Reading) { r.PreBits = 8 }, func(r *reception.Reading) { r.UncorrectedBlocks += 2 },
		func(r *reception.Reading) { r.TotalBlocks += 1 << 40 }, func(r *reception.Reading) { r.Locked = !r.Locked },
		func(r *reception.Reading) { r.Visit = reception.VisitExtra }, func(r *reception.Reading) { r.Why = reception.WhyViewer },
		func(r *reception.Reading) { r.Identity = "other" }, func(r *reception.Reading) { r.Mode = "" },
		func(r *reception.Reading) { r.System = reception.DVBT }, func(r *reception.Reading) { r.Scale = "other" },
	}
	again := func(i int) {
		t.Helper()
		rs := slices.Clone(portions[i])
		var want []int
		for k, change := range changes {
			at := (k*(len(rs)/len(changes)) + 13*i) % len(rs)
			change(&rs[at])
			want = append(want, at)
		}
		slices.Sort(want)
		done, err := s.Append(t.Context(), store.Batch{Readings: rs, FoldedReadings: true})
		if err != nil {
			t.Fatal(err)
		}
		var got []int
		for _, c := range done.Conflicts {
			got = append(got, c.Index)
		}
		if done.New != 0 || done.Duplicates != len(rs)-len(want) || !slices.Equal(got, want) {
			t.Fatalf("portion %d again: %d new, %d duplicates, conflicts %v; want 0, %d, %v", i, done.New, done.Duplicates, got, len(rs)-len(want), want)
		}
	}
	read.Store(0)
	for i := range portions {
		again(i)
		if s.ahead.bytes > aheadBytes {
			t.Fatalf("%d bytes are kept, want %d at most", s.ahead.bytes, aheadBytes)
		}
	}
	// Once to see whether anything meets; then all columns, for each aheadRows and what
	// comes first.
	size, groups := sizeOf(t, dir), int64(monthTurns/(aheadRows+days*24*60)+1)
	if got, most := read.Load(), (groups+1)*size; got > most {
		t.Errorf("%d bytes of a file of %d were read, want %d at most", got, size, most)
	}
	if len(s.ahead.of) != 0 {
		t.Errorf("%d groups are still kept at the end of the month", len(s.ahead.of))
	}
	for _, i := range []int{4, 2, 3, 14, 0, 0, 1} { // in any order
		again(i)
	}

	// What was set aside is no witness: its readings, given again, are stored.
	for _, seg := range s.shelf.segments {
		s.archive.damaged(seg, segment.ErrDamaged)
	}
	if len(s.ahead.of) == 0 {
		t.Fatal("nothing is kept")
	}
	done, err := s.Append(t.Context(), store.Batch{Readings: portions[2], FoldedReadings: true})
	if err != nil || done.New != len(portions[2]) {
		t.Errorf("after the file was set aside %d of %d readings are new: %v", done.New, len(portions[2]), err)
	}
}
