package exchange

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"holdfast/analysis/reception"
)

func scalesForm() form {
	return form{
		name:    "scales",
		columns: []string{"scale", "unit", "step", "ceiling", "level_kind", "quantity", "driver"},
		example: "scale,unit,step,ceiling,level_kind,quantity,driver",
	}
}

// ReadScales reads a scales file. It is short and everything hangs on it, so any
// bad line fails the whole, with every line's reason joined.
func ReadScales(r io.Reader) ([]reception.Scale, error) {
	s, err := scalesForm().open(r)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(s.need("scale"), s.need("unit")); err != nil {
		return nil, err
	}
	var out []reception.Scale
	var faults []error
	for {
		fields, line, err := s.sc.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			var sc reception.Scale
			if sc, err = s.scale(fields, line); err == nil && slices.ContainsFunc(out, func(o reception.Scale) bool { return o.ID == sc.ID }) {
				err = bad(line, "scale", fmt.Errorf("%q is there twice", clip(sc.ID)))
			}
			if err == nil {
				out = append(out, sc)
				continue
			}
		}
		faults = append(faults, fmt.Errorf("scales: %w", err))
		if _, ok := errors.AsType[*LineError](err); !ok {
			break
		}
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return out, nil
}

func (s *sheet) scale(fields [][]byte, line int64) (reception.Scale, error) {
	nan, _ := number(nil)
	sc := reception.Scale{Step: nan, Ceiling: nan, LevelKind: reception.LevelUnknown, Quantity: reception.QuantityCN}
	for i, b := range fields {
		if len(b) == 0 {
			continue
		}
		var err error
		name := s.form.columns[s.columns[i]]
		switch name {
		case "scale":
			sc.ID, err = s.text(b)
		case "unit":
			sc.Unit, err = oneOf(b, reception.UnitDB, reception.UnitPercent)
		case "step":
			if sc.Step, err = number(b); err == nil && sc.Step <= 0 {
				err = errors.New("is not above 0; leave it empty if it is not known")
			}
		case "ceiling":
			sc.Ceiling, err = number(b)
		case "level_kind":
			sc.LevelKind, err = oneOf(b, reception.LevelUnknown, reception.LevelInChannel, reception.LevelWholeBand, reception.LevelFromCN)
		case "quantity":
			sc.Quantity, err = oneOf(b, reception.QuantityCN, reception.QuantityMER)
		case "driver":
			sc.Driver, err = s.text(b)
		}
		if err != nil {
			return sc, bad(line, name, err)
		}
	}
	if sc.ID == "" || sc.Unit == "" {
		return sc, bad(line, "", errors.New("scale or unit is empty"))
	}
	return sc, nil
}

func oneOf[T ~string](b []byte, allowed ...T) (T, error) {
	for _, a := range allowed {
		if string(b) == string(a) {
			return a, nil
		}
	}
	return "", fmt.Errorf("%q is not known; want one of %v", clip(string(b)), allowed)
}
