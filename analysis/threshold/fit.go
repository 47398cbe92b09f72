package threshold

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"holdfast/analysis/reception"
	"holdfast/analysis/stat"
)

// dose is a bin as the fit sees it: x is averaged from lo to hi.
type dose struct {
	lo, hi float64
	n, k   float64
}

type channel struct {
	doses          []dose // ascending, below the ceiling
	ceilN, ceilK   float64
	days           [][]Count
	visits, failed int64
}

type data struct {
	unit      reception.ScaleUnit
	prior     stat.Normal
	standard  bool
	channels  []channel
	visits    int64
	failed    int64
	badDays   int // with a visit that failed
	dated     bool
	low, high float64 // C/N seen
	width     float64 // of a bin
	step      float64 // that the tuner shows
	ceiling   float64
	spread    func(n int, do func(i int))
}

// place returns the C/N that a bin stands for.
func (d *data) place(bin int32) (lo, hi float64) {
	lo, hi = float64(bin)*d.width, float64(bin+1)*d.width
	if d.step > 1.5*d.width { // the tuner rounds to its step: common practice, no published source
		return lo - d.step/2, lo + d.step/2
	}
	return lo, hi
}

func (d *data) atCeiling(bin int32) bool { return float64(bin+1)*d.width > d.ceiling }

func collect(in Input) *data {
	d := &data{unit: in.Unit, channels: make([]channel, len(in.Channels)), low: math.Inf(1), high: math.Inf(-1)}
	switch {
	case in.Unit == reception.UnitPercent:
		d.prior = stat.Normal{Mean: anyPct, SD: pctSD}
	case math.IsNaN(in.StandardDB) || math.IsInf(in.StandardDB, 0):
		d.prior = stat.Normal{Mean: anyDB, SD: anyDBSD}
	default:
		d.prior, d.standard = stat.Normal{Mean: in.StandardDB, SD: standardSD}, true
	}
	width := in.Unit.BinWidth()
	sums := make([][]reception.DoseBin, len(in.Channels))
	for i, c := range in.Channels {
		sums[i] = clean(c.Bins)
		if len(c.Bins) == 0 {
			sums[i] = sumDays(c.Days)
		}
	}
	d.width, d.step, d.ceiling, d.spread = width, in.Step, in.Ceiling, in.Spread
	if d.spread == nil {
		d.spread = func(n int, do func(i int)) {
			for i := range n {
				do(i)
			}
		}
	}
	if math.IsNaN(d.step) || d.step <= 0 {
		d.step = float64(commonStep(sums)) * width
	}
	bad := map[int]bool{}
	for i, c := range in.Channels {
		out := &d.channels[i]
		for _, b := range sums[i] {
			out.visits += b.Visits
			out.failed += b.Failed
			if d.atCeiling(b.Bin) {
				out.ceilN += float64(b.Visits)
				out.ceilK += float64(b.Failed)
				continue
			}
			lo, hi := d.place(b.Bin)
			out.doses = append(out.doses, dose{lo, hi, float64(b.Visits), float64(b.Failed)})
			d.low, d.high = math.Min(d.low, lo), math.Max(d.high, hi)
		}
		out.days = cleanDays(c.Days)
		for k, day := range out.days {
			if slices.ContainsFunc(day, func(b Count) bool { return b.Failed > 0 }) {
				bad[k] = true
			}
			d.dated = true
		}
		d.visits += out.visits
		d.failed += out.failed
	}
	d.badDays = len(bad)
	return d
}

// sumDays returns the sum of a channel's days.
func sumDays(days [][]Count) []reception.DoseBin {
	lo, hi := int32(math.MaxInt32), int32(math.MinInt32)
	for _, day := range days {
		for _, b := range day {
			lo, hi = min(lo, b.Bin), max(hi, b.Bin)
		}
	}
	if hi < lo || int64(hi)-int64(lo) > 1e5 {
		var all []reception.DoseBin
		for _, day := range days {
			for _, b := range day {
				all = append(all, reception.DoseBin{Bin: b.Bin, Visits: int64(b.Visits), Failed: int64(b.Failed)})
			}
		}
		return clean(all)
	}
	sum := make([]reception.DoseBin, hi-lo+1)
	for _, day := range cleanDays(days) {
		for _, b := range day {
			s := &sum[b.Bin-lo]
			s.Bin, s.Visits, s.Failed = b.Bin, s.Visits+int64(b.Visits), s.Failed+int64(b.Failed)
		}
	}
	return clean(sum)
}

