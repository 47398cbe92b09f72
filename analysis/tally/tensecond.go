package tally

// decisive is the number of consecutive seconds after which the state changes.
const decisive = 10

// unavailable applies the ten-second rule of ITU-T G.826 to consecutive seconds,
// of which ses says whether they were severely errored: unavailable time begins at
// the onset of ten consecutive severely errored seconds, which are part of it, and
// ends at the onset of ten consecutive seconds that are not, which are available.
// The first second starts in available time; a run that the end cuts short of ten
// changes nothing.
//
// Source: ITU-T G.826, definition of unavailable time, as several equipment manuals
// restate it.
func unavailable(ses []bool) []bool {
	out := make([]bool, len(ses))
	down := false
	for i := 0; i < len(ses); {
		j := i
		for j < len(ses) && ses[j] == ses[i] {
			j++
		}
		if j-i >= decisive {
			down = ses[i]
		}
		for ; i < j; i++ {
			out[i] = down
		}
	}
	return out
}

// severeShare: a second with at least this share of bad blocks is severely errored.
const severeShare = 0.3 // ITU-T G.826
