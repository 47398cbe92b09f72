package exchange

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"

	"holdfast/analysis/reception"
)

// took is what reading a file gave.
type took struct {
	rows     []ReadingRow
	bad      []string
	warnings []string
	rd       *Readings
}

func read(t *testing.T, text string, o ReadOptions) took {
	t.Helper()
	rd, err := ReadReadings(strings.NewReader(text), o)
	if err != nil {
		t.Fatalf("ReadReadings(%.60q): %v", text, err)
	}
	out := took{rd: rd}
	for row, err := range rd.Rows() {
		if err != nil {
			if _, ok := errors.AsType[*LineError](err); !ok {
				t.Fatalf("rows of %.60q: %v", text, err)
			}
			out.bad = append(out.bad, err.Error())
			continue
		}
		if err := row.Reading.Validate(); err != nil {
			t.Errorf("line %d was taken and is not valid: %v", row.Line, err)
		}
		out.rows = append(out.rows, row)
	}
	out.warnings = rd.Warnings()
	checkChunks(t, text, o, out)
	return out
}

var us = ReadOptions{Region: reception.RegionUS, DefaultTuner: "attic"}

// one reads a file of one good row.
func one(t *testing.T, header, row string, o ReadOptions) reception.Reading {
	t.Helper()
	got := read(t, header+"\n"+row+"\n", o)
	if len(got.bad) > 0 || len(got.rows) != 1 {
		t.Fatalf("%s / %s: %d rows, bad %q", header, row, len(got.rows), got.bad)
	}
	return got.rows[0].Reading
}

func TestReadEveryColumn(t *testing.T) {
	const header = "installation,known,why,scale,level_pct,cn_spread_db,cn_low_db,locked_s,layer,system,mode,identity," +
		"total_blocks,uncorrected_blocks,pre_bits,pre_errors,errored_s,quality_pct,cn_db,level_dbm,locked,dwell_s,visit,frequency_hz,channel,tuner,time"
	const row = "old mast,2026-03-02T00:00:00Z,,s1,44,0.25,21.5,4.75,A,isdbt,64qam-3/4,0x7fe0,64470,12,96000000,1234,1,88,23.5,-61.5,1,5,extra,569000000,30,shed,2026-03-01T18:00:00.250+01:00"
	got := read(t, header+"\n"+row+"\n", us)
	if len(got.rows) != 1 {
		t.Fatalf("bad: %q", got.bad)
	}
	want := reception.Reading{
		Time: 1772384400250, Tuner: "shed", FrequencyHz: 569e6, Layer: "A", Visit: reception.VisitExtra, Known: 1772409600000,
		DwellMS: 5000, Locked: true, LockedMS: 4750, LevelDBm: -61.5, LevelPct: 44, CNDB: 23.5, CNLowDB: 21.5, CNSpreadDB: 0.25,
		QualityPct: 88, ErroredS: 1, PreErrors: 1234, PreBits: 96000000, UncorrectedBlocks: 12, TotalBlocks: 64470,
		Identity: "0x7fe0", Mode: "64qam-3/4", System: reception.ISDBT, Scale: "s1",
	}
	if r := got.rows[0].Reading; !r.Equal(&want) {
		t.Errorf("got  %+v\nwant %+v", r, want)
	}
	if got.rows[0].Line != 2 || got.rows[0].Installation != "old mast" {
		t.Errorf("line %d, installation %q", got.rows[0].Line, got.rows[0].Installation)
	}
}