// cleanDays returns days without what cannot be counted.
func cleanDays(days [][]Count) [][]Count {
	cloned := false
	for k, day := range days {
		if !slices.ContainsFunc(day, func(b Count) bool { return b.Visits <= 0 || b.Failed < 0 || b.Failed > b.Visits }) {
			continue
		}
		if !cloned {
			days, cloned = slices.Clone(days), true
		}
		var out []Count
		for _, b := range day {
			if b.Visits > 0 {
				out = append(out, Count{b.Bin, b.Visits, min(max(b.Failed, 0), b.Visits)})
			}
		}
		days[k] = out
	}
	return days
}

// clean returns bins ascending, one each, without what cannot be counted.
func clean(bins []reception.DoseBin) []reception.DoseBin {
	good := true
	for i, b := range bins {
		good = good && b.Visits > 0 && b.Failed >= 0 && b.Failed <= b.Visits && (i == 0 || bins[i-1].Bin < b.Bin)
	}
	if good {
		return bins
	}
	out := make([]reception.DoseBin, 0, len(bins))
	for _, b := range bins {
		if b.Visits > 0 {
			b.Failed = min(max(b.Failed, 0), b.Visits)
			out = append(out, b)
		}
	}
	slices.SortStableFunc(out, func(a, b reception.DoseBin) int { return int(a.Bin) - int(b.Bin) })
	k := 0
	for i, b := range out {
		if i > 0 && out[k-1].Bin == b.Bin {
			out[k-1].Visits += b.Visits
			out[k-1].Failed += b.Failed
			continue
		}
		out[k] = b
		k++
	}
	return out[:k]
}

// commonStep returns the greatest common divisor of the occupied bins' distances, 1 if
// there are none.
func commonStep(sums [][]reception.DoseBin) int32 {
	var g, first int32
	seen := false
	for _, s := range sums {
		for _, b := range s {
			if !seen {
				first, seen = b.Bin, true
			}
			x := max(b.Bin-first, first-b.Bin)
			for x != 0 {
				g, x = x, g%x
			}
		}
	}
	// Two or three bins say nothing about a step.
	if n := slices.MaxFunc(append(sums, nil), func(a, b []reception.DoseBin) int { return len(a) - len(b) }); g < 1 || len(n) < 4 {
		return 1
	}
	return g
}

// failedDays returns on how many days a visit to a channel failed below the ceiling.
func (d *data) failedDays(c *channel) int {
	n := 0
	for _, day := range c.days {
		if slices.ContainsFunc(day, func(b Count) bool { return b.Failed > 0 && !d.atCeiling(b.Bin) }) {
			n++
		}
	}
	return n
}

func (d *data) pooled() channel {
	var out channel
	for i := range d.channels {
		c := &d.channels[i]
		out.doses = append(out.doses, c.doses...)
		out.visits += c.visits
		out.failed += c.failed
	}
	slices.SortStableFunc(out.doses, func(a, b dose) int {
		switch {
		case a.hi < b.hi:
			return -1
		case a.hi > b.hi:
			return 1
		}
		return 0
	})
	return out
}

// lowestHeld returns the lowest C/N at or below which enough visits were made; NaN if
// there were fewer.
func (c *channel) lowestHeld() float64 {
	n := 0.0
	for _, b := range c.doses {
		if n += b.n; n >= enough {
			return b.hi
		}
	}
	return nan
}

