package reception

// A Regime is a span with one installation, one transmission mode and one scale:
// within it numbers may be pooled.
type Regime struct {
	Installation string
	Mode         string
	Scale        string
}

// A TallyKey names one hour tally.
type TallyKey struct {
	Series
	Regime Regime
	Hour   int64 // hours since 1970-01-01 00:00 UTC
}

// HourMS is an hour in milliseconds.
const HourMS = 3600 * 1000

// A Bin counts visits whose value lies in [Bin x width, (Bin+1) x width).
type Bin struct {
	Bin int32
	N   int64
}

// A DoseBin sums what happened at one C/N, the median of each visit, over visits of
// every kind.
type DoseBin struct {
	Bin           int32
	Visits        int64
	Failed        int64 // block error ratio at or above picture failure, or lock lost
	ErroredUS     int64
	ErroredBlocks int64
	Blocks        int64
	PreErrors     int64
	PreBits       int64
}

// A BadRun is a run of bad visits within one hour, with the good visits around it.
type BadRun struct {
	FirstMS, LastMS int64 // start of the first bad dwell, end of the last, Unix ms
	BeforeMS        int64 // end of the visit before it; 0 if none within the carry-in
	AfterMS         int64 // start of the visit after it; 0 if none within the carry is known yet
	GapMS           int64 // runs apart by less are one dropout: the carry of its hour
	Visits          int64
	BaseVisits      int64
	BaseDwellMS     int64
	BaseErroredUS   int64
	ErroredUS       int64
	Unlocked        int64 // visits without lock
	WrongIdentity   int64
}

// A Tally is the exact summary of one hour of visits of one series in one regime.
// Everything is an integer, so tallies add and subtract exactly, in any order.
// Slices of bins are ascending by Bin and hold no zero counts; nil is empty.
type Tally struct {
	// Base visits.
	Visits        int64
	DwellMS       int64
	StoodMS       int64 // time the visits stand for: min(1 h, visits x three base intervals), shared among the hour's regimes
	ErroredUS     int64 // errored time within the dwell, microseconds
	SevereS       int64 // severely errored seconds, where readings come each second
	UnavailableS  int64 // unavailable seconds by ITU-T G.826, likewise
	Unlocked      int64 // visits
	UnlockedMS    int64 // their dwell
	WrongIdentity int64
	NoCN          int64 // locked, C/N not available
	LockLosses    int64 // visits that lost lock within the dwell
	CNSumMDB      int64 // sum of C/N, 0.001 dB (or 0.001 %), locked visits with C/N
	CNSumSqMDB2   int64 // sum of squares, (0.001 dB)^2
	CN            []Bin // 0.1 dB or 1 %; unlocked visits lie below all bins and are Unlocked
	Bad           int64 // bad visits, as package tally judges them

	// Pairs of successive base visits.
	Pairs        int64
	GoodToBad    int64
	BadToGood    int64
	SpacingMS    int64
	CNDiffSqMDB2 int64 // sum of squared differences of C/N, (0.001 dB)^2
	DiffPairs    int64 // pairs in which both had C/N

	// Level of base visits, 0.01 dBm.
	LevelN, LevelSum, LevelSumSq int64 // of locked visits
	LevelCN                      int64 // sum of level x C/N, 0.01 dBm x 0.001 dB
	Level                        []Bin // 0.5 dB
	DarkLevelN, DarkLevelSum     int64 // of unlocked visits
	DarkLevel                    []Bin

	Dose []DoseBin // visits of every kind with a C/N, none on the wrong identity
	// Steady counts those of them whose C/N kept still, by the C/N of the errors, as
	// package tally judges both; SteadyFailed those that failed. Thresholds are learnt
	// from these: a visit that faded says little of where it failed.
	Steady, SteadyFailed []Bin

	NotMeasuredMS [6]int64 // planned dwell of base visits not made, by reason, in the order of Reasons()
	Extra         int64    // visits that were not base
	ExtraBad      int64
	Riding        int64

	Runs []BadRun // ascending
}

// A PackedTally is a tally as engines keep it: keyed, versioned bytes.
type PackedTally struct {
	TallyKey
	Version int64
	Body    []byte
}
