package chart

import (
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares a drawing with its file, one element a line so that a person can
// read a change.
func golden(t *testing.T, name, svg string) {
	t.Helper()
	got := strings.ReplaceAll(svg, "><", ">\n<") + "\n"
	file := filepath.Join("testdata", name+".svg")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from its golden file; look at it, then run go test ./dashboards/chart -update\ngot:\n%s", file, got)
	}
}

const hour = int64(3600e3)

// specimen is a small lane with everything in it: a stretch that is short, one not
// measured, one at the tuner's ceiling, one expected, dropouts of four kinds.
func specimen() Lane {
	l := Lane{
		Window: Window{0, 40 * 6 * hour, 400}, Label: `12.1 "Quarterlight" & more`, Above: 120, Below: 30, PxPerDB: 13, Open: true,
		RequiredDB: 4.6, Requires: "requires 4.6 dB", DoubtDB: math.NaN(), NowMS: 30 * 6 * hour, Seams: []int64{12 * 6 * hour},
	}
	for i := range int64(40) {
		m := 6 + 2*math.Sin(float64(i)/4)
		b := Bin{FromMS: i * 6 * hour, ToMS: (i + 1) * 6 * hour, Median: m, Q10: m - 1.2, Q01: m - 3, Measured: true, Expected: i >= 30}
		switch {
		case i >= 9 && i < 12:
			b = Bin{FromMS: b.FromMS, ToMS: b.ToMS, Why: "in use by the viewer"}
		case i == 14:
			b.Q01 = math.Inf(-1)
		case i == 16:
			b.Median, b.Q10, b.Q01 = math.Inf(-1), math.Inf(-1), math.Inf(-1)
		case i >= 26 && i < 29:
			b.Median, b.Q10, b.Q01, b.Top = 8, 8, 6.5, true
		}
		l.Bins = append(l.Bins, b)
	}
	l.Marks = []Mark{
		{FromMS: 20 * hour, ToMS: 20*hour + 26*60e3, LowMS: 20*hour - 300e3, HighMS: 21 * hour, Minutes: 26, Long: "snow or ice", Short: "ice"},
		{FromMS: 96 * hour, ToMS: 108 * hour, LowMS: 84 * hour, HighMS: 108 * hour, Minutes: 720, Long: "wind in the trees", Short: "wind"},
		{FromMS: 130 * hour, ToMS: 134 * hour, LowMS: 130 * hour, HighMS: 134 * hour, Minutes: 270, Long: "transmitter off", Short: "off", Hollow: true},
		{FromMS: 150 * hour, ToMS: 150 * hour, LowMS: 150 * hour, HighMS: 150 * hour, Minutes: 3, Long: "?", Short: "?"},
		{FromMS: 151 * hour, ToMS: 151 * hour, LowMS: 151 * hour, HighMS: 151 * hour, Minutes: 5, Long: "wet leaves?", Short: "wet?"},
	}
	return l
}

