package command

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/source/fields"
	"holdfast/collector/source/sourcetest"
)

var (
	good = reception.Channel{FrequencyHz: 569e6, RF: 30, BandwidthHz: 6e6, System: reception.ATSC1}
	dark = reception.Channel{FrequencyHz: 575e6, RF: 31, BandwidthHz: 6e6, System: reception.ATSC1}
)

// A log that tests may read while a program's words come in.
type logBook struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func open(t *testing.T, dir string, log *logBook) *Source {
	t.Helper()
	me, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Argv: []string{me}, Env: []Variable{{variable, dir}, {"OWN", "mine"}}}
	if log != nil {
		o.Log = slog.New(slog.NewTextHandler(log, nil))
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func setMode(t *testing.T, dir, mode string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, "mode"), []byte(mode), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestContract(t *testing.T) {
	t.Parallel()
	mode := func(m string) func(*testing.T, collector.Source) func() {
		return func(t *testing.T, src collector.Source) func() {
			dir := src.(*Source).o.Env[0].Value
			setMode(t, dir, m)
			return func() { setMode(t, dir, "") }
		}
	}
	sourcetest.Run(t, sourcetest.Options{
		Open: func(t *testing.T) collector.Source { return open(t, t.TempDir(), nil) },
		Good: good, Dark: dark, Dwell: time.Second, Parallel: true,
		Busy: mode("busy"), Unplug: mode("gone"), Hang: mode("hang"), Nonsense: mode("nonsense"),
	})
}

func visit(t *testing.T, s *Source) (reception.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	r, err := s.Visit(ctx, collector.Visit{Channel: good, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase})
	if err == nil {
		if err := r.Validate(); err != nil {
			t.Errorf("reading: %v", err)
		}
	}
	return r, err
}

func TestReading(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), nil)
	r, err := visit(t, s)
	if err != nil || !r.Locked || r.CNDB != 23.4 || r.LevelDBm != -55.5 || r.UncorrectedBlocks != 0 || r.TotalBlocks != 12894 ||
		r.LockedMS != 1000 || r.ErroredS != 0 || r.Identity != "2126" || r.TunedHz != 0 {
		t.Errorf("Visit = %+v, %v", r, err)
	}
	if sc, ok := s.Scale(r.Scale); !ok || sc.Driver != s.Tuner().Driver || strings.ContainsAny(sc.ID, " \n") {
		t.Errorf("scale %+v, %v", sc, ok)
	}
}

// Each answer that cannot be used is one clear line that names the program.
func TestAnswersThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, nil)
	for _, c := range []struct{ answer, want string }{
		{"Segmentation fault", `answer is not JSON, it begins "Segmentation fault"`},
		{`{"locked": true} {}`, "answer goes on after its JSON value"},
		{`[]`, "answer cannot be used: got a list, want an object"},
		{`{"cn_db": 20}`, "answer cannot be used: locked is missing, want true or false"},
		{`{"locked": true, "cn_db": "20"}`, `cn_db is the text "20", want a number`},
		{`{"locked": true, "snr": 20}`, `field "snr" is not known`},
		{`{"locked": true, "cn_db": 234}`, "answer: cn_db 234 looks like tenths of a dB"},
		{`{"locked": true, "frequency_hz": 605000000}`, "answer is of 605000000 Hz, asked was 569000000 Hz"},
		{`{"error": "antenna power is short"}`, "it says: antenna power is short"},
	} {
		setMode(t, dir, c.answer)
		r, err := visit(t, s)
		if err == nil || !strings.HasPrefix(err.Error(), "program "+s.name+": ") || !strings.Contains(err.Error(), c.want) || strings.ContainsAny(err.Error(), "\n\r") {
			t.Errorf("%s: %+v, %v; want one line with %q", c.answer, r, err, c.want)
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, "starts")); err != nil || len(b) != 1 {
		t.Errorf("started %d times, want once (%v)", len(b), err)
	}
}

