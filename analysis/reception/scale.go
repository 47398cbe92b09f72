package reception

// A Scale says what a tuner's numbers mean. Its ID travels with every reading; a
// new scale opens when any other field changes.
type Scale struct {
	ID        string    // stable: derived from the fields by the source that made it
	Unit      ScaleUnit // of C/N
	Step      float64   // smallest change the tuner shows, in Unit; NaN if unknown
	Ceiling   float64   // highest value it can show, in Unit; NaN if none is known
	LevelKind LevelKind
	Quantity  Quantity
	Driver    string // short name and firmware, with the corrections that we apply
}

// ScaleUnit is the unit of a tuner's quality figure.
type ScaleUnit string

// Units: decibel, or a maker's own per cent, which is never turned into dB.
const (
	UnitDB      ScaleUnit = "dB"
	UnitPercent ScaleUnit = "pct"
)

// LevelKind says what a level reading measures.
type LevelKind string

// Kinds of level.
const (
	LevelUnknown   LevelKind = "unknown"
	LevelInChannel LevelKind = "in-channel"
	LevelWholeBand LevelKind = "whole-band"
	LevelFromCN    LevelKind = "from-cn" // no second witness
)

// Quantity says whether a tuner reports C/N or MER.
type Quantity string

// Quantities.
const (
	QuantityCN  Quantity = "cn"
	QuantityMER Quantity = "mer"
)

// BinWidth returns the width of a histogram bin on this scale: 0.1 dB or 1 %.
func (u ScaleUnit) BinWidth() float64 {
	if u == UnitPercent {
		return 1
	}
	return 0.1
}
