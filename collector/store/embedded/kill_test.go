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
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// step is the batch with number n: two readings of one instant, the tally of its
// hour, now and then weather, and readings of a year ago.
func step(n int64) store.Batch {
	rs := visits(2, start+n*60_000, 1)
	if n%7 == 3 {
		rs = append(rs, visits(2, start-365*86_400_000+n*60_000, 1)...)
	}
	b := store.Batch{Readings: rs, Tallies: []reception.PackedTally{{
		TallyKey: reception.TallyKey{Series: rs[0].Series(), Regime: reception.Regime{Installation: "first"}, Hour: store.HourOf(rs[0].Time)},
		Version:  1, Body: fmt.Appendf(nil, "%d", n)}}}
	if n%5 == 2 {
		w := reception.NewWeather()
		w.Time, w.Source, w.TempC = start+n*60_000, "roof", float64(n)
		b.Weather = append(b.Weather, w)
	}
	return b
}

func rows(b store.Batch) int { return len(b.Readings) + len(b.Weather) }

// child appends steps from the first that is not stored, and says each number after
// it was acknowledged, until it is killed.
func child(dir string) error {
	ctx := context.Background()
	s, err := Open(ctx, dir, Options{ReserveBytes: -1})
	if err != nil {
		return err
	}
	n, err := stored(ctx, s)
	if err != nil {
		return err
	}
	fmt.Println(n - 1)
	for ; ; n++ {
		if a, err := s.Append(ctx, step(n)); err != nil || a.New != rows(step(n)) {
			return fmt.Errorf("step %d: %+v, %w", n, a, err)
		}
		if err := s.Put(ctx, reception.Entry{Kind: "step", Key: "n", Held: n, Known: 1}); err != nil {
			return err
		}
		fmt.Println(n)
	}
}

// stored returns how many steps the store holds, and an error if any is not whole.
func stored(ctx context.Context, s *Store) (int64, error) {
	count := map[int64]int{}
	for chunk, err := range s.Readings(ctx, store.Query{Span: store.Span{From: start - 2*365*86_400_000, To: 1 << 62}}) {
		if err != nil {
			return 0, err
		}
		for i := range chunk {
			n := (chunk[i].Time - start) / 60_000
			if chunk[i].Time < start {
				n = (chunk[i].Time - start + 365*86_400_000) / 60_000
			}
			count[n]++
		}
	}
	for w, err := range s.Weather(ctx, store.Always) {
		if err != nil {
			return 0, err
		}
		count[int64(w.TempC)]++
	}
	total := int64(len(count))
	for n := range total {
		if count[n] != rows(step(n)) {
			return 0, fmt.Errorf("step %d of %d has %d rows, want %d", n, total, count[n], rows(step(n)))
		}
	}
	return total, nil
}

// TestKill kills the writing process at moments that nobody chose, and looks for
// what it had acknowledged.
func TestKill(t *testing.T) {
	// Not in parallel: see TestKillSealing.
	dir := t.TempDir()
	acked := int64(-1)
	const rounds = 20
	for round := range rounds {
		last, err := runChild(t, dir, time.Duration(1+rand.IntN(60))*time.Millisecond)
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		acked = max(acked, last)
		s := open(t, dir, Options{})
		n, err := stored(t.Context(), s)
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if n-1 < acked || n-1 > acked+1 {
			t.Fatalf("round %d: steps to %d are stored, to %d were acknowledged", round, n-1, acked)
		}
		checkWhole(t, s)
		entries := 0
		for _, err := range s.History(t.Context(), "step") {
			if err != nil {
				t.Fatal(err)
			}
			entries++
		}
		if int64(entries) < acked+1 || int64(entries) > n {
			t.Fatalf("round %d: %d ledger entries, %d steps acknowledged, %d stored", round, entries, acked+1, n)
		}
		if n > 0 {
			tallies := map[int64]string{}
			for p, err := range s.Tallies(t.Context(), store.Query{}) {
				if err != nil {
					t.Fatal(err)
				}
				tallies[p.Hour] = string(p.Body)
			}
			if got := tallies[store.HourOf(start+(n-1)*60_000)]; got != fmt.Sprint(n-1) {
				t.Fatalf("round %d: last tally says %s, want %d", round, got, n-1)
			}
		}
		if int64(entries) < n { // killed between the two: make them agree for the next round
			if err := s.Put(t.Context(), reception.Entry{Kind: "step", Key: "n", Held: n - 1, Known: 1}); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		acked = n - 1
	}
	if acked < rounds {
		t.Errorf("only %d steps over %d rounds: the children hardly wrote", acked+1, rounds)
	}
	t.Logf("%d steps over %d rounds", acked+1, rounds)
}

// runChild starts a child, kills it `after` its first word, and returns the last step
// that it acknowledged.
func runChild(t *testing.T, dir string, after time.Duration) (last int64, err error) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	last = -1
	var timer *time.Timer
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if timer == nil {
			timer = time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
		if last, err = strconv.ParseInt(lines.Text(), 10, 64); err != nil {
			return 0, err
		}
	}
	err = cmd.Wait()
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.Exited() {
		return 0, fmt.Errorf("child ended by itself: %w", err)
	}
	timer.Stop()
	return last, nil
}

// checkWhole asks SQLite whether its file is sound, and whether the counts that are
// kept agree with the rows.
func checkWhole(t *testing.T, s *Store) {
	t.Helper()
	var word string
	if err := s.readers.QueryRowContext(t.Context(), "PRAGMA integrity_check").Scan(&word); err != nil || word != "ok" {
		t.Fatalf("integrity_check: %s, %v", word, err)
	}
	series, err := s.Series(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	rows := map[reception.Series]store.Stored{}
	for chunk, err := range s.Readings(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		for i := range chunk {
			r := &chunk[i]
			d, ok := rows[r.Series()]
			if !ok {
				d = store.Stored{Series: r.Series(), First: r.Time}
			}
			if ok && d.Last >= r.Time {
				t.Fatalf("readings of %+v do not ascend: %d after %d", d.Series, r.Time, d.Last)
			}
			d.Last = r.Time
			d.Count++
			rows[r.Series()] = d
		}
	}
	for _, d := range series {
		if got := rows[d.Series]; got != d {
			t.Fatalf("series is described as %+v, its rows say %+v", d, got)
		}
	}
	if len(rows) != len(series) {
		t.Fatalf("%d series have rows, %d are described", len(rows), len(series))
	}
	if lines := s.archive.troubles(); len(lines) > 0 {
		t.Fatalf("set aside: %q", lines)
	}
}

// TestLock has the directory held by another process, by this one, and by nobody
// after the holder was killed.
func TestLock(t *testing.T) {
	// Not in parallel: see TestKillSealing.
	dir := t.TempDir()
	refused := func(what string) {
		t.Helper()
		from := time.Now()
		s, err := Open(t.Context(), dir, Options{})
		if err == nil {
			s.Close()
			t.Fatalf("%s: a second open worked", what)
		}
		wantError(t, what, err, store.ErrInUse, dir)
		if d := time.Since(from); d > 5*time.Second {
			t.Errorf("%s: the refusal took %v", what, d)
		}
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	bufio.NewReader(out).ReadString('\n')
	refused("another process")
	cmd.Process.Kill()
	cmd.Wait()
	s := open(t, dir, Options{})
	refused("this process")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, dir, Options{}).Close()
}