func pidOf(t *testing.T, dir, name string) int {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(string(b))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// alive reports whether a process is there and is no zombie.
func alive(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	return err != nil || !strings.Contains(string(b), ") Z ")
}

func dies(t *testing.T, pid int) {
	t.Helper()
	for range 40 {
		if !alive(pid) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Errorf("process %d is still there", pid)
}

// A program that neither answers nor ends is killed, with its children.
func TestKilledWithItsGroup(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, nil)
	setMode(t, dir, "hang")
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err := s.Visit(ctx, collector.Visit{Channel: good, Dwell: time.Second, Kind: reception.VisitBase})
	if !errors.Is(err, collector.ErrHung) || !strings.Contains(err.Error(), "it was killed") {
		t.Fatalf("Visit = %v, want hung", err)
	}
	dies(t, pidOf(t, dir, "pid"))
	dies(t, pidOf(t, dir, "child"))
}

// A program that ends by itself leaves nothing behind.
func TestLeavesNoChild(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, nil)
	setMode(t, dir, "leave")
	if _, err := visit(t, s); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "exit status 4") {
		t.Fatalf("Visit = %v, want gone", err)
	}
	dies(t, pidOf(t, dir, "child"))
}

// Close ends the program by the end of its input.
func TestCloseEndsIt(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	dir := t.TempDir()
	s := open(t, dir, nil)
	if _, err := visit(t, s); err != nil {
		t.Fatal(err)
	}
	pid := pidOf(t, dir, "pid")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	dies(t, pid)
}

func TestStartedAgainWithPauses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var log logBook
	s := open(t, dir, &log)
	setMode(t, dir, "gone")
	from := time.Now()
	for time.Since(from) < 3500*time.Millisecond { // starts at 0, 1 and 3 s
		_, err := visit(t, s)
		if !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), `exit status 3, its last words: "no device on the bus"`) {
			t.Fatalf("Visit = %v", err)
		}
		time.Sleep(20 * time.Millisecond)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "starts")); err != nil || len(b) < 2 || len(b) > 4 {
		t.Errorf("started %d times in 3.5 s, want 3 (%v)", len(b), err)
	}
	if !strings.Contains(log.String(), `says="no device on the bus"`) {
		t.Errorf("log:\n%s", log.String())
	}
}

// A program that answers and ends is one that answered.
func TestLastWord(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, nil)
	setMode(t, dir, "once")
	for range 2 {
		if _, err := visit(t, s); err != nil {
			t.Fatal(err)
		}
		if !s.running.endsWithin(10 * time.Second) {
			t.Fatal("it does not end")
		}
		time.Sleep(firstStart + 100*time.Millisecond)
	}
}

func TestLongLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, nil)
	setMode(t, dir, "long")
	if _, err := visit(t, s); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "it printed a line longer than 64 KiB") {
		t.Errorf("Visit = %v", err)
	}
}

func TestStandardErrorIsBounded(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var log logBook
	s := open(t, dir, &log)
	setMode(t, dir, "loud")
	if _, err := visit(t, s); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	got := log.String()
	if n := strings.Count(got, "says="); n < 5 || n > 12 || len(got) > 12*700 || !strings.Contains(got, "left_out=1") {
		t.Errorf("%d lines, %d bytes in the log:\n%.300s", n, len(got), got)
	}
}

// What comes unasked is no answer.
func TestChatter(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var log logBook
	s := open(t, dir, &log)
	setMode(t, dir, "chatter")
	if _, err := s.program(); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(10 * time.Second); len(s.running.lines) < 2; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it says nothing")
		}
	}
	r, err := visit(t, s)
	if err != nil || !r.Locked || !strings.Contains(log.String(), "lines=2") {
		t.Errorf("Visit = %+v, %v; log:\n%s", r, err, log.String())
	}
}

// The program sees what it is given, and none of our secrets.
func TestEnvironment(t *testing.T) {
	t.Setenv("HOLDFAST_TEST_SECRET", "s3cret")
	dir := t.TempDir()
	s := open(t, dir, nil)
	setMode(t, dir, "environment")
	if _, err := visit(t, s); err == nil || !strings.Contains(err.Error(), "own=mine secret= path=true") {
		t.Errorf("Visit = %v", err)
	}
}

func TestProgramThatIsNotThere(t *testing.T) {
	t.Parallel()
	s, err := New(Options{Argv: []string{"/no/such/program"}})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := visit(t, s); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "no such file or directory") {
			t.Errorf("Visit = %v", err)
		}
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		o    Options
		want string
	}{
		{Options{}, "command: is missing"},
		{Options{Argv: []string{" "}}, "command: is missing"},
		{Options{Argv: []string{"a\x00b"}}, "command: an argument holds a zero byte"},
		{Options{Argv: []string{"a"}, Env: []Variable{{"A=B", "x"}}}, `env: "A=B" is no name`},
		{Options{Argv: []string{"a"}, Meaning: fields.Meaning{LevelKind: "x"}}, `level_kind: "x" is not known`},
	} {
		if _, err := New(c.o); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
}
