//go:build linux

package figures

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// The way figures are taken, tried on one month: they count what was done, and a
// process that worked is seen to have worked.
func TestHarness(t *testing.T) {
	if err := build(); err != nil {
		t.Fatal(err)
	}
	p := must(makePast(1))(t)
	if want := int64(30 * 12 * 96); p.rows < want*9/10 || p.rows > want*11/10 {
		t.Errorf("a month has %d rows, want about %d", p.rows, want)
	}
	dir := tempDir(t)
	u := must(holdfast(p, dir, "import", "readings", p.file("readings.csv")))(t)
	if want := fmt.Sprintf("%d new", p.rows); !strings.Contains(u.out, want) {
		t.Errorf("the import said %q, want %q in it", u.out, want)
	}
	if u.cpu < 10*time.Millisecond || u.wall < 10*time.Millisecond || u.peak < 5*mib {
		t.Errorf("importing took %v, %v of CPU, %d bytes; that is too little to be true", u.wall, u.cpu, u.peak)
	}
	if per := float64(onDisk(t, dir)) / float64(p.rows); per < 4 || per > 2000 {
		t.Errorf("%g bytes a row on disk cannot be", per)
	}
	c := startDaemon(t, tempDir(t))
	if rss := c.size(t, "VmRSS"); rss < 5*mib || c.ready.peak < rss/2 {
		t.Errorf("the daemon has %d bytes resident, at most %d before", rss, c.ready.peak)
	}
	c.stop(t)
}
