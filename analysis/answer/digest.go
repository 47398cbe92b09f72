package answer

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"slices"

	"holdfast/analysis/cause"
	"holdfast/analysis/reception"
)

// Digests returns, for ascending instants in Unix ms, hashes of all that [Fold.Alarming]
// may look at up to each: the setup, entries, tallies and weather of the days up to the
// one in which it lies, the latest visits before it. Equal digests mean equal answers
// by the same program; whatever comes late changes those from its day on.
func (f *Fold) Digests(at []int64) [][sha256.Size]byte {
	f.refresh()
	h := sha256.New()
	s := f.setup
	fmt.Fprintf(h, "%+v\n%s %s\n%+v\n%+v\n%+v\n%+v\n", s.Home, s.Zone, s.ZoneData, s.Channels, s.Transmitters, s.Tuners, s.Wanted)
	for _, k := range sortedKeys(f.scales, func(a, b string) int { return cmp.Compare(a, b) }) {
		fmt.Fprintf(h, "%q %+v\n", k, f.scales[k])
	}
	for _, k := range sortedKeys(f.installs, func(a, b installKey) int {
		return cmp.Or(cmp.Compare(a.tuner, b.tuner), cmp.Compare(a.held, b.held))
	}) {
		fmt.Fprintf(h, "%q %d %+v\n", k.tuner, k.held, f.installs[k])
	}
	names := make([]string, len(f.segments))
	next := make([]int, len(f.segments)) // day of each segment
	for i, s := range f.segments {
		names[i] = fmt.Sprintf("%+v\n", reception.TallyKey{Series: s.Series, Regime: s.Regime})
	}
	hour, _ := f.sky.Span()
	out := make([][sha256.Size]byte, len(at))
	for i, ms := range at {
		last := f.days.Of(ceilHour(ms) - 1)
		for {
			day := last + 1
			for i, s := range f.segments {
				if n := next[i]; n < len(s.days) {
					day = min(day, s.days[n].day)
				}
			}
			if day > last {
				break
			}
			for i, s := range f.segments {
				if n := next[i]; n < len(s.days) && s.days[n].day == day {
					s.days[n].hash(h, names[i])
					next[i]++
				}
			}
		}
		for ; hour < f.days.First(last+1); hour++ {
			if w, ok := f.sky.Row(hour); ok {
				fmt.Fprintf(h, "%+v\n", w)
			}
		}
		so := sha256.New()
		so.Write(h.Sum(nil))
		for _, k := range sortedKeys(f.latest, compareSeries) {
			if v := f.latest[k]; v.Time < ms {
				fmt.Fprintf(so, "%+v\n", v)
			}
		}
		out[i] = [sha256.Size]byte(so.Sum(nil))
	}
	return out
}

func (d *segmentDay) hash(h hash.Hash, name string) {
	var b [8]byte
	h.Write([]byte(name))
	for _, n := range []int{int(d.day), len(d.hours), len(d.runs)} {
		binary.LittleEndian.PutUint64(b[:], uint64(n))
		h.Write(b[:])
	}
	h.Write(d.hours)
	for _, r := range d.runs {
		fmt.Fprintf(h, "%+v\n", r)
	}
}

func sortedKeys[K comparable, V any](m map[K]V, compare func(a, b K) int) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.SortFunc(out, compare)
	return out
}

// A Memory is what was judged, by hashes of all that the judge looked at: it may be
// given to another fold of the same program, whatever that holds.
type Memory struct {
	Verdicts map[[16]byte]cause.Verdict
	Lasting  map[[16]byte]cause.LastingVerdict
}

// Memory returns what the last answer judged. It is not to be changed.
func (f *Fold) Memory() Memory { return Memory{f.verdicts, f.lasting} }

// Remember takes up what was judged elsewhere.
func (f *Fold) Remember(m Memory) { f.verdicts, f.lasting = m.Verdicts, m.Lasting }
