package reception

import (
	"encoding/json"
	"math"
	"testing"
)

func TestScaleJSON(t *testing.T) {
	for _, want := range []Scale{
		{ID: "a", Unit: UnitDB, Step: 0.1, Ceiling: 32, LevelKind: LevelInChannel, Quantity: QuantityCN, Driver: "d 1.2"},
		{ID: "b", Unit: UnitPercent, Step: math.NaN(), Ceiling: math.NaN(), LevelKind: LevelUnknown, Quantity: QuantityMER},
	} {
		b, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got Scale
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatal(err)
		}
		same := func(a, b float64) bool { return a == b || Missing(a) && Missing(b) }
		if !same(got.Step, want.Step) || !same(got.Ceiling, want.Ceiling) {
			t.Errorf("%s came back as %+v", b, got)
		}
		got.Step, got.Ceiling, want.Step, want.Ceiling = 0, 0, 0, 0
		if got != want {
			t.Errorf("%s came back as %+v, want %+v", b, got, want)
		}
	}
}