// fails is Phi((theta-x)/s) averaged over x from lo to hi: the integral of Phi is
// u Phi(u) + phi(u).
func fails(lo, hi, theta, s float64) float64 {
	u, v := (theta-lo)/s, (theta-hi)/s
	if u-v < 0.05 {
		return distuv.UnitNormal.CDF((u + v) / 2)
	}
	g := func(u float64) float64 {
		switch {
		case u < -9:
			return 0
		case u > 9:
			return u
		}
		return u*0.5*math.Erfc(-u/math.Sqrt2) + math.Exp(-u*u/2)/math.Sqrt(2*math.Pi)
	}
	return math.Min(1, math.Max(0, (g(u)-g(v))/(u-v)))
}

const (
	sure     = 1e-10 // closer to 0 or 1 than this a bin is all floor
	maxPhi   = 0.98
	maxLamda = 0.5
)

// inner returns the log posterior of a channel's visits with its floors at their best
// for a threshold and width, and the floors. It is concave in the floors, for the
// probability is linear in them.
func (d *data) inner(c *channel, theta, s float64) (l, phi, lambda float64) {
	// far above and far below the threshold only sums count
	topN, topK, botN, botK := c.ceilN, c.ceilK, 0.0, 0.0
	type mid struct{ f, n, k float64 }
	var buf [256]mid
	m := buf[:0]
	for _, b := range c.doses {
		f := 0.0
		if (theta-b.lo)/s > -7 {
			f = 1
			if (theta-b.hi)/s < 7 {
				f = fails(b.lo, b.hi, theta, s)
			}
		}
		switch {
		case f < sure:
			topN, topK = topN+b.n, topK+b.k
		case f > 1-sure:
			botN, botK = botN+b.n, botK+b.k
		default:
			m = append(m, mid{f, b.n, b.k})
		}
	}
	value := func(phi, lambda float64) float64 {
		v := floorStrength*math.Log1p(-phi) + floorStrength*math.Log1p(-lambda)
		add := func(f, n, k float64) {
			p := max(1e-12, f*(1-lambda)+phi*(1-f))
			q := max(1e-12, (1-f)*(1-phi)+f*lambda)
			v += k*math.Log(p) + (n-k)*math.Log(q)
		}
		add(0, topN, topK)
		add(1, botN, botK)
		for _, b := range m {
			add(b.f, b.n, b.k)
		}
		return v
	}
	// One floor at a time: Newton within bounds on a concave function.
	solve := func(x, hi float64, slope func(x float64) (g, h float64)) float64 {
		if g, _ := slope(0); g <= 0 { // no floor at all is best
			return 0
		}
		lo, top := 0.0, hi
		for range 40 {
			g, h := slope(x)
			if g > 0 {
				lo = x
			} else {
				top = x
			}
			next := x
			if h < 0 {
				next = x - g/h
			}
			if !(next > lo && next < top) {
				next = (lo + top) / 2
			}
			if math.Abs(next-x) < 1e-10 {
				return next
			}
			x = next
		}
		return x
	}
	phi, lambda = math.Min(maxPhi/2, (topK+0.01)/(topN+floorStrength)), math.Min(maxLamda/2, (botN-botK+0.01)/(botN+floorStrength))
	for range 6 {
		was := phi + lambda
		phi = solve(phi, maxPhi, func(x float64) (g, h float64) {
			g, h = -floorStrength/(1-x), -floorStrength/((1-x)*(1-x))
			add := func(f, n, k float64) {
				a := 1 - f
				p := max(1e-12, f*(1-lambda)+x*a)
				q := max(1e-12, a*(1-x)+f*lambda)
				g += a * (k/p - (n-k)/q)
				h -= a * a * (k/(p*p) + (n-k)/(q*q))
			}
			add(0, topN, topK)
			for _, b := range m {
				add(b.f, b.n, b.k)
			}
			return g, h
		})
		lambda = solve(lambda, maxLamda, func(x float64) (g, h float64) {
			g, h = -floorStrength/(1-x), -floorStrength/((1-x)*(1-x))
			add := func(f, n, k float64) {
				p := max(1e-12, f*(1-x)+phi*(1-f))
				q := max(1e-12, (1-f)*(1-phi)+f*x)
				g += f * ((n-k)/q - k/p)
				h -= f * f * (k/(p*p) + (n-k)/(q*q))
			}
			add(1, botN, botK)
			for _, b := range m {
				add(b.f, b.n, b.k)
			}
			return g, h
		})
		if math.Abs(phi+lambda-was) < 1e-9 {
			break
		}
	}
	return value(phi, lambda), phi, lambda
}

