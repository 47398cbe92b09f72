package fields

import (
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"

	"holdfast/analysis/reception"
)

// A Meaning is what a user knows of a tuner's figures.
type Meaning struct {
	Quantity  reception.Quantity  // of cn_db; C/N if empty
	LevelKind reception.LevelKind // unknown if empty
	StepDB    float64             // smallest change of cn_db; 0 or NaN if not known
	CeilingDB float64             // highest cn_db that can be shown; 0 or NaN if not known
	Driver    string              // what made the figures, without spaces
}

// Check fills in what is empty. Its error names the field.
func (m *Meaning) Check() error {
	if m.Quantity == "" {
		m.Quantity = reception.QuantityCN
	}
	if m.LevelKind == "" {
		m.LevelKind = reception.LevelUnknown
	}
	for _, v := range []*float64{&m.StepDB, &m.CeilingDB} {
		if *v == 0 {
			*v = math.NaN()
		}
	}
	switch {
	case m.Quantity != reception.QuantityCN && m.Quantity != reception.QuantityMER:
		return fmt.Errorf("quantity: %q is not known; want cn or mer", m.Quantity)
	case m.LevelKind != reception.LevelUnknown && m.LevelKind != reception.LevelInChannel && m.LevelKind != reception.LevelWholeBand && m.LevelKind != reception.LevelFromCN:
		return fmt.Errorf("level_kind: %q is not known; want unknown, in-channel, whole-band or from-cn", m.LevelKind)
	case m.StepDB < 0 || m.StepDB > 10:
		return fmt.Errorf("step_db: %g is outside 0 to 10", m.StepDB)
	case m.CeilingDB < 0 || m.CeilingDB > reception.CNMaxDB:
		return fmt.Errorf("ceiling_db: %g is outside 0 to %d", m.CeilingDB, reception.CNMaxDB)
	}
	return nil
}

// Scales keeps the scales that a source has used. It may be used by several
// goroutines.
type Scales struct {
	mu     sync.Mutex
	scales map[string]reception.Scale
	unit   reception.ScaleUnit // of the last reading that showed one
	hadDB  bool
}

// Put gives a reading its scale. A reading without C/N and quality, such as one
// without lock, is on the scale that the source had before, and a tuner that has
// shown C/N in dB merely has none now.
func (s *Scales) Put(r *reception.Reading, m Meaning) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case !reception.Missing(r.CNDB):
		s.unit, s.hadDB = reception.UnitDB, true
	case s.hadDB:
	case !reception.Missing(r.QualityPct):
		s.unit = reception.UnitPercent
	case s.unit == "":
		s.unit = reception.UnitDB
	}
	sc := reception.Scale{Unit: s.unit, Step: math.NaN(), Ceiling: math.NaN(), LevelKind: m.LevelKind, Quantity: m.Quantity, Driver: m.Driver}
	if s.unit == reception.UnitDB {
		sc.Step, sc.Ceiling = m.StepDB, m.CeilingDB
	}
	sc.ID = fmt.Sprintf("%s/%s/step%g/top%g/%s/%s", sc.Driver, sc.Unit, sc.Step, sc.Ceiling, sc.LevelKind, sc.Quantity)
	if s.scales == nil {
		s.scales = map[string]reception.Scale{}
	}
	s.scales[sc.ID] = sc
	r.Scale = sc.ID
}

// Get describes a scale that was put.
func (s *Scales) Get(id string) (reception.Scale, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sc, ok := s.scales[id]
	return sc, ok
}

// Complaints logs what is doubted once, and that it is well again once.
type Complaints struct{ open map[string]bool }

// Tell takes the doubts of a visit.
func (c *Complaints) Tell(log *slog.Logger, ds []Doubt) {
	now := map[string]bool{}
	var fresh []string
	for _, d := range ds {
		if !now[d.Field] && !c.open[d.Field] {
			fresh = append(fresh, d.What)
		}
		now[d.Field] = true
	}
	switch {
	case len(fresh) > 0:
		log.Warn("figures that cannot be used are left out", "what", strings.Join(fresh, "; "))
	case len(now) == 0 && len(c.open) > 0:
		log.Info("all figures can be used again")
	}
	c.open = now
}
