//go:build linux

package figures

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
)

var (
	yearChannels = flag.Int("year.channels", 40, "channels of the year, each visited once a minute")
	yearDays     = flag.Int("year.days", 365, "days of the year")
	yearDir      = flag.String("year.dir", "", "folder that keeps the year's file and stores, so that parts of BenchmarkYear may run one by one")
)

// A row of the table: what was done, by what, and what it took.
type yearRow struct {
	what string
	task
	peak int64  // resident bytes
	load string // load average before and after
}

// BenchmarkYear measures the store on a year of 40 channels at a visit a minute, 21
// million readings: `holdfast import` from CSV; intake and log alone, tallies included;
// both again, where every reading is there; disk, once months are merged; one durable
// append; reading a month, everything, all tallies; making all tallies again. Beside it,
// in the same run, plain rows in SQLite and in DuckDB.
func BenchmarkYear(b *testing.B) {
	if err := build(); err != nil {
		b.Fatal(err)
	}
	dir := *yearDir
	if dir == "" {
		dir = tempDir(b)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.Fatal(err)
	}
	y := &year{dir: dir, gen: generator{Channels: *yearChannels, Days: *yearDays}}
	for _, c := range []struct {
		name, what string
		run        func(*testing.B) yearRow
	}{
		{"csv", "import from CSV", func(b *testing.B) yearRow { return y.importCSV(b, "new") }},
		{"csv-again", "import from CSV again", func(b *testing.B) yearRow { return y.importCSV(b, "already there") }},
		{"generate", "(the readings made up, alone)", y.task("generate", "", false)},
		{"log", "intake and log", y.task("log", "home", true)},
		{"log-again", "intake and log again", y.task("log-again", "home", false)},
		{"merge", "months merged", y.task("merge", "home", false)},
		{"append", "one durable append", y.task("append", "home", false)},
		{"month", "month of one channel", y.task("month", "home", false)},
		{"scan", "all readings", y.task("scan", "home", false)},
		{"tallies", "all tallies read", y.task("tallies", "home", false)},
		{"rebuild", "all tallies made again", y.task("rebuild", "home", false)},
		{"sqlite", "SQLite rows: import", y.task("sqlite", "sqlite", true)},
		{"sqlite-month", "SQLite rows: month of one channel", y.task("sqlite-month", "sqlite", false)},
		{"sqlite-scan", "SQLite rows: C/N histograms", y.task("sqlite-scan", "sqlite", false)},
		{"duckdb", "DuckDB: import from CSV", func(b *testing.B) yearRow { return y.duckDB(b, "import") }},
		{"duckdb-month", "DuckDB: month of one channel", func(b *testing.B) yearRow { return y.duckDB(b, "month") }},
		{"duckdb-scan", "DuckDB: C/N histograms", func(b *testing.B) yearRow { return y.duckDB(b, "scan") }},
	} {
		var r *yearRow
		b.Run(c.name, func(b *testing.B) {
			if r == nil { // once, however often the benchmark would rather
				before := loadAverage()
				x := c.run(b)
				x.what, x.load = c.what, before+" to "+loadAverage()
				y.rows, r = append(y.rows, x), &x
			}
			r.report(b)
		})
	}
	y.print(os.Stdout)
}

// A year is the folder of one run, and what was measured in it.
type year struct {
	dir  string
	gen  generator
	rows []yearRow
}

func (y *year) at(name string) string { return filepath.Join(y.dir, name) }

// file returns the year as CSV, with the config that it needs beside it.
func (y *year) file(b *testing.B) string {
	b.Helper()
	const config = "version: 1\nhome: { name: Year, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }\n"
	if err := os.WriteFile(y.at("holdfast.yaml"), []byte(config), 0o600); err != nil {
		b.Fatal(err)
	}
	name := y.at(fmt.Sprintf("year-%d-%d.csv", y.gen.Channels, y.gen.Days))
	if _, err := os.Stat(name); err == nil {
		return name
	}
	err := writeFile(name+".part", func(w io.Writer) error {
		return exchange.WriteReadings(w, exchange.CSV, func(yield func([]reception.Reading, error) bool) {
			for c := range y.gen.all() {
				if !yield(c.Readings, nil) {
					return
				}
			}
		})
	})
	if err = errors.Join(err, os.Rename(name+".part", name)); err != nil {
		b.Fatal(err)
	}
	return name
}

// importCSV measures the program's own import; expect is what it must say of all rows.
func (y *year) importCSV(b *testing.B, expect string) yearRow {
	b.Helper()
	file, home := y.file(b), y.at("csv-home")
	if expect == "new" {
		if err := os.RemoveAll(home); err != nil {
			b.Fatal(err)
		}
	}
	u := must(holdfast(past{dir: y.dir}, home, "import", "readings", file))(b)
	n := int64(y.gen.rows())
	if want := fmt.Sprintf("%d %s", n, expect); !strings.Contains(u.out, want) {
		b.Fatalf("the import said %q, want %q in it", u.out, want)
	}
	return yearRow{task: task{Rows: n, Wall: u.wall.Seconds(), CPU: u.cpu.Seconds(), Disk: onDisk(b, home)}, peak: u.peak}
}