func TestGolden(t *testing.T) {
	open := specimen()
	golden(t, "lane-open", open.SVG())
	quiet := specimen()
	quiet.Open, quiet.Above, quiet.Below, quiet.PxPerDB, quiet.Phone, quiet.Grid = false, 27, 9, 1.4, true, []int64{0, 7 * 24 * hour}
	golden(t, "lane-quiet-phone", quiet.SVG())
	doubt := specimen()
	doubt.DoubtDB, doubt.RequiredDB, doubt.Requires, doubt.Marks = 1.2, math.NaN(), "required margin not known yet", nil
	golden(t, "lane-doubt", doubt.SVG())
	lost := specimen()
	lost.Marks = []Mark{{FromMS: 150 * hour, ToMS: 180 * hour, LowMS: 150 * hour, HighMS: 180 * hour, Minutes: 1800, Long: "lost since 7 Apr", Short: "lost", Lasting: true}}
	golden(t, "lane-lost", lost.SVG())
	win := Window{0, 10 * 24 * hour, 300}
	var skies, days []Sky
	for i := range int64(40) {
		k := Sky{FromMS: i * 6 * hour, ToMS: (i + 1) * 6 * hour, RainMMH: 0, SnowMMH: 0, WindMPS: 3 + float64(i%5), GustMPS: math.NaN(), TempLowC: -2, TempHiC: 6}
		switch {
		case i%9 == 0:
			k.RainMMH = 2.5
		case i == 20:
			k.SnowMMH = 1
		case i >= 24 && i < 28:
			k = Sky{FromMS: k.FromMS, ToMS: k.ToMS, RainMMH: math.NaN(), SnowMMH: math.NaN(), WindMPS: math.NaN(), GustMPS: math.NaN(), TempLowC: math.NaN(), TempHiC: math.NaN()}
		}
		skies = append(skies, k)
		if i%4 == 0 {
			days = append(days, Sky{FromMS: i * 6 * hour, ToMS: (i + 4) * 6 * hour, TempLowC: k.TempLowC - float64(i%3), TempHiC: k.TempHiC})
		}
	}
	golden(t, "ribbon", Ribbon{Window: win, H: 92, Label: "Weather", Skies: skies, Days: days, EndMS: 9 * 24 * hour}.SVG())
	golden(t, "ribbon-none", Ribbon{Window: win, H: 92, Label: "Weather", EndMS: 9 * 24 * hour, NoData: "no weather known"}.SVG())
	golden(t, "leaves", Leaves{Window: win, H: 26, Label: "Leaf state", NowMS: 5 * 24 * hour, Points: []LeafPoint{{0, 0}, {5 * 24 * hour, .4}, {10 * 24 * hour, 1}}, Words: []Word{{0, "bare", "", 4}, {10 * 24 * hour, "full leaf 1 Jun", "middle", 16}}}.SVG())
	golden(t, "axis", Axis{Window: win, Ticks: []Tick{{0, "16 Mar"}, {24 * hour, ""}, {4 * 24 * hour, "20 Mar"}, {9 * 24 * hour, "25 Mar"}}, NowMS: 9 * 24 * hour, NowLabel: "now, 25 Mar 19:00"}.SVG())
	golden(t, "over", Over(win, 6*24*hour, "expected from here on", []Seam{{3 * 24 * hour, "new cable, 30 March"}, {4 * 24 * hour, "new lead, 31 March"}}))
	golden(t, "alarms", AlarmAxis(win, "31 Mar", "7 Apr")+AlarmBars(win, []Raised{{FromMS: 5 * 24 * hour}})+AlarmBars(win, []Raised{{FromMS: 5 * 24 * hour, Seen: true}})+AlarmBars(win, []Raised{{FromMS: 2 * 24 * hour, ToMS: 4 * 24 * hour}, {FromMS: 6 * 24 * hour, ToMS: 6*24*hour + 1}})+Bearing(312))
	golden(t, "key", Key(426))
	golden(t, "knowing", Knowing(1312, "How far off an answer may be narrows."))
	golden(t, "knowing-phone", Knowing(358, "How far off an answer may be narrows.")+Progress(19./35, "19 of 35 channels visited"))
	golden(t, "defs", Defs())
}

// numbers finds every number of an attribute or path.
var numbers = regexp.MustCompile(`-?(?:\d+\.?\d*|\.\d+)`)

// sound fails for a drawing that is not XML, holds what is no number, names a style,
// or puts a shape outside its box.
func sound(svg string, w, h float64, phone bool) error {
	for _, bad := range []string{"NaN", "Inf", "e+", "e-0", " style=", "%!"} {
		if strings.Contains(svg, bad) {
			return fmt.Errorf("it holds %q", bad)
		}
	}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		at := map[string]string{}
		for _, a := range e.Attr {
			at[a.Name.Local] = a.Value
		}
		in := func(name string, v, hi float64) error {
			if v < -0.11 || v > hi+0.11 {
				return fmt.Errorf("<%s %v>: %s %v outside 0 to %v", e.Name.Local, at, name, v, hi)
			}
			return nil
		}
		num := func(name string) float64 { v, _ := strconv.ParseFloat(at[name], 64); return v }
		var errs []error
		switch e.Name.Local {
		case "rect":
			errs = append(errs, in("x", num("x"), w), in("right", num("x")+num("width"), w), in("y", num("y"), h), in("bottom", num("y")+num("height"), h))
		case "line":
			// Installation changes are a pair of hairlines round their instant.
			errs = append(errs, in("x1", num("x1"), w+1.5), in("y1", num("y1"), h), in("y2", num("y2"), h))
		case "path":
			errs = append(errs, inside(at["d"], w, h))
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
	}
}

