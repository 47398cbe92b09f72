//go:build unix

package embedded

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

const (
	// stateEnv has the child seal and merge all the time, and sleep in a state.
	stateEnv = "EMBEDDED_TEST_STATE"
	// killsEnv is how often TestKillSealing kills; a thousand take some minutes.
	killsEnv = "HOLDFAST_KILLS"
)

// chapter is history number n: an hour of visits to two channels, years ago.
func chapter(n int64) []reception.Reading {
	return history(2, start-10*365*dayMS+n*reception.HourMS, 60)
}

// sealingChild appends steps, and after every few seals and merges everything and
// appends a chapter of history, until it is killed. It says what was acknowledged.
func sealingChild(dir string, sleep moment) error {
	ctx := context.Background()
	o := smallOptions
	o.ReserveBytes = -1
	o.at = func(m moment) {
		if m == sleep {
			time.Sleep(20 * time.Millisecond)
		}
	}
	s, err := Open(ctx, dir, o)
	if err != nil {
		return err
	}
	n, err := stored(ctx, s)
	if err != nil {
		return err
	}
	chapters, err := storedChapters(ctx, s)
	if err != nil {
		return err
	}
	h := int64(len(chapters))
	fmt.Println("step", n-1)
	for ; ; n++ {
		if a, err := s.Append(ctx, step(n)); err != nil || a.New != rows(step(n)) {
			return fmt.Errorf("step %d: %+v, %w", n, a, err)
		}
		fmt.Println("step", n)
		switch n % 5 {
		case 1:
			if err := s.Tidy(ctx, far); err != nil {
				return err
			}
		case 3: // some of the first may be there, from before the kill
			if _, err := s.Append(ctx, store.Batch{Readings: chapter(h)}); err != nil {
				return err
			}
			fmt.Println("chapter", h)
			h++
		}
	}
}

// storedChapters returns how many readings of each chapter the store holds.
func storedChapters(ctx context.Context, s *Store) (map[int64]int, error) {
	out := map[int64]int{}
	for chunk, err := range s.Readings(ctx, store.Query{Span: store.Span{From: 0, To: start - 2*365*dayMS}}) {
		if err != nil {
			return nil, err
		}
		for i := range chunk {
			out[(chunk[i].Time-start+10*365*dayMS)/reception.HourMS]++
		}
	}
	return out, nil
}

// TestKillSealing kills a process that appends, seals, merges and files histories, and
// that lingers in each of the five states in turn.
func TestKillSealing(t *testing.T) {
	// Not in parallel: between fork and exec a child holds the locks of others' stores.
	kills := 10
	if v := os.Getenv(killsEnv); v != "" {
		var err error
		if kills, err = strconv.Atoi(v); err != nil || kills < 1 {
			t.Fatalf("%s=%s: want how often to kill", killsEnv, v)
		}
	}
	dir := t.TempDir()
	steps, chapters := int64(-1), int64(-1)
	cleaned, found := 0, 0
	// On a busy machine a child that is killed soon has hardly written: then there are more.
	wrote := func() bool { return steps >= int64(kills) && chapters >= int64(kills)/5 }
	rounds := 0
	for round := 0; round < kills || !wrote() && round < 10*kills; round++ {
		rounds++
		last, err := runSealing(t, dir, moment(1+round%5), time.Duration(1+rand.IntN(120))*time.Millisecond)
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		steps, chapters = max(steps, last["step"]), max(chapters, last["chapter"])
		for _, name := range files(t, dir) {
			if name[0] == '.' {
				cleaned++
			}
		}
		s := open(t, dir, Options{})
		if n := len(s.shelf.segments); n < len(files(t, dir)) {
			t.Fatalf("round %d: %d files in the catalogue, there are %q", round, n, files(t, dir))
		}
		n, err := stored(t.Context(), s)
		if err != nil || n-1 < steps || n-1 > steps+1 {
			t.Fatalf("round %d: steps to %d are stored, to %d were acknowledged: %v", round, n-1, steps, err)
		}
		got, err := storedChapters(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		for c := range chapters + 1 {
			if got[c] != len(chapter(c)) {
				t.Fatalf("round %d: %d readings of chapter %d of %d, want %d", round, got[c], c, chapters, len(chapter(c)))
			}
		}
		if int64(len(got)) > chapters+2 {
			t.Fatalf("round %d: %d chapters, %d were acknowledged", round, len(got), chapters+1)
		}
		if int64(len(got)) == chapters+2 {
			found++
		}
		checkWhole(t, s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		steps, chapters = n-1, int64(len(got))-1
		if c := chapters; c >= 0 && got[c] != len(chapter(c)) { // make it whole for the next round
			s := open(t, dir, smallOptions)
			if _, err := s.Append(t.Context(), store.Batch{Readings: chapter(c)}); err != nil {
				t.Fatal(err)
			}
			s.Close()
		}
	}
	if !wrote() {
		t.Errorf("only %d steps and %d chapters over %d rounds: the children hardly wrote", steps+1, chapters+1, rounds)
	}
	t.Logf("%d kills: %d steps, %d chapters, %d unfinished files, %d chapters that nobody acknowledged", rounds, steps+1, chapters+1, cleaned, found)
}

// runSealing starts a child, kills it `after` its first word, and returns what it
// acknowledged last of each kind.
func runSealing(t *testing.T, dir string, sleep moment, after time.Duration) (map[string]int64, error) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+dir, fmt.Sprintf("%s=%d", stateEnv, sleep))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	last := map[string]int64{"step": -1, "chapter": -1}
	var timer *time.Timer
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if timer == nil {
			timer = time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
		word, number, _ := strings.Cut(lines.Text(), " ")
		if last[word], err = strconv.ParseInt(number, 10, 64); err != nil {
			return nil, err
		}
	}
	err = cmd.Wait()
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.Exited() {
		return nil, fmt.Errorf("child ended by itself: %w", err)
	}
	timer.Stop()
	return last, nil
}