// gridDB is how far from the standard's figure a threshold is looked for.
const gridDB = 6.0

// A curve is a log likelihood over thresholds, ascending, finer where it is high.
type curve struct{ x, v []float64 }

// A fit is what the visits say together.
type fit struct {
	grid       []float64 // thresholds of the tuner
	posterior  []float64 // log posterior there, every channel at its best
	each       []curve   // log likelihood of each channel's own threshold, tempered
	envelope   [][]float64
	s          float64
	dispersion float64
	tuner      peak
}

// fit finds what all channels say of the tuner's threshold; ok is false without any
// visit below the ceiling.
//
// Each channel has its own threshold, normal about the tuner's. For a width s common to
// all, the best s is found first; then the likelihood of each channel's threshold is
// tabulated and the offsets are profiled out, which for normal shapes is the same as
// integrating over them.
func (d *data) fit() (out fit, ok bool) {
	if !(d.high > d.low) {
		return fit{}, false
	}
	lo, hi := d.prior.Mean-gridDB, d.prior.Mean+gridDB
	if !d.standard { // nothing known: where the visits are
		lo, hi = d.low-1, d.high+1
	}
	width := stat.Normal{Mean: math.Log(widthDB), SD: widthSD}
	if d.unit == reception.UnitPercent {
		width = stat.Normal{Mean: math.Log(widthPct), SD: widthPctSD}
	}
	search := widths{d: d, prior: width, lo: lo, hi: hi, best: map[int]float64{}, theta: make([]float64, len(d.channels))}
	for i := range search.theta {
		search.theta[i] = nan
	}
	out.s = math.Exp(search.at(1))
	tables := d.tables(lo, hi, out.s)
	at := make([]float64, len(tables))
	for i, t := range tables {
		at[i] = t.x[top(t.v)]
	}
	var days float64
	out.dispersion, days = d.dispersion(at, out.s)
	// Few days decide how much days differ: Student's t for the normal, in the part that
	// is the visits', not the prior's.
	t := stat.TQuantile(0.975, math.Max(2, days-1)) / 1.96
	temper := out.dispersion * t * t
	if temper > 1 {
		if s := math.Exp(search.at(temper)); s != out.s {
			out.s = s
			tables = d.tables(lo, hi, s)
		}
	}
	out.each = tables
	for _, t := range tables {
		for k := range t.v {
			t.v[k] /= temper
		}
	}
	out.grid = steps(lo, hi, 240)
	out.posterior = make([]float64, len(out.grid))
	out.envelope = make([][]float64, len(tables))
	sd := d.offsetSD()
	for k, theta := range out.grid {
		out.posterior[k] = d.prior.LogDensity(theta)
	}
	d.spread(len(tables), func(i int) {
		t, envelope := tables[i], make([]float64, len(out.grid))
		for k, theta := range out.grid {
			best := math.Inf(-1)
			for j := range t.x {
				best = math.Max(best, t.v[j]+stat.Normal{Mean: theta, SD: sd}.LogDensity(t.x[j]))
			}
			envelope[k] = best
		}
		out.envelope[i] = envelope
	})
	for _, envelope := range out.envelope {
		for k, best := range envelope {
			out.posterior[k] += best
		}
	}
	out.tuner = curve{out.grid, out.posterior}.peak()
	return out, true
}

// channel returns what is known of a channel's own threshold: its visits, and the
// tuner's threshold as the other channels and the prior have it.
func (f *fit) channel(d *data, i int) peak {
	own := curve{f.each[i].x, make([]float64, len(f.each[i].x))}
	sd := d.offsetSD()
	for j, theta := range own.x {
		best := math.Inf(-1)
		for k, about := range f.grid {
			best = math.Max(best, f.posterior[k]-f.envelope[i][k]+stat.Normal{Mean: about, SD: sd}.LogDensity(theta))
		}
		own.v[j] = f.each[i].v[j] + best
	}
	return own.peak()
}