// Centres from 47 CFR 73.603(a) (lower edge and 3 MHz) and the European 8 MHz
// raster of the UHF band, 474 MHz at channel 21.
func TestChannelNumbersNeedARegion(t *testing.T) {
	for _, c := range []struct {
		region reception.Region
		rf     string
		want   int64
		system reception.System
	}{
		{reception.RegionUS, "2", 57e6, reception.ATSC1},
		{reception.RegionUS, "7", 177e6, reception.ATSC1},
		{reception.RegionUS, "30", 569e6, reception.ATSC1},
		{reception.RegionEurope, "30", 546e6, reception.DVBT2},
		{reception.RegionJapan, "13", 473142857, reception.ISDBT},
	} {
		r := one(t, "time,channel,cn_db", "1772380800,"+c.rf+",20", ReadOptions{Region: c.region})
		if r.FrequencyHz != c.want || r.System != c.system || r.TunedHz != 0 {
			t.Errorf("channel %s in %s: %d Hz %s tuned %d, want %d %s", c.rf, c.region, r.FrequencyHz, r.System, r.TunedHz, c.want, c.system)
		}
	}

	_, err := ReadReadings(strings.NewReader("time,channel,cn_db\n"), ReadOptions{})
	if err == nil || !strings.Contains(err.Error(), "home.region") {
		t.Errorf("channel without region: %v, want an error that names home.region", err)
	}
	got := read(t, "time,channel,frequency_hz,cn_db\n1772380800,30,,20\n1772380800,30,569000000,20\n", ReadOptions{})
	if len(got.rows) != 1 || len(got.bad) != 1 || !strings.Contains(got.bad[0], "line 2: channel 30 needs to know its region: set home.region") {
		t.Errorf("rows %d, bad %q", len(got.rows), got.bad)
	}
}

func TestFrequencyIsKeyedByTheRaster(t *testing.T) {
	r := one(t, "time,frequency_hz,cn_db", "1772380800,569142857,20", us)
	if r.FrequencyHz != 569e6 || r.TunedHz != 569142857 {
		t.Errorf("key %d tuned %d, want 569000000 and 569142857", r.FrequencyHz, r.TunedHz)
	}
	r = one(t, "time,frequency_hz,cn_db", "1772380800,571000000,20", us)
	if r.FrequencyHz != 571e6 || r.TunedHz != 0 {
		t.Errorf("between two channels: key %d tuned %d", r.FrequencyHz, r.TunedHz)
	}
}

func TestDTMBNeedsItsFrequency(t *testing.T) {
	got := read(t, "time,channel,frequency_hz,cn_db,system,dwell_s\n1772380800,30,,20,dtmb,5\n1772380800,,538000000,20,dtmb,5\n", us)
	if len(got.rows) != 1 || len(got.bad) != 1 || !strings.Contains(got.bad[0], "line 2: channel 30 of system dtmb") || !strings.Contains(got.bad[0], "frequency_hz") {
		t.Errorf("rows %d, bad %q", len(got.rows), got.bad)
	}
	if len(got.warnings) != 1 || !strings.Contains(got.warnings[0], "threshold") {
		t.Errorf("warnings %q, want one about the threshold", got.warnings)
	}
}

func TestWithoutLocked(t *testing.T) {
	got := read(t, "time,frequency_hz,dwell_s,cn_db,level_dbm\n1772380800,569000000,5,20.5,-60\n1772380900,569000000,5,,-60\n1772381000,569000000,5,,\n", us)
	if len(got.rows) != 3 {
		t.Fatalf("bad %q", got.bad)
	}
	if r := got.rows[0].Reading; !r.Locked || !r.Valid() {
		t.Errorf("a row with quality: locked %v why %q", r.Locked, r.Why)
	}
	for _, row := range got.rows[1:] {
		if r := row.Reading; r.Valid() || r.Locked || r.Why != reception.WhyOther || r.DwellMS != 5000 {
			t.Errorf("line %d without quality: valid %v locked %v why %q dwell %d", row.Line, r.Valid(), r.Locked, r.Why, r.DwellMS)
		}
	}
	if want := "locked and quality are missing in 2 rows: taken as not measured (first on line 3)"; len(got.warnings) != 1 || got.warnings[0] != want {
		t.Errorf("warnings %q, want %q", got.warnings, want)
	}

	got = read(t, "time,frequency_hz,dwell_s,locked,cn_db\n1772380800,569000000,5,0,\n1772380900,569000000,5,1,\n1772381000,569000000,5,,\n", us)
	for i, want := range []struct{ valid, locked bool }{{true, false}, {true, true}, {false, false}} {
		if r := got.rows[i].Reading; r.Valid() != want.valid || r.Locked != want.locked {
			t.Errorf("row %d: valid %v locked %v, want %+v", i, r.Valid(), r.Locked, want)
		}
	}

	got = read(t, "time,frequency_hz,dwell_s,quality_pct\n1772380800,569000000,5,0\n", us)
	if len(got.warnings) != 1 || !strings.Contains(got.warnings[0], "give the column locked") {
		t.Errorf("quality 0 without locked: warnings %q", got.warnings)
	}
}