// task returns a function that runs a task in a process of its own, over a folder that
// is new or was made by an earlier one.
func (y *year) task(name, folder string, fresh bool) func(*testing.B) yearRow {
	return func(b *testing.B) yearRow {
		b.Helper()
		at := y.at(folder)
		if fresh {
			if err := os.RemoveAll(at); err != nil {
				b.Fatal(err)
			}
		}
		if folder != "" {
			if err := os.MkdirAll(at, 0o755); err != nil {
				b.Fatal(err)
			}
		}
		order := must(json.Marshal(yearTask{Name: name, Dir: at, Year: y.gen}))(b)
		c := exec.Command(must(os.Executable())(b))
		c.Env = append(os.Environ(), yearTaskIn+"="+string(order))
		return y.child(b, c)
	}
}

// child runs a process that prints a task.
func (y *year) child(b *testing.B, c *exec.Cmd) yearRow {
	b.Helper()
	var out strings.Builder
	c.Stdout, c.Stderr = &out, os.Stderr
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	stop := watchPeak(c.Process.Pid)
	err := c.Wait()
	r := yearRow{peak: stop()}
	if err == nil {
		err = json.Unmarshal([]byte(out.String()), &r.task)
	}
	if err != nil {
		b.Fatalf("%v: %v\n%s", c.Args, err, out.String())
	}
	if r.CPU == 0 {
		r.CPU = (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
	}
	return r
}

// duckDB runs a step of duckdb.js in Node.
func (y *year) duckDB(b *testing.B, step string) yearRow {
	b.Helper()
	const remedy = "npm install --prefix DIR @duckdb/node-api@1.5.6-r.1, then set HOLDFAST_DUCKDB=DIR"
	dir := os.Getenv("HOLDFAST_DUCKDB")
	if _, err := exec.LookPath("node"); err != nil || dir == "" {
		if os.Getenv("HOLDFAST_REAL_PARTS") != "" {
			b.Fatalf("real part missing: node with DuckDB; %s", remedy)
		}
		b.Skipf("real part missing: node with DuckDB; %s", remedy)
	}
	file, db := y.file(b), y.at("year.duckdb")
	if step == "import" {
		if err := os.RemoveAll(db); err != nil {
			b.Fatal(err)
		}
	}
	from, to := y.gen.month()
	c := exec.Command("node", must(filepath.Abs("duckdb.js"))(b), step, db, file, fmt.Sprint(from), fmt.Sprint(to))
	c.Env = append(os.Environ(), "NODE_PATH="+filepath.Join(dir, "node_modules"))
	return y.child(b, c)
}

func loadAverage() string {
	b, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "?"
	}
	return strings.Fields(string(b))[0]
}

func (r *yearRow) report(b *testing.B) {
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(r.peak)/mib, "peak-MiB")
	if r.Times > 0 {
		b.ReportMetric(r.Wall*1000, "median-ms")
	} else {
		b.ReportMetric(r.Wall, "s")
	}
	b.ReportMetric(r.CPU, "cpu-s")
	if r.Rows > 0 && r.Times == 0 {
		b.ReportMetric(float64(r.Rows)/r.Wall, "readings/s")
		b.ReportMetric(r.CPU/float64(r.Rows)*1e9, "cpu-ns/reading")
	}
	if r.Disk > 0 && r.Rows > 0 {
		b.ReportMetric(float64(r.Disk)/float64(r.Rows), "disk-B/reading")
	}
}

// print prints the table of what was measured.
func (y *year) print(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "\n%d channels, %d days, %d readings\n", y.gen.Channels, y.gen.Days, y.gen.rows())
	fmt.Fprintln(w, "what\ttime\treadings/s\tCPU a reading\tB a reading\twritten\tpeak RSS\tload\t")
	for _, r := range y.rows {
		per := func(v float64, form string) string {
			if r.Rows == 0 || v == 0 {
				return ""
			}
			return fmt.Sprintf(form, v/float64(r.Rows))
		}
		wall := time.Duration(r.Wall * float64(time.Second)).Round(time.Millisecond).String()
		rate, cpu := "", ""
		if r.Times > 0 {
			wall = fmt.Sprintf("%.2f ms median of %d", r.Wall*1000, r.Times)
		} else if r.Rows > 0 {
			rate, cpu = fmt.Sprintf("%.2f M", float64(r.Rows)/r.Wall/1e6), per(r.CPU*1e9, "%.0f ns")
		}
		written := ""
		if r.Written > 0 {
			written = fmt.Sprintf("%.1f kB, pages %.1f kB", float64(r.Written)/1000, float64(r.Pages)/1000)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%.0f MiB\t%s\t\n", r.what, wall, rate, cpu, per(float64(r.Disk), "%.2f"), written, float64(r.peak)/mib, r.load)
		if r.Note != "" {
			fmt.Fprintf(w, "%s\t\t\t\t\t\t\t\t\n", r.Note)
		}
	}
	w.Flush()
}
