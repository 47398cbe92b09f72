// Package fields reads the fields of a reading from a JSON object, for the sources
// that know no device by themselves: what a user's mapping or program says becomes
// numbers with units, or one clear line about what is wrong with it.
//
// Names and units are those of the columns of a readings file: locked, cn_db,
// level_dbm and so on. null is "not available". To them come busy, true while
// somebody else holds the tuner; error, why nothing was measured; and frequency_hz,
// what the device says that it is tuned to.
package fields

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"holdfast/analysis/reception"
)

// A Status is one object that was read. Of its Reading only the fields of the object
// are filled: DwellMS is 0 where it was not given.
type Status struct {
	reception.Reading
	Busy  bool
	Error string
	Null  []string // figures that are null
}

// A Form says which fields an object may have.
type Form struct{ names []string }

// Look is what a device says at one instant: its counts are counters that go on from
// look to look. Visit is what a program says of a whole visit.
var (
	Look  = form(func(f field) bool { return !f.sums })
	Visit = form(func(field) bool { return true })
)

type field struct {
	name string
	sums bool // over a visit
	read func(s *Status, v any) error
}

// number and count read a figure; null leaves it as it is: not available.
func number(at func(s *Status) *float64) func(*Status, any) error {
	return func(s *Status, v any) error {
		x, err := float(v)
		if err == nil {
			*at(s) = x
		}
		return err
	}
}

func count(at func(s *Status) *int64) func(*Status, any) error {
	return func(s *Status, v any) error {
		x, err := whole(v)
		if err == nil {
			*at(s) = x
		}
		return err
	}
}

func millis(at func(s *Status) *int64) func(*Status, any) error {
	return func(s *Status, v any) error {
		x, err := float(v)
		if err == nil && !(x >= 0 && x <= 3600) {
			err = wrong{v, "0 to 3600 seconds"}
		}
		if err == nil {
			*at(s) = int64(math.Round(x * 1000))
		}
		return err
	}
}

var all = []field{
	{name: "busy", read: func(s *Status, v any) (err error) { s.Busy, err = flag(v); return err }},
	{name: "error", read: func(s *Status, v any) (err error) { s.Error, err = text(v, 200); return err }},
	{name: "locked", read: func(s *Status, v any) (err error) { s.Locked, err = flag(v); return err }},
	{name: "cn_db", read: number(func(s *Status) *float64 { return &s.CNDB })},
	{name: "level_dbm", read: number(func(s *Status) *float64 { return &s.LevelDBm })},
	{name: "level_pct", read: number(func(s *Status) *float64 { return &s.LevelPct })},
	{name: "quality_pct", read: number(func(s *Status) *float64 { return &s.QualityPct })},
	{name: "uncorrected_blocks", read: count(func(s *Status) *int64 { return &s.UncorrectedBlocks })},
	{name: "total_blocks", read: count(func(s *Status) *int64 { return &s.TotalBlocks })},
	{name: "pre_errors", read: count(func(s *Status) *int64 { return &s.PreErrors })},
	{name: "pre_bits", read: count(func(s *Status) *int64 { return &s.PreBits })},
	{name: "identity", read: func(s *Status, v any) (err error) { s.Identity, err = name(v); return err }},
	{name: "mode", read: func(s *Status, v any) (err error) { s.Mode, err = text(v, 64); return err }},
	{name: "frequency_hz", read: count(func(s *Status) *int64 { return &s.FrequencyHz })},
	{name: "dwell_s", sums: true, read: millis(func(s *Status) *int64 { return &s.DwellMS })},
	{name: "locked_s", sums: true, read: millis(func(s *Status) *int64 { return &s.LockedMS })},
	{name: "errored_s", sums: true, read: number(func(s *Status) *float64 { return &s.ErroredS })},
	{name: "cn_low_db", sums: true, read: number(func(s *Status) *float64 { return &s.CNLowDB })},
	{name: "cn_spread_db", sums: true, read: number(func(s *Status) *float64 { return &s.CNSpreadDB })},
}

func form(want func(field) bool) Form {
	var f Form
	for _, x := range all {
		if want(x) {
			f.names = append(f.names, x.name)
		}
	}
	return f
}

// Names are the fields of a form, in order.
func (f Form) Names() []string { return slices.Clone(f.names) }