func (d *data) offsetSD() float64 {
	if d.unit == reception.UnitPercent {
		return offsetPct
	}
	return offsetDB
}

// widths finds the width at which all channels together do best, each with its own
// threshold. What it has worked out it keeps.
type widths struct {
	d      *data
	prior  stat.Normal // of the log width
	lo, hi float64
	best   map[int]float64 // log likelihood at a step of half the prior's SD
	theta  []float64       // best threshold of each channel so far; NaN: not known
}

// likelihood returns the log likelihood at a step of width, every channel's threshold at
// its best.
func (w *widths) likelihood(k int) float64 {
	if v, ok := w.best[k]; ok {
		return v
	}
	s := math.Exp(w.prior.Mean + float64(k)*w.prior.SD/2)
	each := make([]float64, len(w.d.channels))
	w.d.spread(len(each), func(i int) {
		c := &w.d.channels[i]
		if c.failed == 0 {
			return
		}
		f := func(x float64) float64 { v, _, _ := w.d.inner(c, x, s); return v }
		step := (w.hi - w.lo) / 32
		if math.IsNaN(w.theta[i]) {
			x := steps(w.lo, w.hi, 32)
			v := make([]float64, len(x))
			for j := range x {
				v[j] = f(x[j])
			}
			w.theta[i] = x[top(v)]
		}
		w.theta[i], each[i] = climb(f, w.theta[i], step)
	})
	sum := 0.0
	for _, v := range each {
		sum += v
	}
	w.best[k] = sum
	return sum
}

// at returns the log of the best width: uphill from the prior's, then a parabola.
func (w *widths) at(dispersion float64) float64 {
	h := w.prior.SD / 2
	obj := func(k int) float64 {
		return w.prior.LogDensity(w.prior.Mean+float64(k)*h) + w.likelihood(k)/dispersion
	}
	k, v, up, dn := 0, obj(0), obj(1), obj(-1)
	for up > v && up >= dn && k < 8 {
		k, dn, v, up = k+1, v, up, obj(k+2)
	}
	for dn > v && dn > up && k > -8 {
		k, up, v, dn = k-1, v, dn, obj(k-2)
	}
	at := w.prior.Mean + float64(k)*h
	if c := up - 2*v + dn; c < 0 && v >= up && v >= dn {
		at += h * (dn - up) / (2 * c)
	}
	return at
}

// climb returns a local maximum of f near x and its value, to about a thousandth of step.
func climb(f func(float64) float64, x, step float64) (at, value float64) {
	v, dn, up := f(x), f(x-step), f(x+step)
	for range 8 {
		switch {
		case up > v && up >= dn:
			x, dn, v, up = x+step, v, up, f(x+2*step)
			continue
		case dn > v:
			x, up, v, dn = x-step, v, dn, f(x-2*step)
			continue
		}
		// The best lies inside: a parabola says where, a third of the step brackets it.
		if c := up - 2*v + dn; c < 0 {
			if y := x + step*(dn-up)/(2*c); math.Abs(y-x) < step {
				if n := f(y); n > v {
					x, v = y, n
				}
			}
		}
		if step /= 4; step < 1e-3 {
			break
		}
		dn, up = f(x-step), f(x+step)
	}
	return x, v
}

func (d *data) tables(lo, hi, s float64) []curve {
	out := make([]curve, len(d.channels))
	d.spread(len(out), func(i int) { out[i] = d.table(&d.channels[i], lo, hi, s) })
	return out
}

// table returns a channel's log likelihood over thresholds: a coarse grid, and a fine one
// where it is within four of the best.
func (d *data) table(c *channel, lo, hi, s float64) curve {
	const coarse, fine = 32, 40
	eval := func(x []float64) []float64 {
		v := make([]float64, len(x))
		for i := range x {
			v[i], _, _ = d.inner(c, x[i], s)
		}
		return v
	}
	x := steps(lo, hi, coarse)
	v := eval(x)
	a, b := top(v), top(v)
	best := v[a]
	for a > 0 && v[a] > best-4 {
		a--
	}
	for b < coarse && v[b] > best-4 {
		b++
	}
	if b-a > coarse/2 { // flat: the coarse grid says it all
		return curve{x, v}
	}
	fx := steps(x[a], x[b], fine)
	fv := eval(fx)
	return curve{slices.Concat(x[:a], fx, x[b+1:]), slices.Concat(v[:a], fv, v[b+1:])}
}