func TestWithoutDwell(t *testing.T) {
	var b strings.Builder
	b.WriteString("time,frequency_hz,locked\n")
	for i := range 120 {
		fmt.Fprintf(&b, "%d,569000000,1\n", 1772380800+i)
	}
	got := read(t, b.String(), us)
	if len(got.rows) != 120 || got.rows[0].Reading.DwellMS != 1000 {
		t.Fatalf("%d rows, dwell %d", len(got.rows), got.rows[0].Reading.DwellMS)
	}
	if want := "dwell_s is missing: one second assumed for 120 rows (first on line 2)"; len(got.warnings) != 1 || got.warnings[0] != want {
		t.Errorf("warnings %q, want %q", got.warnings, want)
	}
}

func TestWithoutTotalBlocks(t *testing.T) {
	got := read(t, "time,frequency_hz,dwell_s,uncorrected_blocks\n1772380800,569000000,5,3\n", us)
	r := got.rows[0].Reading
	if r.UncorrectedBlocks != 3 || r.TotalBlocks != reception.NotCounted {
		t.Errorf("uncorrected %d total %d", r.UncorrectedBlocks, r.TotalBlocks)
	}
	if len(got.warnings) != 1 || !strings.Contains(got.warnings[0], "no block error ratio for 1 row") {
		t.Errorf("warnings %q", got.warnings)
	}
}

func TestEmptyIsNotAvailable(t *testing.T) {
	r := one(t, "time,tuner,frequency_hz,visit,dwell_s,locked,level_dbm,cn_db,errored_s,total_blocks,identity", "1772380800,,569000000,,5,1,,,,,", us)
	want := reception.NewReading()
	want.Time, want.Tuner, want.FrequencyHz, want.DwellMS, want.Locked = 1772380800000, "attic", 569e6, 5000, true
	want.System, want.Scale = reception.ATSC1, "import-db"
	if !r.Equal(&want) {
		t.Errorf("got  %+v\nwant %+v", r, want)
	}
}

func TestNotMadeVisits(t *testing.T) {
	r := one(t, "time,frequency_hz,dwell_s,locked,cn_db,why", "1772380800,569000000,5,,,viewer", us)
	if r.Why != reception.WhyViewer || r.Valid() || r.Scale != "" || r.System != "" {
		t.Errorf("why %q scale %q system %q", r.Why, r.Scale, r.System)
	}
	got := read(t, "time,frequency_hz,cn_db,why\n1772380800,569000000,20,viewer\n1772380800,569000000,,storm\n", us)
	if len(got.bad) != 2 || !strings.Contains(got.bad[0], "empty the one or the other") || !strings.Contains(got.bad[1], `"storm" is not a reason; want one of [viewer keep-out`) {
		t.Errorf("bad %q", got.bad)
	}
}

