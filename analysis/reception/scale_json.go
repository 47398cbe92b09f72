package reception

import "encoding/json"

type scaleWire struct {
	ID        string    `json:"id"`
	Unit      ScaleUnit `json:"unit"`
	Step      *float64  `json:"step"`
	Ceiling   *float64  `json:"ceiling"`
	LevelKind LevelKind `json:"level_kind"`
	Quantity  Quantity  `json:"quantity"`
	Driver    string    `json:"driver"`
}

// MarshalJSON writes null for a step or ceiling that is not known, which JSON has no
// number for.
func (s Scale) MarshalJSON() ([]byte, error) {
	w := scaleWire{ID: s.ID, Unit: s.Unit, LevelKind: s.LevelKind, Quantity: s.Quantity, Driver: s.Driver}
	if !Missing(s.Step) {
		w.Step = &s.Step
	}
	if !Missing(s.Ceiling) {
		w.Ceiling = &s.Ceiling
	}
	return json.Marshal(w)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Scale) UnmarshalJSON(b []byte) error {
	var w scaleWire
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*s = Scale{ID: w.ID, Unit: w.Unit, Step: nan, Ceiling: nan, LevelKind: w.LevelKind, Quantity: w.Quantity, Driver: w.Driver}
	if w.Step != nil {
		s.Step = *w.Step
	}
	if w.Ceiling != nil {
		s.Ceiling = *w.Ceiling
	}
	return nil
}
