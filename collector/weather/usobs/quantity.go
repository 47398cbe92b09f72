package usobs

import (
	"math"
	"strings"
)

// A quantity is a value with its unit and quality code.
type quantity struct {
	Value          *float64 `json:"value"`
	UnitCode       string   `json:"unitCode"`
	QualityControl string   `json:"qualityControl"`
}

// A scale turns a value into ours: value*by + plus.
type scale struct{ by, plus float64 }

// Units by the last part of the unit code. Its namespace has changed from one day to
// the next (unit:degC, wmoUnit:degC), and so has the unit of precipitation (m, mm).
var (
	celsius     = map[string]scale{"degC": {1, 0}, "K": {1, -273.15}, "degF": {1 / 1.8, -32 / 1.8}}
	speed       = map[string]scale{"km_h-1": {1 / 3.6, 0}, "m_s-1": {1, 0}, "kt": {1852.0 / 3600, 0}, "kn": {1852.0 / 3600, 0}}
	degrees     = map[string]scale{"degree_(angle)": {1, 0}, "degree": {1, 0}, "deg": {1, 0}}
	hPa         = map[string]scale{"Pa": {0.01, 0}, "hPa": {1, 0}}
	millimetres = map[string]scale{"mm": {1, 0}, "m": {1000, 0}}
)

// in returns the value in our unit, NaN if there is none; ok is false if its unit is
// not known.
func (q quantity) in(to map[string]scale) (v float64, ok bool) {
	if q.Value == nil {
		return math.NaN(), true
	}
	s, ok := to[suffix(q.UnitCode)]
	if !ok {
		return math.NaN(), false
	}
	return *q.Value*s.by + s.plus, true
}

// failed reports whether the quality code says not to use the value. Codes that are
// not known count as unchecked.
func (q quantity) failed() bool {
	switch suffix(q.QualityControl) {
	case "X", "Q", "B", "T":
		return true
	}
	return false
}

// suffix is what follows the namespace: V of qc:V.
func suffix(code string) string { return code[strings.LastIndexAny(code, ":/#")+1:] }