// A bad row costs itself alone, and its line is the physical one: fields in quotes
// may hold line ends (RFC 4180, section 2, rule 6).
func TestBadRowsNameTheirLine(t *testing.T) {
	const text = "time,frequency_hz,dwell_s,locked,cn_db,tuner\r\n" + // 1
		"1772380800,569000000,5,1,20,\"a\r\nb\"\r\n" + // 2, 3
		"\r\n" + // 4
		"1772380801,569000000,5,1,2O,x\r\n" + // 5: letter O
		"1772380802,569000000,5,1,20\r\n" + // 6: one short
		"1772380803,569000000,5,yes,20,x\r\n" + // 7
		"1772380804,569000000,5,1,20,\"x\"y\r\n" + // 8
		"1772380805,569000000,5,1,20,x\"y\r\n" + // 9
		"1772380806,569000000,5,1,\"20,5\",x\r\n" + // 10
		"1772380807,569000000,5,1,75,x\r\n" + // 11
		"yesterday,569000000,5,1,20,x\r\n" + // 12
		"2026-03-01T18:00:00,569000000,5,1,20,x\r\n" + // 13
		",569000000,5,1,20,x\r\n" + // 14
		"1772380808000000,569000000,5,1,20,x\r\n" + // 15
		"1772380809,,5,1,20,x\r\n" + // 16
		"1772380810,569000000,-5,1,20,x\r\n" + // 17
		"1772380811,569000000,5,1,NaN,x\r\n" + // 18
		"1772380812,569000000,5,1,20,z" // 19
	got := read(t, text, us)
	if len(got.rows) != 2 || got.rows[0].Line != 2 || got.rows[1].Line != 19 || got.rows[0].Reading.Tuner != "a\r\nb" || got.rows[1].Reading.Tuner != "z" {
		t.Errorf("rows %+v", got.rows)
	}
	want := []string{
		`line 5: cn_db "2O" is not a number; leave it empty if it is not available`,
		`line 6: has 5 fields, the first line names 6`,
		`line 7: locked "yes" is neither 0 nor 1; leave it empty if it is not available`,
		`line 8: a quote (") stands inside a field; put the field in quotes and double the inner ones`,
		`line 9: a quote (") stands inside a field; put the field in quotes and double the inner ones`,
		`line 10: cn_db "20,5" has a decimal comma; write a point`,
		`line 11: cn_db 75 is outside -10 to 60`,
		`line 12: time "yesterday" is not a time; want RFC 3339, such as 2026-03-01T18:00:00Z, or Unix seconds or milliseconds`,
		`line 13: time "2026-03-01T18:00:00" has no time zone; write 2026-03-01T18:00:00Z for UTC, or +01:00 at its end`,
		`line 14: time is empty; want the time, such as 2026-03-01T18:00:00Z`,
		`line 15: time "1772380808000000" looks like microseconds or nanoseconds; want Unix seconds or milliseconds`,
		`line 16: channel and frequency_hz are empty; want one of them`,
		`line 17: dwell_s -5 is negative; leave it empty if it is not available`,
		`line 18: cn_db "NaN" is not a number; leave it empty if it is not available`,
	}
	if a, b := strings.Join(got.bad, "\n"), strings.Join(want, "\n"); a != b {
		t.Errorf("bad:\n%s\nwant:\n%s", a, b)
	}
}

// A row can be found again at its offset.
func TestOffsets(t *testing.T) {
	text := "\xef\xbb\xbf\ntime,channel,cn_db,tuner\r\n1772380800,30,20,a\r\n\nbad\n1772380801," + strings.Repeat("9", 2*maxRecord) +
		"\n1772380802,30,20,\"b\nb\"\n1772380803,30,20,c"
	got := read(t, text, us)
	if len(got.rows) != 3 {
		t.Fatalf("%d rows", len(got.rows))
	}
	for i, want := range []string{"1772380800,30,20,a\r\n", "1772380802,30,20,\"b\nb\"\n", "1772380803,30,20,c"} {
		if at := got.rows[i].Offset; !strings.HasPrefix(text[at:], want) {
			t.Errorf("row %d: offset %d is at %.30q, want %q", i, at, text[at:], want)
		}
	}
}

