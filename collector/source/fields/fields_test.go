package fields

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"holdfast/analysis/reception"
)

func decode(t *testing.T, text string) any {
	t.Helper()
	v, err := Decode(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestRead(t *testing.T) {
	s, err := Visit.Read(decode(t, `{"locked": true, "cn_db": 23.4, "level_dbm": -55, "level_pct": 61, "quality_pct": 88.5,
		"uncorrected_blocks": 3, "total_blocks": 9007199254740993, "pre_errors": 4.0, "pre_bits": 1e6, "identity": 2126,
		"mode": " 64qam-3/4 ", "frequency_hz": 569000000, "dwell_s": 4.5, "locked_s": 4.25, "errored_s": 1, "cn_low_db": 22,
		"cn_spread_db": 0.5, "busy": false, "error": null}`))
	if err != nil {
		t.Fatal(err)
	}
	want := reception.Reading{Visit: reception.VisitBase, Locked: true, CNDB: 23.4, LevelDBm: -55, LevelPct: 61, QualityPct: 88.5,
		UncorrectedBlocks: 3, TotalBlocks: 9007199254740993, PreErrors: 4, PreBits: 1e6, Identity: "2126", Mode: "64qam-3/4",
		FrequencyHz: 569e6, DwellMS: 4500, LockedMS: 4250, ErroredS: 1, CNLowDB: 22, CNSpreadDB: 0.5}
	if !s.Equal(&want) || s.Busy || s.Error != "" || len(s.Null) != 0 {
		t.Errorf("got %+v, want %+v", s, want)
	}
}

// null is not available, and never zero.
func TestNull(t *testing.T) {
	s, err := Look.Read(decode(t, `{"locked": false, "cn_db": null, "total_blocks": null, "identity": null}`))
	want := reception.NewReading()
	if err != nil || !s.Equal(&want) || !slices.Equal(s.Null, []string{"cn_db", "total_blocks", "identity"}) {
		t.Errorf("got %+v, %v", s, err)
	}
}

func TestWrongFields(t *testing.T) {
	for _, c := range []struct {
		form       Form
		text, want string
	}{
		{Look, `null`, "got null, want an object such as"},
		{Look, `[1]`, "got a list, want an object"},
		{Look, `{}`, "locked is missing, want true or false"},
		{Look, `{"busy": false}`, "locked is missing"},
		{Look, `{"locked": null}`, "locked is null, want true or false"},
		{Look, `{"locked": 2}`, "locked is 2, want true or false"},
		{Look, `{"locked": "true"}`, `locked is the text "true", want true or false`},
		{Look, `{"locked": true, "snr": 3, "noise": 1}`, `field "noise" is not known, want some of busy, error, locked, cn_db`},
		{Look, `{"locked": true, "locked_s": 3}`, `field "locked_s" is not known`},
		{Look, `{"locked": true, "cn_db": "23"}`, `cn_db is the text "23", want a number`},
		{Look, `{"locked": true, "cn_db": true}`, "cn_db is true, want a number, or null where there is none"},
		{Look, `{"locked": true, "cn_db": 1e999}`, "cn_db is 1e999, want a number of usual size"},
		{Look, `{"locked": true, "total_blocks": 99999999999999999999}`, "total_blocks is 99999999999999999999, want a whole number"},
		{Look, `{"locked": true, "pre_bits": 1.5}`, "pre_bits is 1.5, want a whole number"},
		{Look, `{"locked": true, "mode": 7}`, "mode is 7, want text"},
		{Look, `{"locked": true, "identity": "a\nb"}`, `identity is the text "a\nb", want printable text on one line`},
		{Look, `{"locked": true, "identity": "` + strings.Repeat("x", 65) + `"}`, "want at most 64 bytes of text"},
		{Visit, `{"locked": true, "dwell_s": -1}`, "dwell_s is -1, want 0 to 3600 seconds"},
		{Visit, `{"locked": true, "busy": "no"}`, `busy is the text "no", want true or false`},
	} {
		_, err := c.form.Read(decode(t, c.text))
		if err == nil || !strings.HasPrefix(err.Error(), c.want) && !strings.HasSuffix(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %q", c.text, err, c.want)
		}
	}
	for _, text := range []string{`{"busy": true}`, `{"error": "no antenna"}`, `{"busy": 1, "locked": null}`} {
		if _, err := Visit.Read(decode(t, text)); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// jq gives numbers of several types.
func TestNumbersOfAnyType(t *testing.T) {
	big60 := new(big.Int).Lsh(big.NewInt(1), 60)
	for _, c := range []struct {
		v    any
		want int64
	}{{int(7), 7}, {float64(7), 7}, {json.Number("7"), 7}, {json.Number("7.0"), 7}, {big60, 1 << 60}} {
		s, err := Look.Read(map[string]any{"locked": true, "total_blocks": c.v})
		if err != nil || s.TotalBlocks != c.want {
			t.Errorf("%T %v = %d, %v", c.v, c.v, s.TotalBlocks, err)
		}
	}
	for _, v := range []any{math.NaN(), math.Inf(1), new(big.Int).Lsh(big.NewInt(1), 63)} {
		if s, err := Look.Read(map[string]any{"locked": true, "total_blocks": v}); err == nil {
			t.Errorf("%v = %d", v, s.TotalBlocks)
		}
	}
}

func TestDoubts(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		field string
		v     float64
		want  string // of the doubt; "" if the value stays
		unit  bool
	}{
		{"cn_db", 23.4, "", false},
		{"cn_db", 0, "gone", false},
		{"cn_db", 150, "looks like tenths of a dB", true},
		{"cn_db", 600, "looks like tenths of a dB", true},
		{"cn_db", 2340, "looks like hundredths of a dB", true},
		{"cn_db", 61, "outside -10 to 60 dB", false},
		{"cn_db", -11, "outside -10 to 60 dB", false},
		{"cn_db", 0.025, "another unit", true},
		{"cn_db", 41, "above ceiling_db 40", false},
		{"level_dbm", -55, "", false},
		{"level_dbm", 20.5, "looks like dBuV", true},
		{"level_dbm", -550, "looks like tenths of a dBm", true},
		{"level_dbm", -135101, "outside -120 to 20 dBm", false},
		{"level_pct", 100, "", false},
		{"level_pct", 200, "looks like 0 to 255", true},
		{"quality_pct", 40000, "looks like 0 to 65535", true},
		{"quality_pct", -1, "outside 0 to 100 %", false},
		{"frequency_hz", 569000, "looks like kHz", true},
		{"frequency_hz", 569, "looks like MHz", true},
		{"frequency_hz", 9e9, "outside 30 MHz to 4 GHz", false},
		{"uncorrected_blocks", -7, "is negative", false},
	} {
		s, err := Look.Read(map[string]any{"locked": true, c.field: c.v})
		if err != nil {
			t.Fatal(err)
		}
		ds := s.Doubts(reception.ATSC1, 40)
		switch {
		case c.want == "" || c.want == "gone":
			if len(ds) != 0 || (c.want == "gone") != (s.CNDB != s.CNDB && c.field == "cn_db") {
				t.Errorf("%s %g: %+v, reading %+v", c.field, c.v, ds, s.Reading)
			}
		case len(ds) != 1 || ds[0].Field != c.field || ds[0].Unit != c.unit || !strings.Contains(ds[0].What, c.want):
			t.Errorf("%s %g: %+v, want %q, of unit %v", c.field, c.v, ds, c.want, c.unit)
		default:
			none := reception.NewReading()
			none.Locked = true
			if !s.Equal(&none) {
				t.Errorf("%s %g is left in %+v", c.field, c.v, s.Reading)
			}
		}
	}
	s := Status{Reading: reception.NewReading()}
	s.CNDB, s.CNLowDB = nan, 3
	if ds := s.Doubts(reception.DVBT2, nan); len(ds) != 0 || s.CNLowDB != 3 {
		t.Errorf("3 dB of DVB-T2: %+v", ds)
	}
}

func TestWhole(t *testing.T) {
	of := func(text string) Status {
		s, err := Visit.Read(decode(t, text))
		if err != nil {
			t.Fatal(err)
		}
		s.DwellMS = 5000
		return s
	}
	for _, c := range []struct{ text, want string }{
		{`{"locked": true, "locked_s": 5, "errored_s": 5}`, ""},
		{`{"locked": true, "locked_s": 6}`, ""},
		{`{"locked": true, "locked_s": 7}`, "locked_s 7 is more than the dwell of 5 s"},
		{`{"locked": true, "locked_s": 0}`, "locked_s is 0 in a visit that was locked"},
		{`{"locked": true, "errored_s": 7}`, "errored_s 7 is outside the dwell of 5 s"},
		{`{"locked": true, "uncorrected_blocks": 7, "total_blocks": 6}`, "uncorrected_blocks 7 is more than total_blocks 6"},
		{`{"locked": true, "pre_errors": 7, "pre_bits": 6}`, "pre_errors 7 is more than pre_bits 6"},
		{`{"locked": false, "cn_low_db": 7}`, ""},
	} {
		s := of(c.text)
		ds := s.Whole()
		if c.want == "" && len(ds) > 0 || c.want != "" && (len(ds) != 1 || ds[0].What != c.want) {
			t.Errorf("%s: %+v, want %q", c.text, ds, c.want)
		}
		s.Time, s.FrequencyHz = 1.7e12, 569e6
		if err := s.Validate(); err != nil {
			t.Errorf("%s: %v", c.text, err)
		}
		if !s.Locked && !math.IsNaN(s.CNLowDB) {
			t.Error("lowest C/N while locked, without lock")
		}
	}
}

func TestScales(t *testing.T) {
	var ss Scales
	m := Meaning{Driver: "d", CeilingDB: 40}
	if err := m.Check(); err != nil {
		t.Fatal(err)
	}
	put := func(cn, pct float64) reception.Scale {
		r := reception.NewReading()
		r.CNDB, r.QualityPct = cn, pct
		ss.Put(&r, m)
		sc, ok := ss.Get(r.Scale)
		if !ok {
			t.Fatalf("scale %q is not known", r.Scale)
		}
		return sc
	}
	nan := math.NaN()
	if sc := put(nan, nan); sc.Unit != reception.UnitDB {
		t.Errorf("before any figure %+v", sc)
	}
	if sc := put(nan, 50); sc.Unit != reception.UnitPercent || !math.IsNaN(sc.Ceiling) {
		t.Errorf("in per cent %+v", sc)
	}
	if sc := put(nan, nan); sc.Unit != reception.UnitPercent {
		t.Errorf("without lock after per cent %+v", sc)
	}
	if sc := put(20, 50); sc.Unit != reception.UnitDB || sc.Ceiling != 40 {
		t.Errorf("in dB %+v", sc)
	}
	if sc := put(nan, 50); sc.Unit != reception.UnitDB {
		t.Errorf("without C/N for once %+v", sc)
	}
	if _, ok := ss.Get("other"); ok {
		t.Error("a scale that was never put is known")
	}
}

func TestComplaintsAreMadeOnce(t *testing.T) {
	var b bytes.Buffer
	log := slog.New(slog.NewTextHandler(&b, nil))
	var c Complaints
	bad := []Doubt{{Field: "cn_db", What: "cn_db 99"}, {Field: "cn_db", What: "cn_db 98"}}
	for range 3 {
		c.Tell(log, bad)
	}
	c.Tell(log, append(bad, Doubt{Field: "level_dbm", What: "level"}))
	c.Tell(log, nil)
	c.Tell(log, nil)
	got := b.String()
	if strings.Count(got, "WARN") != 2 || strings.Count(got, "INFO") != 1 || strings.Contains(got, "cn_db 98") || !strings.Contains(got, "level") {
		t.Errorf("log:\n%s", got)
	}
}

// Whatever JSON comes, what is read of it is a reading that can be, or an error.
func FuzzRead(f *testing.F) {
	f.Add(`{"locked": true, "cn_db": 23.4, "total_blocks": 5, "uncorrected_blocks": 7}`, "atsc1")
	f.Add(`{"locked": 1, "cn_db": 1e308, "level_dbm": -1e-308, "dwell_s": 3600, "locked_s": 3599.9999, "errored_s": -0.0}`, "isdbt")
	f.Add(`{"locked": false, "identity": 99999999999999999999, "frequency_hz": -1}`, "")
	f.Add(`{"error": "x", "busy": null}`, "dvbt2")
	f.Add(`[{"locked": {}}]`, "atsc1")
	f.Fuzz(func(t *testing.T, text, system string) {
		v, err := Decode(strings.NewReader(text))
		if err != nil {
			return
		}
		for _, form := range []Form{Look, Visit} {
			s, err := form.Read(v)
			if err != nil {
				if strings.ContainsAny(err.Error(), "\n\r") {
					t.Errorf("the error is not one line: %q", err)
				}
				continue
			}
			s.Doubts(reception.System(system), 45)
			if s.DwellMS == 0 {
				s.DwellMS = 5000
			}
			s.Whole()
			s.Time, s.FrequencyHz = 1.7e12, 569e6
			if err := s.Validate(); err != nil {
				t.Errorf("%s: %v", text, err)
			}
		}
	})
}
