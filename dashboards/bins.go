package dashboards

import (
	"context"
	"fmt"
	"math"
	"slices"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/dashboards/chart"
	"holdfast/dashboards/words"
)

// weighted is a margin, dB above the threshold, with the number of visits at it.
type weighted struct {
	margin float64
	visits int64
}

// quantile returns the smallest margin that at least the share p of the visits does
// not exceed (definition 1 of Hyndman and Fan, Am. Stat. 50 (1996) 361-365), exactly
// from the counts; v is ascending and not empty.
func quantile(v []weighted, p float64) float64 {
	var all int64
	for _, x := range v {
		all += x.visits
	}
	need := p * float64(all)
	var sum int64
	for _, x := range v {
		sum += x.visits
		if float64(sum) >= need {
			return x.margin
		}
	}
	return v[len(v)-1].margin
}

// a bucket gathers the tallies of one lane that fall in one bin.
type bucket struct {
	margins      []weighted
	notMeasured  [len(reception.Tally{}.NotMeasuredMS)]int64
	ceiling      float64 // margin of the tuner's ceiling, NaN if none is known
	visits, dark int64
	dwellMS      int64
	erroredUS    int64
}

// measured is what the tallies say of one lane over the span shown.
type measured struct {
	buckets []bucket
	first   int // first and last bucket with visits, -1 without any
	last    int
	percent bool
}

// gather merges the hour tallies of the span into the bins of each lane, one pass
// for all lanes. C/N becomes margin by the threshold of the tally's installation.
func (s *Server) gather(ctx context.Context, v *view, sh shown) (map[string]*measured, error) {
	type source struct {
		lane       *words.Lane
		thresholds map[string]float64
		out        *measured
	}
	n := int((sh.to - sh.from + sh.step - 1) / sh.step)
	out := map[string]*measured{}
	bySeries := map[reception.Series]*source{}
	for i := range v.lanes {
		l := &v.lanes[i]
		m := &measured{buckets: make([]bucket, n), first: -1, last: -1}
		for j := range m.buckets {
			m.buckets[j].ceiling = math.NaN()
		}
		out[l.Key] = m
		if !l.Measured {
			continue
		}
		th := map[string]float64{}
		for _, e := range l.All {
			if e.Threshold.Decided() {
				th[e.Installation] = e.Threshold.Value
			}
		}
		bySeries[reception.Series{Tuner: l.Of.Tuner, FrequencyHz: l.FrequencyHz, Layer: l.Layer}] = &source{l, th, m}
	}
	for t, err := range s.backend.Tallies(ctx, sh.from, min(sh.to, sh.now+hourMS)) {
		if err != nil {
			return nil, fmt.Errorf("read the tallies: %w", err)
		}
		src := bySeries[t.Key.Series]
		i := int((t.Key.Hour*hourMS - sh.from) / sh.step)
		if src == nil || i < 0 || i >= n {
			continue
		}
		b := &src.out.buckets[i]
		for k, ms := range t.Tally.NotMeasuredMS {
			b.notMeasured[k] += ms
		}
		b.dwellMS += t.Tally.DwellMS
		b.erroredUS += t.Tally.ErroredUS
		threshold, ok := src.thresholds[t.Key.Regime.Installation]
		if !ok {
			threshold = src.lane.Of.Threshold.Value // NaN: nothing can be drawn
		}
		if math.IsNaN(threshold) {
			continue
		}
		scale, known := v.facts.Scales[t.Key.Regime.Scale]
		width := reception.UnitDB.BinWidth()
		if known {
			width = scale.Unit.BinWidth()
			src.out.percent = scale.Unit == reception.UnitPercent
			if !math.IsNaN(scale.Ceiling) && scale.Ceiling > 0 {
				b.ceiling = scale.Ceiling - threshold
			}
		}
		for _, c := range t.Tally.CN {
			b.margins = append(b.margins, weighted{(float64(c.Bin)+0.5)*width - threshold, c.N})
			b.visits += c.N
		}
		if t.Tally.Unlocked > 0 { // deeper than all that was read
			b.margins = append(b.margins, weighted{math.Inf(-1), t.Tally.Unlocked})
			b.visits += t.Tally.Unlocked
			b.dark += t.Tally.Unlocked
		}
		if b.visits > 0 {
			if src.out.first < 0 {
				src.out.first = i
			}
			src.out.last = i
		}
	}
	return out, nil
}