// A quote that is opened and never closed costs its own line, not the file.
func TestOpenQuoteCostsOneLine(t *testing.T) {
	for name, second := range map[string]string{
		"no other quote": "",
		"another later":  "1772380890,569000000,5,1,20,\"x\"\n",
	} {
		var b strings.Builder
		b.WriteString("time,frequency_hz,dwell_s,locked,cn_db,tuner\n1772380800,569000000,5,1,20,\"x\n")
		for i := range 50 {
			fmt.Fprintf(&b, "%d,569000000,5,1,20,x\n", 1772380801+i)
		}
		b.WriteString(second)
		got := read(t, b.String(), us)
		want := 50
		if second != "" {
			want = 51
		}
		if len(got.rows) != want || len(got.bad) != 1 || !strings.HasPrefix(got.bad[0], "line 2: a quote") {
			t.Errorf("%s: %d rows, bad %q, want %d rows and line 2", name, len(got.rows), got.bad, want)
		}
	}
}

func TestWholeFileFaults(t *testing.T) {
	long := strings.Repeat("x", 2*maxRecord)
	for name, c := range map[string]struct{ text, want string }{
		"empty":          {"", "readings: file is empty; its first line must name the columns, such as time,tuner"},
		"mark alone":     {"\xef\xbb\xbf", "readings: file is empty"},
		"no time":        {"channel,cn_db\n", `readings: line 1: column "time" is missing`},
		"no channel":     {"time,cn_db\n", "readings: line 1: one of the columns channel, frequency_hz is missing"},
		"no quality":     {"time,channel,level_dbm\n", "readings: line 1: one of the columns cn_db, quality_pct, locked"},
		"mistyped":       {"time,channel,cn_bd\n", `readings: line 1: column "cn_bd" is not known; did you mean "cn_db"? rename or remove it`},
		"foreign":        {"time,channel,cn_db,xyzzyxyzzyxyzzy\n", `readings: line 1: column "xyzzyxyzzyxyzzy" is not known; rename or remove it`},
		"other form":     {"time,temp_c,wind_mps\n", "readings: line 1: these are the columns of weather, not of readings"},
		"twice":          {"time,channel,cn_db,Time\n", `readings: line 1: column "time" is there twice`},
		"no name":        {"time,channel,cn_db,\n", "readings: line 1: column 4 has no name"},
		"semicolons":     {"time;channel;cn_db\n", "readings: line 1: columns are separated by semicolons; want commas"},
		"tabs":           {"time\tchannel\tcn_db\n", "readings: line 1: columns are separated by tabs; want commas"},
		"values":         {"2026-03-01T18:00:00Z,30,20\n", "readings: line 1: holds values; the first line must name the columns"},
		"UTF-16 marked":  {"\xff\xfet\x00i\x00m\x00e\x00", "readings: file is UTF-16 text; save it as UTF-8"},
		"UTF-16 bare":    {"t\x00i\x00m\x00e\x00", "readings: file is UTF-16 text; save it as UTF-8"},
		"gzip":           {"\x1f\x8b\x08\x00", "readings: file is compressed with gzip; unpack it first"},
		"spreadsheet":    {"PK\x03\x04\x14\x00", "readings: file is a spreadsheet or zip archive"},
		"Latin-1":        {"time,channel,cn_db,t\xfcner\n", "readings: line 1: is not UTF-8 text"},
		"binary, a bar":  {"\x81\xfa|\x00\x07\n", "readings: line 1: is not UTF-8 text"},
		"CR alone":       {"time,channel,cn_db\r1,2,3\r", "readings: line 1: lines end in carriage returns alone"},
		"enormous":       {long, "readings: line 1: is longer than 1048576 bytes; is this a CSV file?"},
		"enormous names": {"time," + long[:60000] + "\n", `readings: line 1: column "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx..." is not known`},
	} {
		_, err := ReadReadings(strings.NewReader(c.text), us)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), "\n") || len(err.Error()) > 600 {
			t.Errorf("%s: %v\nwant one line that begins %s", name, err, c.want)
		}
	}
}

