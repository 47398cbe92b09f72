package cause

import (
	"cmp"
	"math"
	"slices"
	"strconv"
)

const (
	flatten = 0.88 // exponent on the posterior; see the calibration test
	atMost  = 0.95
	atLeast = 0.02
	sizes   = 11 // points of the integral over the size

	ownTrouble = 0.02
	// slowOverlap: a dropout is the tip of what comes and goes slowly, so the hours of
	// other channels show most of it.
	slowOverlap = 0.7
	// edge is how much of a loss is still there just before and after, give or take as
	// much again.
	edge = 0.3
)

// Judge ranks the causes of an episode. Without members nothing is known.
func Judge(e Episode) Verdict {
	var all []scored
	members := make([]weighed, len(e.Members))
	for i := range members {
		members[i] = weighed{&e.Members[i], e.Members[i].logAside()}
	}
	for i := range hypotheses {
		h := &hypotheses[i]
		places := h.places(e.Members)
		if len(places) == 0 {
			continue
		}
		prior := math.Log(h.rate*h.when(&e.Conditions)) - math.Log(float64(len(places)))
		for _, p := range places {
			all = append(all, scored{Ranked{Cause: h.cause, Struck: p}, prior + h.evidence(members, p)})
		}
	}
	free := 0.0
	for i := range members {
		free += members[i].logFree() - members[i].aside
	}
	all = append(all, scored{Ranked{Cause: "unknown"}, math.Log(unknownRate) + free})
	if len(e.Members) == 0 {
		all = all[len(all)-1:]
	}

	v := rank(all)
	v.Witnessed = witnessed(e.Members)
	v.explain(&e)
	return v
}

// A scored is a cause in one place with the logarithm of its weight.
type scored struct {
	Ranked
	log float64
}

// rank makes probabilities of weights.
func rank(all []scored) Verdict {
	// Places of one cause add up; the likeliest names it.
	byCause := map[string]*scored{}
	var causes []*scored
	slices.SortStableFunc(all, func(a, b scored) int { return cmp.Compare(b.log, a.log) })
	for i := range all {
		s := &all[i]
		if first, ok := byCause[s.Cause]; ok {
			first.log = logAdd(first.log, s.log)
			continue
		}
		byCause[s.Cause] = s
		causes = append(causes, s)
	}
	top, sum := math.Inf(-1), 0.0
	for _, s := range causes {
		top = math.Max(top, s.log)
	}
	for _, s := range causes {
		s.Probability = math.Exp(flatten * (s.log - top))
		sum += s.Probability
	}
	var v Verdict
	slices.SortStableFunc(causes, func(a, b *scored) int { return cmp.Compare(b.Probability, a.Probability) })
	for i, s := range causes {
		s.Probability = math.Min(atMost, s.Probability/sum)
		if i == 0 || s.Probability >= atLeast {
			v.Ranked = append(v.Ranked, s.Ranked)
		}
	}
	return v
}

