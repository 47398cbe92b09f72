package zones

import (
	"archive/zip"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// The change of the clock is where the law puts it.
func TestChanges(t *testing.T) {
	for _, c := range []struct {
		zone, before string // the last second, UTC
		from, to     int    // seconds east of UTC
		source       string
	}{
		{"America/New_York", "2026-03-08T06:59:59Z", -5 * 3600, -4 * 3600, "15 U.S.C. 260a: 2 a.m. on the second Sunday of March"},
		{"America/New_York", "2026-11-01T05:59:59Z", -4 * 3600, -5 * 3600, "15 U.S.C. 260a: 2 a.m. on the first Sunday of November"},
		{"Europe/Berlin", "2026-03-29T00:59:59Z", 3600, 2 * 3600, "Directive 2000/84/EC art. 2: 1 a.m. GMT on the last Sunday of March"},
		{"Europe/Berlin", "2026-10-25T00:59:59Z", 2 * 3600, 3600, "Directive 2000/84/EC art. 3: 1 a.m. GMT on the last Sunday of October"},
		{"Australia/Sydney", "2026-04-04T15:59:59Z", 11 * 3600, 10 * 3600, "Standard Time Act 1987 (NSW): 3 a.m. summer time on the first Sunday of April"},
		// Editions since 2025b have this zone: tz NEWS, release 2025b.
		{"America/Coyhaique", "2025-03-20T03:00:00Z", -3 * 3600, -3 * 3600, "tz NEWS 2025b: -03 all year since 20 March 2025"},
	} {
		z, err := Load(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339, c.before)
		if err != nil {
			t.Fatal(err)
		}
		_, from := at.In(z).Zone()
		_, to := at.Add(time.Second).In(z).Zone()
		if from != c.from || to != c.to {
			t.Errorf("%s at %s: %d s, then %d s east, want %d and %d (%s)", c.zone, c.before, from, to, c.from, c.to, c.source)
		}
	}
}

func TestNames(t *testing.T) {
	for _, name := range []string{"", "UTC"} {
		if z, err := Load(name); err != nil || z != time.UTC {
			t.Errorf("Load(%q) = %v, %v; want UTC", name, z, err)
		}
	}
	for _, name := range []string{"Local", "Mars/Olympus", "America", "America/", "../America/New_York", "/etc/localtime", "america/new_york"} {
		if z, err := Load(name); err == nil || !strings.Contains(err.Error(), "IANA") {
			t.Errorf("Load(%q) = %v, %v; want an error that says what names are", name, z, err)
		}
	}
	if !regexp.MustCompile(`^20\d\d[a-z]$`).MatchString(Edition()) {
		t.Errorf("Edition() = %q, want such as 2025c", Edition())
	}
}

// Every zone that is there can be loaded.
func TestEveryZone(t *testing.T) {
	r, err := files()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, f := range r.File {
		if f.FileInfo().IsDir() {
			continue
		}
		if _, err := Load(f.Name); err != nil {
			t.Error(err)
		}
		n++
	}
	if n < 400 {
		t.Errorf("%d zones, want at least 400", n)
	}
}

// What the system has for zone files changes nothing. The test is its own child: the
// time package looks for the files once.
func TestSystemFilesAreNotRead(t *testing.T) {
	const name, asked = "America/New_York", "HOLDFAST_TEST_ZONE"
	at := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	if os.Getenv(asked) != "" {
		z, err := Load(name)
		if err != nil {
			t.Fatal(err)
		}
		system, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Printf("ours %s, the system's %s\n", at.In(z).Format("15:04"), at.In(system).Format("15:04"))
		return
	}
	r, err := files()
	if err != nil {
		t.Fatal(err)
	}
	wrong := filepath.Join(t.TempDir(), "zoneinfo.zip")
	out, err := os.Create(wrong)
	if err != nil {
		t.Fatal(err)
	}
	w := zip.NewWriter(out)
	for _, f := range r.File { // Tokyo's clock in New York
		if f.Name == "Asia/Tokyo" {
			f.Name = name
			if err := w.Copy(f); err != nil {
				t.Fatal(err)
			}
			f.Name = "Asia/Tokyo"
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	me, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(me, "-test.run", "^TestSystemFilesAreNotRead$")
	c.Env = append(os.Environ(), asked+"=1", "ZONEINFO="+wrong)
	b, err := c.CombinedOutput()
	if want := "ours 08:00, the system's 21:00"; err != nil || !strings.Contains(string(b), want) {
		t.Errorf("with other zone files %v:\n%s\nwant %q", err, b, want)
	}
}