func TestMarkAndHeaderAlone(t *testing.T) {
	got := read(t, "\xef\xbb\xbfTime, Channel ,cn_db", us)
	if len(got.rows)+len(got.bad) != 0 || len(got.warnings) != 1 || got.warnings[0] != "readings: there is no row after the first line" {
		t.Errorf("rows %d bad %q warnings %q", len(got.rows), got.bad, got.warnings)
	}
}

func TestEnormousLineCostsItself(t *testing.T) {
	text := "time,channel,cn_db\n1772380800,30,20\n1772380801,30," + strings.Repeat("9", 3*maxRecord) + "\n1772380802,30,20\n"
	got := read(t, text, us)
	if len(got.rows) != 2 || got.rows[1].Line != 4 || len(got.bad) != 1 || !strings.HasPrefix(got.bad[0], "line 3: is longer than") {
		t.Errorf("%d rows, bad %q", len(got.rows), got.bad)
	}
}

func TestBrokenReaderEndsTheRows(t *testing.T) {
	wish := errors.New("cable was pulled")
	r := io.MultiReader(strings.NewReader("time,channel,cn_db\n1772380800,30,20\n"), iotest.ErrReader(wish))
	rd, err := ReadReadings(r, us)
	if err != nil {
		t.Fatal(err)
	}
	n, last := 0, error(nil)
	for _, err := range rd.Rows() {
		n, last = n+1, err
	}
	if n != 2 || !errors.Is(last, wish) {
		t.Errorf("%d pairs, last error %v", n, last)
	}
}

func TestWrongUnitIsWarnedOf(t *testing.T) {
	for _, c := range []struct {
		column, lo, hi, want string
		taken                bool
	}{
		{"cn_db", "152", "240", "looks like tenths of a dB; divide by 10", false},
		{"cn_db", "15200", "24000", "thousandths of a dB", false},
		{"cn_db", "61", "98", "per cent", false},
		{"cn_db", "15.2", "34", "", true},
		{"level_dbm", "-650", "-420", "tenths or hundredths of a dBm", false},
		{"level_dbm", "2.5", "18", "dBmV; subtract 48.75", true},
		{"level_dbm", "38", "61", "dBuV", false},
		{"level_dbm", "-80", "-20", "", true},
		{"quality_pct", "120", "255", "0 to 255", false},
		{"quality_pct", "0.2", "1", "share", true},
		{"dwell_s", "1000", "5000", "milliseconds", false},
	} {
		var b strings.Builder
		b.WriteString("time,frequency_hz,locked,dwell_s,cn_db,quality_pct,level_dbm\n")
		for i := range 20 {
			v := c.lo
			if i%2 == 1 {
				v = c.hi
			}
			cells := map[string]string{"dwell_s": "5"}
			cells[c.column] = v
			fmt.Fprintf(&b, "%d,569000000,1,%s,%s,%s,%s\n", 1772380800+i, cells["dwell_s"], cells["cn_db"], cells["quality_pct"], cells["level_dbm"])
		}
		got := read(t, b.String(), us)
		said := strings.Join(got.warnings, "; ")
		if c.want == "" && said != "" || !strings.Contains(said, c.want) {
			t.Errorf("%s %s..%s: warnings %q, want %q", c.column, c.lo, c.hi, got.warnings, c.want)
		}
		if c.taken != (len(got.rows) == 20) {
			t.Errorf("%s %s..%s: %d rows taken of 20", c.column, c.lo, c.hi, len(got.rows))
		}
	}
	if got := read(t, "time,frequency_hz,cn_db\n1772380800,569000000,200\n", us); len(got.warnings) > 1 {
		t.Errorf("one value makes no guess: %q", got.warnings)
	}
	var b strings.Builder
	b.WriteString("time,frequency_hz,dwell_s,cn_db\n")
	for range 20 {
		b.WriteString("1772380800,569,5,20\n")
	}
	if got := read(t, b.String(), us); !strings.Contains(strings.Join(got.warnings, "; "), "frequency_hz lies between 569 and 569 in all 20 rows that have it: looks like MHz") {
		t.Errorf("MHz: warnings %q", got.warnings)
	}
}