// Read reads an object. It needs locked, unless it says busy or error. The error is of
// the first field that is wrong: what was got, and what is wanted.
func (f Form) Read(v any) (Status, error) {
	s := Status{Reading: reception.NewReading()}
	object, ok := v.(map[string]any)
	if !ok {
		return s, fmt.Errorf("got %s, want an object such as {\"locked\": true, \"cn_db\": 23.4}", shown(v))
	}
	for k := range object {
		if !slices.Contains(f.names, k) {
			return s, f.unknown(object)
		}
	}
	for _, x := range all {
		got, given := object[x.name]
		switch {
		case !given:
		case got == nil && x.name == "locked":
		case got == nil:
			if x.name != "busy" && x.name != "error" {
				s.Null = append(s.Null, x.name)
			}
		default:
			if err := x.read(&s, got); err != nil {
				return s, fmt.Errorf("%s is %w", x.name, err)
			}
		}
	}
	if s.Busy || s.Error != "" {
		return s, nil
	}
	switch got, given := object["locked"]; {
	case !given:
		return s, errors.New("locked is missing, want true or false")
	case got == nil:
		return s, errors.New("locked is null, want true or false")
	}
	return s, nil
}

// unknown names the first field, by the alphabet, that is not of the form.
func (f Form) unknown(object map[string]any) error {
	var bad []string
	for k := range object {
		if !slices.Contains(f.names, k) {
			bad = append(bad, k)
		}
	}
	slices.Sort(bad)
	return fmt.Errorf("field %q is not known, want some of %s", cut(bad[0]), strings.Join(f.names, ", "))
}

// wrong says what was got and what is wanted.
type wrong struct {
	got  any
	want string
}

func (w wrong) Error() string { return shown(w.got) + ", want " + w.want }

func flag(v any) (bool, error) {
	switch x := v.(type) {
	case bool:
		return x, nil
	case int, float64, json.Number, *big.Int:
		if n, err := float(v); err == nil && (n == 0 || n == 1) {
			return n == 1, nil
		}
	}
	return false, wrong{v, "true or false"}
}

// float reads a number of any of the types that jq yields. What is not finite is not a
// number.
func float(v any) (float64, error) {
	var x float64
	switch n := v.(type) {
	case int:
		x = float64(n)
	case float64:
		x = n
	case *big.Int:
		x, _ = new(big.Float).SetInt(n).Float64()
	case json.Number:
		var err error
		if x, err = strconv.ParseFloat(string(n), 64); err != nil {
			return 0, wrong{v, "a number of usual size"}
		}
	case string:
		return 0, wrong{v, "a number, or null where there is none (tonumber turns text into one)"}
	default:
		return 0, wrong{v, "a number, or null where there is none"}
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, wrong{v, "a number, or null where there is none"}
	}
	return x, nil
}

// exact is up to where a float64 holds every whole number.
const exact = 1 << 53

func whole(v any) (int64, error) {
	switch n := v.(type) {
	case int:
		return int64(n), nil
	case *big.Int:
		if n.IsInt64() {
			return n.Int64(), nil
		}
		return 0, wrong{v, "a count below 2^63"}
	case json.Number:
		if i, err := strconv.ParseInt(string(n), 10, 64); err == nil {
			return i, nil
		}
	}
	x, err := float(v)
	switch {
	case err != nil:
		return 0, err
	case x != math.Trunc(x) || x > exact || x < -exact:
		return 0, wrong{v, "a whole number, or null where there is none"}
	}
	return int64(x), nil
}

func text(v any, most int) (string, error) {
	s, ok := v.(string)
	s = strings.TrimSpace(s)
	switch {
	case !ok:
		return "", wrong{v, "text, or null where there is none"}
	case len(s) > most:
		return "", wrong{v, fmt.Sprintf("at most %d bytes of text", most)}
	case strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }):
		return "", wrong{v, "printable text on one line"}
	}
	return s, nil
}

// name reads a text or a whole number as one.
func name(v any) (string, error) {
	if _, ok := v.(string); ok {
		return text(v, 64)
	}
	if n, err := whole(v); err == nil {
		return strconv.FormatInt(n, 10), nil
	}
	return "", wrong{v, "text or a whole number, or null where there is none"}
}

// Name reads a name or number as text, as the field identity does.
func Name(v any) (string, error) { return name(v) }

// shown is a value as a message shows it.
func shown(v any) string {
	switch x := v.(type) {
	case nil:
		return "null"
	case string:
		return fmt.Sprintf("the text %q", cut(x))
	case bool:
		return strconv.FormatBool(x)
	case []any:
		return "a list"
	case map[string]any:
		return "an object"
	}
	return cut(fmt.Sprint(v))
}
