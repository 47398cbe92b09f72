package threshold

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A dwell simulates visits of 5 s to a path with a moving part: Rician, correlated over
// 0.4 s, errors falling by three decades per dB and in bursts of three, read by so many
// polls. It shares no form with how a visit is judged steady.
type dwell struct {
	theta, noise float64
	polls        int
	kDB          func(*rand.Rand) float64 // of a day
}

func (d dwell) visit(rng *rand.Rand, at int64, cn, kDB float64) reception.Reading {
	const moments = 100
	r := reception.NewReading()
	r.Time, r.Tuner, r.FrequencyHz, r.DwellMS, r.Locked, r.LockedMS = at, "loft", 605e6, 5000, true, 5000
	r.TotalBlocks, r.UncorrectedBlocks, r.Scale = 64470, 0, "s"
	moving := math.Pow(10, -kDB/10)
	keep := math.Exp(-5 / (moments * 0.4))
	fresh := math.Sqrt(1 - keep*keep)
	x, y := rng.NormFloat64(), rng.NormFloat64()
	share, sum, sq := 0.0, 0.0, 0.0
	var shown []float64
	for i := range moments {
		x, y = keep*x+fresh*rng.NormFloat64(), keep*y+fresh*rng.NormFloat64()
		a, b := 1+math.Sqrt(moving/2)*x, math.Sqrt(moving/2)*y
		db := cn + 10*math.Log10((a*a+b*b)/(1+moving))
		share += math.Min(1, 1.93e-4*math.Pow(10, -3*(db-d.theta))) / moments
		if i%(moments/d.polls) == 0 {
			v := math.Round((db+d.noise*rng.NormFloat64())*10) / 10
			shown, sum, sq = append(shown, v), sum+v, sq+v*v
		}
	}
	// bursts at Poisson instants, of geometric length
	for mean, t := share*64470/3, rng.ExpFloat64(); t < mean && r.UncorrectedBlocks < 1000; t += rng.ExpFloat64() {
		r.UncorrectedBlocks += 1 + int64(math.Log(1-rng.Float64())/math.Log(2.0/3))
	}
	slices.Sort(shown)
	n := len(shown)
	r.CNDB, r.CNLowDB = (shown[n/2]+shown[(n-1)/2])/2, shown[0]
	r.CNSpreadDB = math.Sqrt(math.Max(0, (sq-sum*sum/float64(n))/float64(n-1)))
	return r
}

// channels returns 60 days of visits as they are counted, and with every visit at its
// median.
func (d dwell) channels(rng *rand.Rand) (steady, median Channel) {
	for day := range int64(60) {
		base, kDB := 17.5+1.5*rng.NormFloat64(), d.kDB(rng)
		var sum reception.Tally
		for h := range int64(24) {
			var hour []reception.Reading
			for v := range int64(4) {
				hour = append(hour, d.visit(rng, 1772323200000+(day*24+h)*reception.HourMS+v*900e3, base+.8*rng.NormFloat64(), kDB))
			}
			for _, k := range tally.Hour(hour, nil, nil, nil, tally.Rules{System: reception.ATSC1}) {
				tally.Merge(&sum, &k.Tally)
			}
		}
		median.Days = append(median.Days, counts(sum.Dose))
		var bins []reception.DoseBin
		for _, b := range sum.Steady {
			bins = append(bins, reception.DoseBin{Bin: b.Bin, Visits: b.N})
		}
		for _, b := range sum.SteadyFailed {
			bins[slices.IndexFunc(bins, func(x reception.DoseBin) bool { return x.Bin == b.Bin })].Failed = b.N
		}
		steady.Days = append(steady.Days, counts(bins))
	}
	return steady, median
}

// What C/N that varies within visits does to a threshold, by how it varies and how often
// it is read. The truth is the C/N at which a steady signal has the picture-failure share
// of bad blocks.
func TestVariationWithinVisits(t *testing.T) {
	const theta = 15.4
	still := func(*rand.Rand) float64 { return 60 }
	trees := func(*rand.Rand) float64 { return 25 } // 0.35 dB of standard deviation
	wind := func(r *rand.Rand) float64 { return 25 - 17*r.Float64()*r.Float64() }
	for _, c := range []struct {
		name   string
		kDB    func(*rand.Rand) float64
		medLow float64 // by medians the error is at least this
	}{{"still", still, -1}, {"a little", trees, 0.3}, {"wind", wind, 0.5}} {
		for _, polls := range []int{5, 20} {
			for _, noise := range []float64{0.1, 0.2} {
				d := dwell{theta: theta, noise: noise, polls: polls, kDB: c.kDB}
				steady, median := d.channels(rand.New(rand.NewPCG(61, uint64(polls))))
				s, m := Learn(input(steady)).Channels[0], Learn(input(median)).Channels[0]
				t.Logf("%s, %d polls, noise %.1f: %+.2f (%+.2f to %+.2f); by medians %+.2f", c.name, polls, noise, s.Value-theta, s.Low-theta, s.High-theta, m.Value-theta)
				if s.Basis != Learnt || math.Abs(s.Value-theta) > 0.2 || s.Low > theta || s.High < theta || s.High-s.Low > 0.7 {
					t.Errorf("%s, %d polls, noise %.1f: %.2f (%.2f to %.2f) by %s, want %.1f within 0.2 and the interval", c.name, polls, noise, s.Value, s.Low, s.High, s.Basis, theta)
				}
				if m.Value-theta < c.medLow {
					t.Errorf("%s, %d polls: by medians %.2f, want it off by %.1f, or this test says nothing", c.name, polls, m.Value, c.medLow)
				}
			}
		}
	}
}
