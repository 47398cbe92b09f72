package answer

import (
	"holdfast/analysis/availability"
	"holdfast/analysis/decompose"
	"holdfast/analysis/fading"
	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// A scratch is memory for one element while it is worked out: some 4 MB for a year. What
// an answer holds never lies here.
type scratch struct {
	list  shelf[*row]
	sums  shelf[daySum]
	bins  shelf[stat.Bin]
	hists shelf[stat.Histogram]
	dose  shelf[reception.DoseBin]
	doses shelf[[]reception.DoseBin]
	fades shelf[fading.Day]
	days  shelf[availability.Day]
	daily shelf[decompose.Day]

	sum  daySum // the day being summed
	hour hourRec
}

func (m *scratch) clear() {
	m.list.clear()
	m.sums.clear()
	m.bins.clear()
	m.hists.clear()
	m.dose.clear()
	m.doses.clear()
	m.fades.clear()
	m.days.clear()
	m.daily.clear()
}

// A shelf hands out slices, all of which are taken back at once.
type shelf[T any] struct{ buf []T }

// take returns a slice of n zero values.
func (s *shelf[T]) take(n int) []T {
	if len(s.buf)+n > cap(s.buf) { // what was handed out stays with whoever has it
		s.buf = make([]T, 0, max(n, 2*cap(s.buf)))
	}
	at := len(s.buf)
	s.buf = s.buf[:at+n]
	out := s.buf[at : at+n : at+n]
	clear(out)
	return out
}

func (s *shelf[T]) clear() { s.buf = s.buf[:0] }

// maxWorkers is how many scratches are kept for whoever works next.
const maxWorkers = 64

// each does something for 0 to n-1, as the setup spreads work, with memory that is each
// worker's own.
func (f *Fold) each(n int, do func(i int, m *scratch)) {
	work := func(i int) {
		var m *scratch
		select {
		case m = <-f.spare:
		default:
			m = new(scratch)
		}
		do(i, m)
		m.clear()
		select {
		case f.spare <- m:
		default:
		}
	}
	if f.setup.Spread != nil {
		f.setup.Spread(n, work)
		return
	}
	for i := range n {
		work(i)
	}
}

// letGo gives the memory of the workers back.
func (f *Fold) letGo() {
	for {
		select {
		case <-f.spare:
		default:
			return
		}
	}
}