func TestScalesOfRows(t *testing.T) {
	known := reception.Scale{ID: "s1", Unit: reception.UnitDB, Step: 0.25, Ceiling: 35, LevelKind: reception.LevelInChannel, Quantity: reception.QuantityMER}
	o := us
	o.Scales = []reception.Scale{known, {ID: "not used", Unit: reception.UnitDB}}
	got := read(t, "time,tuner,channel,dwell_s,locked,cn_db,quality_pct,scale\n"+
		"1772380800,a,30,5,1,20,,s1\n1772380801,a,30,5,1,20,,s2\n1772380802,a,30,5,1,20,,s2\n"+
		"1772380803,b,30,5,1,,70,\n1772380804,b,30,5,0,,,\n1772380805,c,30,5,0,,,\n1772380806,c,30,5,,,,\n", o)
	ids := ""
	for _, r := range got.rows {
		ids += r.Reading.Scale + " "
	}
	if ids != "s1 s2 s2 import-pct import-pct import-db  " {
		t.Errorf("scales of rows: %q", ids)
	}
	s := got.rd.Scales()
	if len(s) != 4 || s[0].ID != "import-db" || s[1].ID != "import-pct" || s[1].Unit != reception.UnitPercent || s[2] != known || !math.IsNaN(s[3].Step) {
		t.Errorf("Scales() = %+v", s)
	}
	if len(got.warnings) != 2 || !strings.Contains(got.warnings[0], "the scale of 2 rows is not described in a scales.csv") {
		t.Errorf("warnings %q", got.warnings)
	}
	got = read(t, "time,channel,dwell_s,locked,quality_pct\n1772380800,30,5,0,\n", us)
	if s := got.rows[0].Reading.Scale; s != "import-pct" {
		t.Errorf("an unlocked row of a file in per cent has scale %q", s)
	}
}

func TestInstallationsOfRows(t *testing.T) {
	// In order of channels, then of time: as an export comes.
	var b strings.Builder
	b.WriteString("time,tuner,channel,dwell_s,locked,installation\n")
	for _, rf := range []int{30, 31} {
		for h := range 10 {
			name := "old"
			if h >= 6 {
				name = "new"
			}
			if h == 3 {
				name = ""
			}
			fmt.Fprintf(&b, "%d,a,%d,5,1,%s\n%d,b,%d,5,1,roof\n", 1772380800+3600*h+rf, rf, name, 1772380800+3600*h+rf, rf)
		}
	}
	got := read(t, b.String(), us)
	want := []Installation{
		{Line: 3, Time: 1772380830000, Tuner: "b", Name: "roof"},
		{Line: 2, Time: 1772380830000, Tuner: "a", Name: "old"},
		{Line: 14, Time: 1772380830000 + 6*3600e3, Tuner: "a", Name: "new"},
	}
	want[0], want[1] = want[1], want[0]
	if g := got.rd.Installations(); fmt.Sprint(g) != fmt.Sprint(want) || len(got.warnings) != 0 {
		t.Errorf("got %+v\nwant %+v\nwarnings %q", g, want, got.warnings)
	}
	got = read(t, "time,channel,dwell_s,locked,installation\n1772380800,30,5,1,x\n1772380810,30,5,1,x\n1772380805,30,5,1,y\n", us)
	if len(got.warnings) != 1 || !strings.Contains(got.warnings[0], `"x" and "y" overlap in time (line 4)`) {
		t.Errorf("warnings %q", got.warnings)
	}
	got = read(t, "time,channel,dwell_s,locked,installation\n1772380800,30,5,1,x\n1772380810,30,5,1,x\n1772380815,30,5,1,y\n1772380805,31,5,1,x\n1772380820,31,5,1,x\n", us)
	if len(got.warnings) != 1 || !strings.Contains(got.warnings[0], `"x" and "y" overlap in time (line 4)`) {
		t.Errorf("an overlap seen on another channel: warnings %q", got.warnings)
	}
}