// dispersion compares the scores for the threshold, by day over all channels and by
// channel and day, with what independent visits would give; it returns the larger, and
// the smaller number of effective days behind them.
func (d *data) dispersion(theta []float64, s float64) (dispersion, days float64) {
	if !d.dated {
		return undatedDispersion, math.Inf(1)
	}
	var score, info, score2, info2 []float64
	for i := range d.channels {
		c := &d.channels[i]
		_, phi, lambda := d.inner(c, theta[i], s)
		for k, day := range c.days {
			for len(score) <= k {
				score, info = append(score, 0), append(info, 0)
			}
			var sc, in float64
			for _, b := range day {
				if d.atCeiling(b.Bin) {
					continue
				}
				lo, hi := d.place(b.Bin)
				if u := (theta[i] + s/50 - lo) / s; u < -9 && (hi-lo)/s >= 0.06 {
					continue // so far above the threshold that the slope is exactly none
				}
				f := fails(lo, hi, theta[i], s)
				slope := (1 - phi - lambda) * (fails(lo, hi, theta[i]+s/50, s) - fails(lo, hi, theta[i]-s/50, s)) / (s / 25)
				p := phi + (1-phi-lambda)*f
				v := p * (1 - p)
				if v < 1e-9 || slope == 0 {
					continue
				}
				n := float64(b.Visits)
				sc += (float64(b.Failed) - n*p) * slope / v
				in += n * slope * slope / v
			}
			score[k], info[k] = score[k]+sc, info[k]+in
			score2, info2 = append(score2, sc), append(info2, in)
		}
	}
	a, n := stat.ClusterDispersion(score, info)
	b, m := stat.ClusterDispersion(score2, info2)
	return math.Max(a, b), math.Min(n, m)
}

// deviance95 is half the 95 % point of chi squared with one degree of freedom.
const deviance95 = 1.920729

// A peak is the maximum of a curve and where it has fallen by deviance95 on either side.
type peak struct {
	at, lo, hi float64
	edge       bool // the maximum lies at an end
}

func (c curve) peak() peak {
	x, v := c.x, c.v
	best, last := top(v), len(x)-1
	out := peak{at: x[best], lo: x[0], hi: x[last], edge: best == 0 || best == last}
	height := v[best]
	if best > 0 && best < last { // parabola through three points, in Newton's form
		a, b := x[best-1], x[best+1]
		s1, s2 := (v[best]-v[best-1])/(x[best]-a), (v[best+1]-v[best])/(b-x[best])
		if q := (s2 - s1) / (b - a); q < 0 {
			at := (a+x[best])/2 - s1/(2*q)
			if at > a && at < b {
				out.at = at
				height = math.Max(height, v[best-1]+s1*(at-a)+q*(at-a)*(at-x[best]))
			}
		}
	}
	cut := height - deviance95
	for i := best; i > 0; i-- {
		if v[i-1] < cut {
			out.lo = x[i-1] + (x[i]-x[i-1])*(cut-v[i-1])/(v[i]-v[i-1])
			break
		}
	}
	for i := best; i < last; i++ {
		if v[i+1] < cut {
			out.hi = x[i+1] - (x[i+1]-x[i])*(cut-v[i+1])/(v[i]-v[i+1])
			break
		}
	}
	out.lo, out.hi = math.Min(out.lo, out.at), math.Max(out.hi, out.at)
	return out
}

// steps returns n+1 even-spaced values from lo to hi.
func steps(lo, hi float64, n int) []float64 {
	x := make([]float64, n+1)
	for i := range x {
		x[i] = lo + (hi-lo)*float64(i)/float64(n)
	}
	return x
}

func top(v []float64) int {
	best := 0
	for i := range v {
		if v[i] > v[best] {
			best = i
		}
	}
	return best
}
