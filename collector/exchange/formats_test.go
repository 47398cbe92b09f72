package exchange

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"holdfast/analysis/reception"
)

// Every format holds the same values as the CSV, which is read back by ReadReadings;
// here JSON and Parquet are read by their own libraries.
func TestFormatsAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(reading(), 0, 400).Draw(t, "rows")
		table := func(f Format) [][]string {
			var b bytes.Buffer
			if err := WriteReadings(&b, f, chunked(rows)); err != nil {
				t.Fatalf("%s: %v", f, err)
			}
			switch f {
			case JSON:
				return jsonTable(t, b.Bytes(), columnsOf(t))
			case Parquet:
				return parquetTable(t, b.Bytes(), len(rows))
			}
			return csvTable(t, &b)
		}
		want := table(CSV)
		if len(want) != len(rows) {
			t.Fatalf("CSV holds %d rows of %d", len(want), len(rows))
		}
		for _, f := range []Format{JSON, Parquet} {
			got := table(f)
			if len(got) != len(want) {
				t.Fatalf("%s holds %d rows; want %d", f, len(got), len(want))
			}
			for i := range want {
				if g, w := strings.Join(got[i], "|"), strings.Join(want[i], "|"); g != w {
					t.Fatalf("%s, row %d:\n got %s\nwant %s", f, i, g, w)
				}
			}
		}
	})
}

func columnsOf(t fataler) []string {
	var b bytes.Buffer
	if err := WriteReadings(&b, CSV, chunked(nil)); err != nil {
		t.Fatalf("%v", err)
	}
	return strings.Split(strings.TrimSpace(b.String()), ",")
}

type fataler interface{ Fatalf(string, ...any) }

// A cell is spelt as in CSV: empty for none, plain numbers, 1 and 0.
func csvTable(t fataler, r io.Reader) [][]string {
	all, err := csv.NewReader(r).ReadAll()
	if err != nil || len(all) == 0 {
		t.Fatalf("CSV: %d lines, %v", len(all), err)
	}
	return all[1:]
}

func jsonTable(t fataler, b []byte, columns []string) [][]string {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var all []map[string]any
	if err := d.Decode(&all); err != nil {
		t.Fatalf("JSON: %v", err)
	}
	var out [][]string
	for _, m := range all {
		row := make([]string, len(columns))
		for i, c := range columns {
			v, ok := m[c]
			if ok {
				row[i] = spelt(v)
			}
			delete(m, c)
		}
		if len(m) > 0 {
			t.Fatalf("JSON has members that are no columns: %v", m)
		}
		out = append(out, row)
	}
	return out
}

// lines writes line ends as package csv reads them.
func lines(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }

func spelt(v any) string {
	if s, ok := v.(string); ok {
		return lines(s)
	}
	switch v {
	case true:
		return "1"
	case false:
		return "0"
	}
	return fmt.Sprint(v)
}

func parquetTable(t fataler, b []byte, want int) [][]string {
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatalf("Parquet: %v", err)
	}
	if n, err := ParquetRows(bytes.NewReader(b), int64(len(b))); err != nil || n != int64(want) {
		t.Fatalf("ParquetRows = %d, %v; want %d", n, err, want)
	}
	fields := f.Schema().Fields()
	var out [][]string
	for _, g := range f.RowGroups() {
		rows := g.Rows()
		buf := make([]parquet.Row, 100)
		for {
			n, err := rows.ReadRows(buf)
			for _, r := range buf[:n] {
				row := make([]string, len(fields))
				for i, v := range r {
					switch {
					case v.IsNull():
					case strings.HasPrefix(fields[i].Type().String(), "TIMESTAMP"):
						row[i] = string(appendTime(nil, v.Int64()))
					case v.Kind() == parquet.Double:
						row[i] = strconv.FormatFloat(v.Double(), 'f', -1, 64)
					case v.Kind() == parquet.Boolean:
						row[i] = spelt(v.Boolean())
					default:
						row[i] = lines(v.String())
					}
				}
				out = append(out, row)
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("Parquet rows: %v", err)
			}
		}
		if err := rows.Close(); err != nil {
			t.Fatalf("Parquet: %v", err)
		}
	}
	return out
}

func TestUnknownFormat(t *testing.T) {
	if err := WriteScales(io.Discard, "xls", nil); err == nil || !strings.Contains(err.Error(), "csv json parquet") {
		t.Errorf("WriteScales as xls: %v; want the formats that there are", err)
	}
}

// Weather, scales and installations in every format; columns of each kind are typed
// right, else the Parquet writer says so.
func TestOtherFormsInEveryFormat(t *testing.T) {
	w := reception.NewWeather()
	w.Time, w.IntervalS, w.Source, w.TempC, w.Thunder, w.Precipitation, w.Known = 1772323200000, 3600, "garden", 4.5, reception.Yes, reception.PrecipTrace, 1772323300000
	write := map[string]func(io.Writer, Format) error{
		"weather": func(o io.Writer, f Format) error {
			return WriteWeather(o, f, func(yield func(reception.Weather, error) bool) { yield(w, nil) })
		},
		"scales": func(o io.Writer, f Format) error {
			return WriteScales(o, f, []reception.Scale{{ID: "a/1", Unit: reception.UnitDB, Step: 0.1, Ceiling: 30, LevelKind: reception.LevelInChannel, Quantity: reception.QuantityCN, Driver: "d"}})
		},
		"installations": func(o io.Writer, f Format) error {
			return WriteInstallations(o, f, []Installation{{Time: 1772323200000, Tuner: "attic", Name: "old", Note: "as found, \"dry\""}})
		},
	}
	for name, wr := range write {
		t.Run(name, func(t *testing.T) {
			var c, j, p bytes.Buffer
			for f, b := range map[Format]*bytes.Buffer{CSV: &c, JSON: &j, Parquet: &p} {
				if err := wr(b, f); err != nil {
					t.Fatalf("%s: %v", f, err)
				}
			}
			header, _, _ := strings.Cut(c.String(), "\n")
			want := csvTable(t, &c)
			if got := jsonTable(t, j.Bytes(), strings.Split(header, ",")); !reflect.DeepEqual(got, want) {
				t.Errorf("JSON holds %q; want %q", got, want)
			}
			if got := parquetTable(t, p.Bytes(), 1); !reflect.DeepEqual(got, want) {
				t.Errorf("Parquet holds %q; want %q", got, want)
			}
		})
	}
}