// bins turns what was measured and what is expected into what a lane draws.
func (v *view) bins(l *words.Lane, m *measured, sh shown) []chart.Bin {
	var out []chart.Bin
	started := v.facts.FirstMS
	var spread10, spread01, spreads float64
	for i := range m.buckets {
		b := &m.buckets[i]
		from := sh.from + int64(i)*sh.step
		to := min(from+sh.step, sh.to)
		if from >= sh.now {
			break
		}
		to = min(to, sh.now)
		c := chart.Bin{FromMS: from, ToMS: to}
		switch {
		case b.visits > 0:
			slices.SortFunc(b.margins, func(p, q weighted) int {
				switch {
				case p.margin < q.margin:
					return -1
				case p.margin > q.margin:
					return 1
				}
				return 0
			})
			c.Measured = true
			c.Median, c.Q10, c.Q01 = quantile(b.margins, 0.5), quantile(b.margins, 0.1), quantile(b.margins, 0.01)
			// Within two bins of its ceiling a tuner has nothing more to say.
			c.Top = !math.IsNaN(b.ceiling) && c.Median >= b.ceiling-0.2
			if d10, d01 := c.Median-c.Q10, c.Median-c.Q01; !math.IsInf(d01, 0) && !math.IsNaN(d01) {
				spread10, spread01, spreads = spread10+d10, spread01+d01, spreads+1
			}
		case m.first >= 0 && i > m.first || m.first < 0 && l.Measured && started > 0 && from >= started:
			c.Why = words.Why(string(mostOf(b.notMeasured)))
		}
		if sh.step > hourMS && to-from < sh.step/3 && i > 0 && !c.Measured {
			c.Why = "" // the bin has hardly begun
		}
		out = append(out, c)
	}
	if sh.ahead && l.Measured {
		if spreads > 0 {
			spread10, spread01 = spread10/spreads, spread01/spreads
		}
		out = append(out, v.expected(l, m, sh, spread10, spread01)...)
	}
	return out
}

// mostOf names the reason that most of the unmeasured time had; time without visits
// and without a reason is time in which holdfast did not run.
func mostOf(ms [len(reception.Tally{}.NotMeasuredMS)]int64) reception.Reason {
	best, most := reception.WhyDown, int64(0)
	for i, r := range reception.Reasons() {
		if ms[i] > most {
			best, most = r, ms[i]
		}
	}
	return best
}

// expected draws the outlook: the settled margin that the months to come leave, with
// the spread that the span shown had.
func (v *view) expected(l *words.Lane, m *measured, sh shown, spread10, spread01 float64) []chart.Bin {
	if !l.Of.RequiredMargin.Decided() || l.State.Kind == words.Lost {
		return nil
	}
	spare := l.Expected(v.words)
	ceiling := math.NaN()
	if m.last >= 0 {
		ceiling = m.buckets[m.last].ceiling
	}
	var out []chart.Bin
	step := max(sh.step, dayMS/2)
	for from := sh.now; from < sh.to; from += step {
		to := min(from+step, sh.to)
		s := spare(from + (to-from)/2)
		if math.IsNaN(s) {
			break
		}
		b := chart.Bin{FromMS: from, ToMS: to, Measured: true, Expected: true, Median: s + l.Of.RequiredMargin.Value}
		if !math.IsNaN(ceiling) && b.Median >= ceiling-0.2 || l.Of.Spare.Bound == reception.AtLeast {
			b.Top = true
		}
		b.Q10, b.Q01 = b.Median-spread10, b.Median-spread01
		out = append(out, b)
	}
	return out
}

// marks turns dropouts into what hangs below a lane.
func (v *view) marks(l *words.Lane, now int64) []chart.Mark {
	var out []chart.Mark
	for _, d := range l.Dropouts {
		m := chart.Mark{FromMS: int64(d.Start), ToMS: int64(d.End), LowMS: orElse(d.StartLow, d.Start), HighMS: orElse(d.EndHigh, d.End), Hollow: words.OffAir(d.Cause)}
		if d.End == 0 {
			m.Lasting = true
			m.ToMS, m.HighMS = now, now
		}
		m.Minutes = float64(m.ToMS-m.FromMS) / 60000
		m.Long, m.Short = words.Cause(d.Cause)
		switch {
		case d.Cause == "unknown":
			m.Long, m.Short = "?", "" // in quiet lanes the mark alone
		case m.Long != "" && float64(d.Probability) < 0.6: // false for NaN
			m.Long += "?"
			m.Short += "?"
		}
		if m.Lasting {
			m.Long, m.Short = "lost since "+v.words.ShortDay(int64(d.Start)), "lost"
		}
		out = append(out, m)
	}
	return out
}

func orElse(t, u answer.Time) int64 {
	if t == 0 {
		return int64(u)
	}
	return int64(t)
}
