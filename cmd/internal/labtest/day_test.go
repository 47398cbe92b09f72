//go:build linux && amd64

package labtest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/collector/source/sourcetest"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded"
)

// The day's midnight, and what lies between the machine's start and the scenario's.
var midnight = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

// lateBy is how long after the machine's clock the scenario may begin, and how long a
// visit may last: readings so near a change of the script may show either side.
const lateBy = 20 * time.Second

// at is an instant of the scripted day.
func at(hour, minute int) int64 {
	return midnight.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute).UnixMilli()
}

// A line of the scenario: what a channel is from a second of the day on.
type line struct {
	from                time.Duration
	locked              bool
	levelDBm, cnDB      float64
	brokenBlocks, total float64 // a second
}

func readScenario(t *testing.T, path string) map[int64][]line {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[int64][]line{}
	for sc := bufio.NewScanner(f); sc.Scan(); {
		text, _, _ := strings.Cut(sc.Text(), "#")
		w := strings.Fields(text)
		if len(w) == 0 {
			continue
		}
		var v [9]float64
		for i, s := range w {
			if i == 2 {
				continue
			}
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		hz := int64(v[1])
		out[hz] = append(out[hz], line{time.Duration(v[0]) * time.Second, w[2] == "lock", v[3] / 1000, v[4] / 1000, v[7], v[8]})
	}
	return out
}

// scripted returns what the channel is at an instant, and whether it has been so for a
// while and stays so.
func scripted(ls []line, ms int64) (line, bool) {
	d := time.UnixMilli(ms).Sub(midnight)
	var is line
	for _, l := range ls {
		if l.from > d-lateBy && l.from < d+lateBy {
			return l, false
		}
		if l.from <= d {
			is = l
		}
	}
	return is, true
}

// A day of fading on four channels with a viewer and an unplug, through the real
// daemon, on the kernel's own DVB core, in virtual time.
func TestAScriptedDay(t *testing.T) {
	if os.Getenv("HOLDFAST_REAL_PARTS") == "" {
		t.Skip("real parts not asked for: a day in the virtual machine takes minutes; HOLDFAST_REAL_PARTS=1 go test ./cmd/internal/labtest (see testdata/tuner-lab/README.md)")
	}
	t.Parallel()
	lab := sourcetest.NeedLab(t)
	dir := t.TempDir()
	bin := build(t, lab, dir)
	script := filepath.Join(lab.Dir, "scenarios", "day.txt")
	tar := filepath.Join(dir, "day.tar.gz")
	started := time.Now()
	out, err := lab.Run(t, nil, "daemon", "-warp", "-t", "900", "-at", midnight.Format("2006-01-02T15:04:05"), "-s", script,
		"-with", "cmd/internal/labtest/testdata/faults.sh", "-o", tar, bin, "cmd/internal/labtest/testdata/home.yaml", "86370")
	if err != nil {
		t.Fatalf("lab daemon: %v\n%s", err, out)
	}
	t.Logf("the day took %v", time.Since(started).Round(time.Second))
	if out, err := exec.CommandContext(t.Context(), "tar", "-C", dir, "-xzf", tar).CombinedOutput(); err != nil {
		t.Fatalf("tar: %v\n%s", err, out)
	}
	data := filepath.Join(dir, "data")
	readings := readAll(t, data)
	t.Run("readings", func(t *testing.T) { checkReadings(t, readings, readScenario(t, script)) })
	t.Run("reasons", func(t *testing.T) { checkReasons(t, readings) })
	t.Run("log", func(t *testing.T) { checkLog(t, filepath.Join(dir, "log")) })
	t.Run("answer", func(t *testing.T) { checkAnswer(t, bin, data) })
}

// build makes the program in a folder and returns its path.
func build(t *testing.T, lab sourcetest.Lab, dir string) string {
	t.Helper()
	bin := filepath.Join(dir, "holdfast")
	c := exec.CommandContext(t.Context(), "go", "build", "-trimpath", "-ldflags=-s -w", "-o", bin, "./cmd/holdfast")
	c.Dir, c.Env = lab.Root, append(os.Environ(), "CGO_ENABLED=0")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

func readAll(t *testing.T, data string) []reception.Reading {
	t.Helper()
	s, err := embedded.Open(t.Context(), data, embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var all []reception.Reading
	for rs, err := range s.Readings(t.Context(), store.Query{Span: store.Always}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, rs...)
	}
	return all
}

func checkReadings(t *testing.T, readings []reception.Reading, script map[int64][]line) {
	compared := map[int64]int{}
	for _, r := range readings {
		is, steady := scripted(script[r.FrequencyHz], r.Time)
		if !steady || !r.Valid() {
			continue
		}
		compared[r.FrequencyHz]++
		when := time.UnixMilli(r.Time).UTC().Format("15:04:05")
		if r.Locked != is.locked || math.Abs(r.LevelDBm-is.levelDBm) > 0.01 {
			t.Errorf("%d at %s: locked %v at %g dBm, scripted %v at %g", r.FrequencyHz, when, r.Locked, r.LevelDBm, is.locked, is.levelDBm)
		}
		if is.locked && (math.Abs(r.CNDB-is.cnDB) > 0.01 || r.LockedMS != r.DwellMS) {
			t.Errorf("%d at %s: C/N %g dB, locked %d of %d ms, scripted %g dB and lock", r.FrequencyHz, when, r.CNDB, r.LockedMS, r.DwellMS, is.cnDB)
		}
		errored := 0.0
		if is.brokenBlocks > 0 || !is.locked {
			errored = float64(r.DwellMS) / 1000
		}
		if r.ErroredS != errored {
			t.Errorf("%d at %s: %g s errored, scripted %g", r.FrequencyHz, when, r.ErroredS, errored)
		}
		if want := is.brokenBlocks * 5; is.locked && math.Abs(float64(r.UncorrectedBlocks)-want) > 1+0.05*want {
			t.Errorf("%d at %s: %d blocks broken, scripted %g", r.FrequencyHz, when, r.UncorrectedBlocks, want)
		}
	}
	for hz := range script {
		if compared[hz] < 200 {
			t.Errorf("%d Hz: only %d readings to compare, want more than 200", hz, compared[hz])
		}
	}
}

// checkReasons: each planned visit of the day is there, made or with its reason.
func checkReasons(t *testing.T, readings []reception.Reading) {
	base, why := map[int64]int{}, map[string]int{}
	for _, r := range readings {
		if r.Visit != reception.VisitBase {
			if !r.Valid() {
				t.Errorf("an extra visit that was not made is stored: %+v", r)
			}
			continue
		}
		base[r.FrequencyHz]++
		if r.Valid() {
			continue
		}
		hour := time.UnixMilli(r.Time).UTC().Hour()
		// plugged in again, the tuner is found within two minutes
		if hour == 10 && r.Time < at(10, 3) {
			hour = 9
		}
		why[fmt.Sprintf("%s in hour %d", r.Why, hour)]++
	}
	for hz, n := range base {
		if n < 284 || n > 290 {
			t.Errorf("%d Hz: %d planned visits in the day, want 288", hz, n)
		}
	}
	if n := why["failing in hour 9"]; n < 46 || n > 52 { // 4 channels x 12
		t.Errorf("%d visits not made while the tuner was unplugged, want 48", n)
	}
	if n := why["viewer in hour 12"]; n < 46 || n > 50 {
		t.Errorf("%d visits not made while somebody watched, want 48", n)
	}
	delete(why, "failing in hour 9")
	delete(why, "viewer in hour 12")
	delete(why, "viewer in hour 13") // the visit at the edge
	if len(why) > 0 {
		t.Errorf("other visits that were not made: %v", why)
	}
}

func checkLog(t *testing.T, path string) {
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log := string(b)
	for _, want := range []string{"tuner is not there", "tuner is in use by somebody else", "channel-lost", "tuner-silent"} {
		if !strings.Contains(log, want) {
			t.Errorf("the log has no %q", want)
		}
	}
	for l := range strings.Lines(log) {
		// an alarm is told as one: somebody must act
		if strings.Contains(l, `"level":"ERROR"`) && !strings.Contains(l, "alarm raised") || strings.Contains(l, "panic") {
			t.Errorf("the log has an error: %s", l)
		}
	}
	// a healthy hour says nothing; a day with its faults a few lines
	if n := strings.Count(log, "\n"); n > 20 {
		t.Errorf("%d lines of log for the day, want at most 20", n)
	}
	if t.Failed() {
		t.Logf("the log:\n%s", log)
	}
}

// answerOf asks for the answer at an instant.
func answerOf(t *testing.T, bin, config, data string, at time.Time) (a answer.Answer) {
	t.Helper()
	c := exec.CommandContext(t.Context(), bin, "answer", "--format", "json", "--config", config, "--data", data, "--at", at.Format(time.RFC3339))
	var stderr bytes.Buffer
	c.Stderr = &stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("answer: %v\n%s", err, stderr.String())
	}
	if err := json.Unmarshal(out, &a); err != nil {
		t.Fatal(err)
	}
	return a
}

func checkAnswer(t *testing.T, bin, data string) {
	a := answerOf(t, bin, "testdata/home.yaml", data, midnight.Add(86370*time.Second))
	channel := func(rf int) answer.Channel {
		i := slices.IndexFunc(a.Channels, func(c answer.Channel) bool { return c.RF == rf })
		if i < 0 {
			t.Fatalf("no channel RF %d in the answer", rf)
		}
		return a.Channels[i]
	}
	for _, w := range []struct {
		rf         int
		start, end int64 // 0: it lasts
	}{{14, at(5, 0), at(5, 50)}, {22, at(16, 0), at(16, 30)}, {30, at(18, 0), 0}} {
		ds := channel(w.rf).Dropouts
		if len(ds) != 1 {
			t.Errorf("RF %d: %d dropouts, want 1: %+v", w.rf, len(ds), ds)
			continue
		}
		d := ds[0]
		// the interval of the start holds the scripted one, give or take the scenario's lateness
		slack := lateBy.Milliseconds()
		if int64(d.StartLow)-slack > w.start || int64(d.StartHigh)+slack < w.start || int64(d.StartHigh)-int64(d.StartLow) > 11*60e3 {
			t.Errorf("RF %d: dropout starts between %v and %v, scripted %v", w.rf, clock(d.StartLow), clock(d.StartHigh), clock(answer.Time(w.start)))
		}
		switch {
		case w.end == 0 && d.End != 0:
			t.Errorf("RF %d: dropout ends at %v, want it to last", w.rf, clock(d.End))
		case w.end != 0 && (int64(d.EndLow)-slack > w.end || int64(d.EndHigh)+slack < w.end):
			t.Errorf("RF %d: dropout ends between %v and %v, scripted %v", w.rf, clock(d.EndLow), clock(d.EndHigh), clock(answer.Time(w.end)))
		}
	}
	if ds := channel(7).Dropouts; len(ds) != 0 {
		t.Errorf("RF 7: dropouts %+v, want none", ds)
	}
	// one day decides no availability, and the answer says what would
	if av := channel(14).Availability; av.Decided() || !strings.Contains(av.Needs, "14 days") || av.MeasuredS < 250*5 {
		t.Errorf("RF 14: availability %+v, want it undecided with what it needs", av)
	}
	// two of 24 hours were not measured
	if share := float64(a.Measured.Share); math.Abs(share-22./24) > 0.01 {
		t.Errorf("measured share %.3f, want %.3f", share, 22./24)
	}
	var lost, silent []answer.Alarm
	for _, al := range a.Alarms {
		switch al.Condition {
		case "channel-lost":
			lost = append(lost, al)
		case "tuner-silent":
			silent = append(silent, al)
		case "disk-failing": // the machine's disk is a small one in memory
		default:
			t.Errorf("alarm %+v, want none of its condition", al)
		}
	}
	if len(lost) != 1 || fmt.Sprint(lost[0].Channels) != "[30]" || int64(lost[0].Raised) < at(18, 50) || int64(lost[0].Raised) > at(19, 20) || lost[0].Cleared != 0 {
		t.Errorf("channel-lost alarms %+v, want one of RF 30, raised about 19:00 and standing", lost)
	}
	if len(silent) != 1 || int64(silent[0].Raised) < at(9, 25) || int64(silent[0].Raised) > at(9, 40) ||
		int64(silent[0].Cleared) < at(10, 5) || int64(silent[0].Cleared) > at(10, 25) {
		t.Errorf("tuner-silent alarms %+v, want one, raised about 09:30 and cleared about 10:12", silent)
	}
}

func clock(ms answer.Time) string { return time.UnixMilli(int64(ms)).UTC().Format("15:04:05") }
