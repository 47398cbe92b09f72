package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// duckdb runs SQL in DuckDB, through its package for Node, and returns the rows of the
// last statement as JSON.
func duckdb(t *testing.T, sql string) string {
	t.Helper()
	const remedy = "npm install --prefix DIR @duckdb/node-api@1.5.6-r.1, then set HOLDFAST_DUCKDB=DIR"
	missing := func(what string) {
		if os.Getenv("HOLDFAST_REAL_PARTS") != "" {
			t.Fatalf("real part missing: %s; %s", what, remedy)
		}
		t.Skipf("real part missing: %s; %s", what, remedy)
	}
	dir := os.Getenv("HOLDFAST_DUCKDB")
	if dir == "" {
		missing("DuckDB")
	}
	if _, err := exec.LookPath("node"); err != nil {
		missing("node")
	}
	const run = `const {DuckDBInstance} = require("@duckdb/node-api");
(async () => {
  const db = await (await DuckDBInstance.create(":memory:", {threads: "1"})).connect();
  await db.run("set TimeZone='UTC'");
  const r = await db.runAndReadAll(process.argv[1]);
  console.log(JSON.stringify(r.getRowObjectsJson()));
})().catch(e => { console.error(e.message); process.exit(1); });`
	c := exec.Command("node", "-e", run, sql)
	c.Env = append(os.Environ(), "NODE_PATH="+filepath.Join(dir, "node_modules"))
	out, err := c.Output()
	if err != nil {
		text := err.Error()
		if e, ok := err.(*exec.ExitError); ok {
			text += ": " + string(e.Stderr)
		}
		t.Fatalf("DuckDB: %s", text)
	}
	return string(out)
}

// A foreign database reads every format of an export alike.
func TestExportReadByDuckDB(t *testing.T) {
	t.Parallel()
	duckdb(t, "select 1")
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	config := write("home.yaml", "version: 1\nhome: { name: Test Lane, region: us, time_zone: America/New_York }\nchannels:\n  - { rf: 30, name: Kettle }\n")
	readings := write("readings.csv", `time,tuner,channel,dwell_s,locked,cn_db,level_dbm,uncorrected_blocks,total_blocks,identity,why
2026-03-01T10:00:00Z,"attic, ""left""",30,5,1,24.1,-52,0,64470,1234,
2026-03-01T10:05:00Z,"attic, ""left""",30,5,1,24.25,-52.5,3,64470,1234,
2026-03-01T10:10:00Z,"attic, ""left""",30,5,,,,,,,viewer
2026-03-01T10:15:00.250Z,"attic, ""left""",30,5,0,,-80,,,,
`)
	weather := write("weather.csv", "time,temp_c,rain_mm_h\n2026-03-01T10:00:00Z,4.5,0\n2026-03-01T11:00:00Z,5,0.4\n")
	do := func(args ...string) {
		t.Helper()
		c := exec.Command(holdfast(t), append([]string{"--config", config, "--data", filepath.Join(dir, "data")}, args...)...)
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("holdfast %v: %v\n%s", args, err, out)
		}
	}
	do("import", "readings", readings)
	do("import", "weather", weather)
	const want = `[{"n":"4","locks":"2","darks":"1","cn":48.35,"level":-184.5,"bad":"3","first":"1772359200000","last":"1772360100250","who":"attic, \"left\"","why":"viewer"}]`
	for _, f := range []struct{ format, table string }{
		{"csv", "read_csv('%s')"}, {"json", "read_json('%s')"}, {"parquet", "'%s'"},
	} {
		out := filepath.Join(dir, f.format)
		do("export", "--format", f.format, out)
		from := fmt.Sprintf(f.table, filepath.Join(out, "readings."+f.format))
		got := duckdb(t, `select count(*) n, count(*) filter (cast(locked as int) = 1) locks, count(*) filter (cast(locked as int) = 0) darks,
			round(sum(cn_db), 6) cn, round(sum(level_dbm), 6) "level", sum(uncorrected_blocks) bad,
			epoch_ms(min(cast(time as timestamptz))) "first", epoch_ms(max(cast(time as timestamptz))) "last", max(tuner) who, max(why) why from `+from)
		if normal(t, got) != normal(t, want) {
			t.Errorf("%s: DuckDB reads %s; want %s", f.format, got, want)
		}
		got = duckdb(t, `select count(*) n, round(sum(rain_mm_h), 6) rain from `+fmt.Sprintf(f.table, filepath.Join(out, "weather."+f.format)))
		if normal(t, got) != normal(t, `[{"n":"2","rain":0.4}]`) {
			t.Errorf("%s: DuckDB reads weather %s", f.format, got)
		}
	}
}

// normal spells JSON with keys in order and numbers alike, quoted or not.
func normal(t *testing.T, text string) string {
	t.Helper()
	var rows []map[string]any
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	if err := d.Decode(&rows); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for _, r := range rows {
		for k, v := range r {
			r[k] = fmt.Sprint(v)
		}
	}
	out, err := json.Marshal(rows)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// Sealed months lie open to other people's tools: a file a month, no reading lost.
func TestSealedMonthsReadByDuckDB(t *testing.T) {
	t.Parallel()
	duckdb(t, "select 1")
	dir := t.TempDir()
	config := filepath.Join(dir, "home.yaml")
	if err := os.WriteFile(config, []byte("version: 1\nhome: { name: Test Lane, region: us, time_zone: America/New_York }\nchannels:\n  - { rf: 30, name: Kettle }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	rows := []byte("time,tuner,channel,dwell_s,locked,cn_db,level_dbm,uncorrected_blocks,total_blocks\n")
	const n = 9000
	cn, bad := 0, 0
	for i := range n { // from the last days of January into February
		at := time.Date(2026, 1, 29, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Minute)
		tenths := 240 + i%37
		rows = fmt.Appendf(rows, "%s,attic,30,5,1,%d.%d,-52.5,%d,64470\n", at.Format(time.RFC3339), tenths/10, tenths%10, i%3)
		cn, bad = cn+tenths, bad+i%3
	}
	csv := filepath.Join(dir, "readings.csv")
	if err := os.WriteFile(csv, rows, 0o600); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "data")
	if out, err := exec.Command(holdfast(t), "--config", config, "--data", data, "import", "readings", csv).CombinedOutput(); err != nil {
		t.Fatalf("import: %v\n%s", err, out)
	}
	got := duckdb(t, `select count(*) n, sum(cn_ddb) cn, sum(uncorrected_blocks) bad, min(level_ddbm) "level",
		min(time_s * 1000 + coalesce(time_ms, 0)) "first", max(time_s * 1000 + coalesce(time_ms, 0)) "last", count(distinct filename) files, max(tuner) who
		from read_parquet('`+data+`/readings/*.parquet', filename=true)`)
	want := fmt.Sprintf(`[{"n":%d,"cn":%d,"bad":%d,"level":-525,"first":1769644800000,"last":%d,"files":2,"who":"attic"}]`, n, cn, bad, 1769644800000+(n-1)*60000)
	if normal(t, got) != normal(t, want) {
		t.Errorf("DuckDB reads %s; want %s", got, want)
	}
}