// inside walks a path of our own making (M, l, L, H, z) and checks every point.
func inside(d string, w, h float64) error {
	x, y := 0.0, 0.0
	cmd := byte(0)
	for d != "" {
		switch c := d[0]; {
		case c == ' ':
			d = d[1:]
			continue
		case c == 'z':
			d = d[1:]
			continue
		case c == 'M' || c == 'l' || c == 'L' || c == 'H':
			cmd = c
			d = d[1:]
			continue
		}
		next := func() (float64, error) {
			d = strings.TrimLeft(d, " ")
			m := numbers.FindString(d)
			if m == "" || !strings.HasPrefix(d, m) {
				return 0, fmt.Errorf("no number at %q", d)
			}
			d = d[len(m):]
			return strconv.ParseFloat(m, 64)
		}
		a, err := next()
		if err != nil {
			return err
		}
		if cmd == 'H' {
			x = a
		} else {
			b, err := next()
			if err != nil {
				return err
			}
			if cmd == 'l' {
				x, y = x+a, y+b
			} else {
				x, y = a, b
			}
		}
		if x < -0.2 || x > w+0.2 || y < -0.2 || y > h+0.2 {
			return fmt.Errorf("path reaches %v, %v outside %v x %v", x, y, w, h)
		}
	}
	return nil
}

// Whatever the numbers, a lane is sound and stays in its box.
func TestLaneIsSoundForAnyNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		db := rapid.OneOf(rapid.Float64Range(-60, 60), rapid.SampledFrom([]float64{math.Inf(-1), math.NaN(), 0, 1e300, -1e300}))
		l := Lane{
			Window: Window{0, 100 * hour, rapid.Float64Range(120, 2000).Draw(t, "w")},
			Above:  rapid.Float64Range(20, 130).Draw(t, "above"), Below: rapid.Float64Range(9, 30).Draw(t, "below"), PxPerDB: rapid.Float64Range(1, 30).Draw(t, "k"),
			Open: rapid.Bool().Draw(t, "open"), Phone: rapid.Bool().Draw(t, "phone"), Label: rapid.StringOf(rapid.RuneFrom([]rune("<>&\"'é\x00\x1b\ufffe\n]x"))).Draw(t, "label"),
			RequiredDB: db.Draw(t, "required"), DoubtDB: rapid.OneOf(rapid.Float64Range(0, 40), rapid.Just(math.NaN())).Draw(t, "doubt"),
			NowMS: rapid.Int64Range(-10*hour, 120*hour).Draw(t, "now"), Requires: "requires it", Note: "a note",
		}
		for i := int64(-2); i < 104; i += rapid.Int64Range(1, 9).Draw(t, "step") {
			l.Bins = append(l.Bins, Bin{
				FromMS: i * hour, ToMS: (i + 1) * hour, Median: db.Draw(t, "m"), Q10: db.Draw(t, "q10"), Q01: db.Draw(t, "q01"),
				Measured: rapid.Bool().Draw(t, "measured"), Why: rapid.SampledFrom([]string{"", "because"}).Draw(t, "why"),
				Top: rapid.Bool().Draw(t, "top"), Expected: i*hour >= l.NowMS,
			})
		}
		for range rapid.IntRange(0, 12).Draw(t, "marks") {
			from := rapid.Int64Range(-5*hour, 105*hour).Draw(t, "from")
			to := from + rapid.Int64Range(0, 20*hour).Draw(t, "length")
			l.Marks = append(l.Marks, Mark{FromMS: from, ToMS: to, LowMS: from - hour, HighMS: to + hour, Minutes: rapid.Float64Range(0, 1e5).Draw(t, "minutes"),
				Long: "wind in the trees", Short: "wind", Hollow: rapid.Bool().Draw(t, "hollow"), Lasting: rapid.Bool().Draw(t, "lasting")})
		}
		if err := sound(l.SVG(), l.W, l.Above+l.Below, l.Phone); err != nil {
			t.Fatal(err)
		}
	})
}

func TestRibbonIsSoundForAnyNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Float64Range(-60, 200), rapid.Just(math.NaN()))
		r := Ribbon{Window: Window{0, 100 * hour, 358}, H: 66, Label: "Weather", EndMS: rapid.Int64Range(0, 120*hour).Draw(t, "end")}
		for i := range int64(30) {
			k := Sky{FromMS: i * 4 * hour, ToMS: (i + 1) * 4 * hour, RainMMH: v.Draw(t, "rain"), SnowMMH: v.Draw(t, "snow"), WindMPS: v.Draw(t, "wind"), GustMPS: v.Draw(t, "gust"), TempLowC: v.Draw(t, "low")}
			k.TempHiC = k.TempLowC + 5
			r.Skies, r.Days = append(r.Skies, k), append(r.Days, k)
		}
		if err := sound(r.SVG(), r.W, r.H, true); err != nil {
			t.Fatal(err)
		}
		l := Leaves{Window: r.Window, H: 26, NowMS: r.EndMS, Points: []LeafPoint{{0, v.Draw(t, "leaf")}, {100 * hour, v.Draw(t, "leaf")}}}
		if err := sound(l.SVG(), l.W, l.H, true); err != nil {
			t.Fatal(err)
		}
	})
}

// Every class that a drawing names has a rule in the style sheet, and every pattern
// a definition.
func TestDrawingsAreStyled(t *testing.T) {
	var css []byte
	for _, name := range []string{"holdfast", "setup"} {
		b, err := os.ReadFile("../assets/" + name + ".css")
		if err != nil {
			t.Fatal(err)
		}
		css = append(css, b...)
	}
	files, err := filepath.Glob("testdata/*.svg")
	if err != nil || len(files) < 10 {
		t.Fatalf("golden files: %v %v", files, err)
	}
	class, ref := regexp.MustCompile(`class="([^"]+)"`), regexp.MustCompile(`url\(#([^)]+)\)`)
	defs := Defs()
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range class.FindAllStringSubmatch(string(b), -1) {
			for c := range strings.FieldsSeq(m[1]) {
				if !regexp.MustCompile(`\.`+regexp.QuoteMeta(c)+`\b`).Match(css) && c != "up" {
					t.Errorf("%s: class %q has no rule", f, c)
				}
			}
		}
		for _, m := range ref.FindAllStringSubmatch(string(b), -1) {
			if !strings.Contains(defs, `id="`+m[1]+`"`) {
				t.Errorf("%s: pattern %q is not defined", f, m[1])
			}
		}
	}
}

// The path writer's shortest forms against the plain reading of SVG 2, 9.3: relative
// steps sum to the points within the rounding of a tenth.
func TestPathRoundsButDoesNotDrift(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-500, 2000), 1, 60).Draw(t, "v")
		ps := make([]point, len(xs))
		for i, v := range xs {
			ps[i] = point{v, v / 3}
		}
		d := path(ps)
		m := numbers.FindAllString(d, -1)
		if len(m) != 2*len(ps) {
			t.Fatalf("%q holds %d numbers, want %d", d, len(m), 2*len(ps))
		}
		x, y := 0.0, 0.0
		for i := range ps {
			a, _ := strconv.ParseFloat(m[2*i], 64)
			b, _ := strconv.ParseFloat(m[2*i+1], 64)
			x, y = x+a, y+b
			if math.Abs(x-ps[i].x) > 0.0501 || math.Abs(y-ps[i].y) > 0.0501 {
				t.Fatalf("point %d of %q = %v, %v, want %v", i, d, x, y, ps[i])
			}
		}
	})
}

func BenchmarkLaneOf8Weeks(b *testing.B) {
	l := specimen()
	l.Bins = nil
	for i := range int64(448) {
		m := 6 + 2*math.Sin(float64(i)/4)
		l.Bins = append(l.Bins, Bin{FromMS: i * 6 * hour, ToMS: (i + 1) * 6 * hour, Median: m, Q10: m - 1, Q01: m - 3, Measured: true})
	}
	l.ToMS, l.W = 448*6*hour, 864
	b.ReportAllocs()
	for b.Loop() {
		_ = l.SVG()
	}
}