// places lists what a hypothesis can have struck, of the members that broke.
func (h *hypothesis) places(members []Member) []string {
	if h.place == wholeHome || h.place == eachAlone {
		return []string{""}
	}
	var out []string
	for i := range members {
		if p := h.placeOf(&members[i]); p != "" && members[i].Bad > 0 && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

func (h *hypothesis) placeOf(m *Member) string {
	switch h.place {
	case oneMast:
		if m.Transmitter == "" {
			return "?"
		}
		return m.Transmitter
	case oneTuner:
		return m.Tuner
	case oneChannel:
		return strconv.FormatInt(m.FrequencyHz, 10)
	}
	return ""
}

// evidence is the logarithm of how much likelier the members' changes are if the cause
// struck a place, its size integrated out, than if it struck nobody.
func (h *hypothesis) evidence(members []weighed, struck string) float64 {
	total, sums := 0.0, [sizes]float64{}
	for k := range sizes {
		sums[k] = nodes[k].logWeight
	}
	for i := range members {
		m := &members[i]
		switch {
		case h.place == eachAlone:
			own := [sizes]float64{}
			for k := range sizes {
				own[k] = nodes[k].logWeight
			}
			h.weigh(m, &own)
			total += logSum(own[:])
		case h.place == wholeHome || h.placeOf(m.Member) == struck:
			h.weigh(m, &sums)
		}
	}
	if h.place == eachAlone {
		return total
	}
	return logSum(sums[:])
}

// weighed is a member with how likely its part is if nothing, or something of its own,
// happened to it.
type weighed struct {
	*Member
	aside float64
}

// nodes are an even grid over a standard normal variate.
var nodes = func() (n [sizes]struct{ z, logWeight float64 }) {
	const step = 5.0 / (sizes - 1)
	for i := range n {
		z := -2.5 + step*float64(i)
		n[i].z, n[i].logWeight = z, -z*z/2+math.Log(step)-logRoot2Pi
	}
	return n
}()

var logRoot2Pi = math.Log(2*math.Pi) / 2

// weigh adds how much likelier a member's part is if the cause could strike it, at each
// size, than if it struck nobody.
func (h *hypothesis) weigh(m *weighed, sums *[sizes]float64) {
	share, scale := h.shape(m.Member)
	overlap := m.Overlap
	if h.slow {
		overlap = math.Max(overlap, slowOverlap)
	}
	aside := math.Exp(-m.aside)
	still := m.Edge.likely(0, 0, m.Ceiling)
	for k := range sizes {
		loss := h.size * math.Exp(h.sizeLn*nodes[k].z) * scale
		part := loss * overlap
		p := m.CN.likely(-part, h.scatter*part, m.Ceiling) * m.levelLikely(h, part)
		if h.dark {
			p *= still
		} else {
			p *= m.Edge.likely(-loss*edge, loss*edge, m.Ceiling)
		}
		p *= m.broken(loss, h.errors*math.Min(1, scale), h.dark)
		sums[k] += math.Log(share*p*aside + 1 - share)
	}
}

// levelLikely asks whether the level went along as the cause would have it.
func (m *Member) levelLikely(h *hypothesis, part float64) float64 {
	if h.dark && known(m.MarginDB) {
		// What is left is noise, about a C/N below.
		return m.Level.likely(-(m.MarginDB+15)*part/math.Max(part, h.size), 3, false)
	}
	if known(m.Beside) {
		return m.Level.likely(h.level*m.Beside, h.levelSD*math.Min(1, math.Abs(m.Beside)/3), false)
	}
	return m.Level.likely(-h.level*part, h.levelSD*m.Overlap, false)
}

// logAside is how likely a member's part is if the cause did not strike it: nothing
// happened to it, or now and then something of its own.
func (m *Member) logAside() float64 {
	return logAdd(math.Log1p(-ownTrouble)+m.log0(), math.Log(ownTrouble)+m.logOwn())
}

// log0 is how likely a member's part is if nothing struck it.
func (m *Member) log0() float64 {
	return math.Log(m.CN.likely(0, 0, m.Ceiling) * m.Level.likely(0, 0, false) * m.Edge.likely(0, 0, m.Ceiling) * m.broken(0, 0, false))
}

// logOwn is how likely it is if anything may have happened to it.
func (m *Member) logOwn() float64 {
	return math.Log(m.CN.likely(-3, 5, m.Ceiling) * m.Level.likely(-2, 8, false) * m.Edge.likely(-1, 2, m.Ceiling) * m.share(0.5))
}

// logFree is how likely it is if something not described struck some of the home.
func (m *Member) logFree() float64 {
	return logAdd(math.Log(0.3)+m.logOwn(), math.Log(0.7)+m.log0())
}

// least is the smallest density told from none: no two are so far apart that it matters.
const least = 1e-90

// likely is the density of a change of expected mean and further spread. One in twenty
// values is drawn from a far wider bell: days are not all alike.
func (c Change) likely(mean, spread float64, ceiling bool) float64 {
	if !known(c.DB) {
		return 1
	}
	sd := math.Sqrt(c.SD*c.SD + 0.4*0.4 + spread*spread)
	if ceiling && c.DB > -0.3 {
		// A fall above the scale's end stays unseen: any small loss fits.
		mean = math.Max(mean, -1)
	}
	z, wide := (c.DB-mean)/sd, (c.DB-mean)/(5*sd+3)
	if c.AtMost { // fell at least so far
		return math.Max(least, 0.95*tail(z)+0.05*tail(wide))
	}
	return math.Max(least, rootInverse2Pi*(0.95*math.Exp(-z*z/2)/sd+0.05*math.Exp(-wide*wide/2)/(5*sd+3)))
}

const rootInverse2Pi = 0.3989422804014327 // 1/sqrt(2 pi)

// tail is P(Z <= z) of a standard normal variate.
func tail(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// broken weighs how many visits broke against how many should have: a margin that was
// used up breaks the picture, bursts break it at any margin.
func (m *Member) broken(loss, bursts float64, dark bool) float64 {
	if m.Visits == 0 {
		return 1
	}
	p := 0.02
	switch {
	case dark:
		p = 0.97
		if m.Bad > 0 { // a visit that locked had a signal, but for one at either end
			q := math.Min(1, (m.Unlocked+0.5)/m.Bad)
			p = 0.97 * q * q * q * q
		}
	case !known(m.MarginDB):
		if loss > 0 {
			p = 0.5
		}
	default:
		p = 1 / (1 + math.Exp((m.MarginDB-loss)/0.8))
	}
	p = math.Max(p, bursts)
	if m.Overlap < 1 {
		p *= m.Overlap
	}
	return m.share(math.Min(0.97, math.Max(0.003, p)))
}

// share is the likelihood of the share of broken visits; visits of one episode are
// alike, so they count as two at most.
func (m *Member) share(p float64) float64 {
	if m.Visits == 0 {
		return 1
	}
	n, b := math.Min(2, m.Visits), m.Bad/m.Visits
	switch {
	case n == 2 && b == 0:
		return (1 - p) * (1 - p)
	case n == 2 && b == 1:
		return p * p
	}
	return math.Exp(n * (b*math.Log(p) + (1-b)*math.Log(1-p)))
}

// logSum returns the logarithm of the sum of what has these logarithms.
func logSum(logs []float64) float64 {
	top := slices.Max(logs)
	if math.IsInf(top, -1) {
		return top
	}
	sum := 0.0
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	return top + math.Log(sum)
}

func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}
