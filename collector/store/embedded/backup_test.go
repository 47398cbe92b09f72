//go:build unix

package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// filled is a store with some steps, and a note in its ledger.
func filled(t *testing.T, steps int64, o Options) (*Store, string) {
	t.Helper()
	dir := t.TempDir()
	s := open(t, dir, o)
	t.Cleanup(func() { s.Close() })
	for n := range steps {
		if _, err := s.Append(t.Context(), step(n)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Put(t.Context(), reception.Entry{Kind: "note", Key: "k", Held: 1, Known: 1, Body: []byte("body")}); err != nil {
		t.Fatal(err)
	}
	return s, dir
}

// TestBackupUnderLoad takes backups while readings come in: each is whole, opens, and
// holds a prefix of what was acknowledged, up to the moment of the call at least.
func TestBackupUnderLoad(t *testing.T) {
	t.Parallel()
	t.Run("hot", func(t *testing.T) { t.Parallel(); backupUnderLoad(t, 0) })
	t.Run("while days are sealed and months merged", func(t *testing.T) { t.Parallel(); backupUnderLoad(t, 7) })
}

// backupUnderLoad has the store tidied after every so many steps.
func backupUnderLoad(t *testing.T, tidy int64) {
	f := newFaulty(t)
	f.lazy = true
	s, _ := filled(t, 300, f.options(Options{copyPages: 16}))
	checkpointOften(t, s)
	acked := atomic.Int64{}
	acked.Store(300)
	ctx, stop := context.WithCancel(t.Context())
	ended, appended := make(chan error, 1), make(chan struct{})
	go func() {
		for ctx.Err() == nil {
			if _, err := s.Append(t.Context(), step(acked.Load())); err != nil {
				ended <- err
				return
			}
			n := acked.Add(1)
			select {
			case appended <- struct{}{}:
			default:
			}
			if tidy > 0 && n%tidy == 0 {
				if err := s.Tidy(t.Context(), far); err != nil {
					ended <- err
					return
				}
			}
		}
		ended <- nil
	}()
	for i := range 3 {
		before := acked.Load()
		to := filepath.Join(t.TempDir(), "backup")
		var last, total int64
		got, err := s.Backup(t.Context(), to, func(done, of int64) {
			if done < last || done > of {
				t.Errorf("progress went from %d to %d of %d", last, done, of)
			}
			last, total = done, of
			for range 2 { // let the home go on between the steps
				select {
				case err := <-ended:
					t.Fatal(err)
				case <-appended:
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		after := acked.Load()
		if after == before {
			t.Error("nothing was appended during the backup")
		}
		if last != total || got.Bytes != total || got.Files < 1 || got.Linked != got.Files-1 || tidy == 0 && got.Files != 1 || tidy > 0 && i > 0 && got.Files == 1 {
			t.Errorf("backup %d copied %+v; progress ended at %d of %d", i, got, last, total)
		}
		dir := filepath.Join(t.TempDir(), "data")
		if _, err := Restore(t.Context(), to, dir, RestoreOptions{}); err != nil {
			t.Fatal(err)
		}
		r := open(t, dir, Options{})
		n, err := stored(t.Context(), r)
		if err != nil || n < before || n > after+1 {
			t.Errorf("backup %d holds %d steps; %d were acknowledged before it, %d after: %v", i, n, before, after, err)
		}
		checkWhole(t, r)
		if a, err := r.Append(t.Context(), step(n)); err != nil || a.New != rows(step(n)) {
			t.Errorf("a restored store does not go on: %+v, %v", a, err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

// TestRestoreIsTheSame: everything that the contracts give is as it was.
func TestRestoreIsTheSame(t *testing.T) {
	t.Parallel()
	s, _ := filled(t, 50, Options{})
	to, dir := filepath.Join(t.TempDir(), "b"), filepath.Join(t.TempDir(), "new", "data")
	if _, err := s.Backup(t.Context(), to, nil); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]os.FileMode{to: 0o700, filepath.Join(to, databaseName): 0o600} {
		if st, err := os.Stat(path); err != nil || st.Mode().Perm() != want {
			t.Errorf("%s has mode %v, want %v: %v", path, st.Mode().Perm(), want, err)
		}
	}
	if _, err := Restore(t.Context(), to, dir, RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, Options{})
	defer r.Close()
	say := func(s *Store) string {
		var b strings.Builder
		for chunk, err := range s.Readings(t.Context(), store.Query{}) {
			fmt.Fprintln(&b, chunk, err)
		}
		for w, err := range s.Weather(t.Context(), store.Always) {
			fmt.Fprintln(&b, w, err)
		}
		for e, err := range s.History(t.Context(), "note") {
			fmt.Fprintln(&b, e, err)
		}
		dirty, err := s.Dirty(t.Context(), 1000)
		fmt.Fprintln(&b, dirty, err)
		series, err := s.Series(t.Context())
		fmt.Fprintln(&b, series, err)
		seq, err := s.Seq(t.Context())
		ledger, err2 := s.LedgerSeq(t.Context())
		fmt.Fprintln(&b, seq, err, ledger, err2)
		b.WriteString(strings.Join(tallyLines(t, s), "\n"))
		return b.String()
	}
	if got, want := say(r), say(s); got != want {
		t.Errorf("restored:\n%s\nwant\n%s", got, want)
	}
}

// TestSealedFilesComeAlong: files of sealed readings are in a backup and back in a
// restored store, every byte of them checked.
func TestSealedFilesComeAlong(t *testing.T) {
	t.Parallel()
	f := newFaulty(t)
	f.lazy = true
	s, dir := filled(t, 50, f.options(Options{}))
	if err := s.Tidy(t.Context(), far); err != nil {
		t.Fatal(err)
	}
	names := files(t, dir)
	if len(names) < 2 {
		t.Fatalf("only %v are sealed", names)
	}
	all := count(t, s)
	tmp := t.TempDir()
	good := filepath.Join(tmp, "good")
	got, err := s.Backup(t.Context(), good, nil)
	if err != nil || got.Files != 1+len(names) || got.Linked != len(names) || len(got.Faults) > 0 {
		t.Fatalf("Backup = %+v, %v, want %d files, all but one linked", got, err, 1+len(names))
	}
	restore := func(name, from string, o RestoreOptions) (Copied, string, error) {
		to := filepath.Join(tmp, "restored "+name)
		got, err := Restore(t.Context(), from, to, o)
		return got, to, err
	}
	got, back, err := restore("whole", good, RestoreOptions{})
	if err != nil || got.Files != 1+len(names) || got.Linked != 0 {
		t.Fatalf("Restore = %+v, %v, want %d files copied", got, err, 1+len(names))
	}
	for _, name := range names {
		want, err := os.ReadFile(filepath.Join(dir, readingsName, name))
		b, err2 := os.ReadFile(filepath.Join(back, readingsName, name))
		if err != nil || err2 != nil || string(b) != string(want) {
			t.Errorf("restored %s differs: %v, %v", name, err, err2)
		}
	}
	r := open(t, back, Options{})
	defer r.Close()
	if n, err := stored(t.Context(), r); err != nil || n != 50 {
		t.Errorf("%d steps restored, want 50: %v", n, err)
	}
	flip := func(at int) func([]byte) []byte {
		return func(b []byte) []byte { b[(at+len(b))%len(b)] ^= 1; return b }
	}
	for _, c := range []struct {
		name  string
		spoil func([]byte) []byte // nil: the file is gone
		words string
	}{
		{"shorter", func(b []byte) []byte { return b[:len(b)-1] }, "should have"},
		{"gone", nil, "no such file"},
		{"a bit in a group", flip(30), "checksum"},
		{"a bit in the end", flip(-40), ""},
	} {
		bad := filepath.Join(tmp, "bad "+c.name)
		if err := os.CopyFS(bad, os.DirFS(good)); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(bad, readingsName, names[0])
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		if c.spoil != nil {
			if err := os.WriteFile(path, c.spoil(b), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		_, to, err := restore(c.name, bad, RestoreOptions{})
		wantError(t, c.name, err, nil, names[0], c.words, "--partial")
		nothingLeft(t, to)
		got, to, err := restore(c.name+" in part", bad, RestoreOptions{Partial: true})
		if err != nil || len(got.Faults) != 1 || !strings.Contains(got.Faults[0], names[0]) {
			t.Errorf("%s: partial Restore = %+v, %v, want one fault that names %s", c.name, got, err, names[0])
			continue
		}
		r := open(t, to, Options{})
		if n := count(t, r); n <= 0 || n >= all {
			t.Errorf("%s: %d of %d readings can be read", c.name, n, all)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}

	// A home that has lost a file can be backed up all the same, and says so.
	if err := os.Remove(filepath.Join(dir, readingsName, names[0])); err != nil {
		t.Fatal(err)
	}
	got, err = s.Backup(t.Context(), filepath.Join(tmp, "lost"), nil)
	if err != nil || got.Files != len(names) || len(got.Faults) != 1 || !strings.Contains(got.Faults[0], names[0]) {
		t.Errorf("Backup of a home that lost a file = %+v, %v, want %d files and one fault", got, err, len(names))
	}
}

// nothingLeft sees that a folder holds no store and no part of one.
func nothingLeft(t *testing.T, dir string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() && d.Name() != "lock" {
			t.Errorf("%s is left", path)
		}
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// TestBackupRefuses says in one line what stands in the way, and leaves nothing.
func TestBackupRefuses(t *testing.T) {
	t.Parallel()
	s, dir := filled(t, 20, Options{})
	tmp := t.TempDir()
	_, err := s.Backup(t.Context(), dir, nil)
	wantError(t, "to the data folder", err, nil, dir, "not empty")
	file := filepath.Join(tmp, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = s.Backup(t.Context(), file, nil)
	wantError(t, "to a file", err, nil, file)
	_, err = s.Backup(t.Context(), filepath.Join(file, "below"), nil)
	wantError(t, "below a file", err, nil, file)

	ctx, cancel := context.WithCancel(t.Context())
	to := filepath.Join(tmp, "cancelled")
	if _, err = s.Backup(ctx, to, func(int64, int64) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled backup: %v", err)
	}
	nothingLeft(t, to)

	s.free = func(string) (uint64, error) { return 4096, nil }
	to = filepath.Join(tmp, "full")
	_, err = s.Backup(t.Context(), to, nil)
	wantError(t, "no room", err, store.ErrFull, to, "0 MiB are free")
	nothingLeft(t, to)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err = s.Backup(t.Context(), to, nil); !errors.Is(err, store.ErrClosed) {
		t.Errorf("backup after close: %v", err)
	}
}

func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	s, dir := filled(t, 20, Options{})
	tmp := t.TempDir()
	good := filepath.Join(tmp, "good")
	if _, err := s.Backup(t.Context(), good, nil); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(filepath.Join(good, databaseName))
	if err != nil {
		t.Fatal(err)
	}
	spoilt := func(name string, spoil func(path string)) string {
		t.Helper()
		to := filepath.Join(tmp, name)
		if err := os.CopyFS(to, os.DirFS(good)); err != nil {
			t.Fatal(err)
		}
		spoil(to)
		return to
	}
	onDB := func(query string, args ...any) func(string) {
		return func(path string) {
			onFile(t, path, func(db *sql.DB) {
				if _, err := db.Exec(query, args...); err != nil {
					t.Fatal(err)
				}
			})
		}
	}
	full := func(string) (uint64, error) { return 4096, nil }
	for _, c := range []struct {
		name, from, to string
		free           func(string) (uint64, error)
		is             error
		words          []string
	}{
		{"no backup", tmp, "", nil, nil, []string{"no backup", databaseName}},
		{"cut short", spoilt("short", func(p string) {
			os.Rename(filepath.Join(p, databaseName), filepath.Join(p, databaseName+unfinished))
		}), "", nil, nil, []string{"not whole"}},
		{"newer", spoilt("newer", onDB(`INSERT INTO migration VALUES (?, 0)`, len(migrations)+1)), "", nil, store.ErrNewer, []string{"install the newer"}},
		{"no database", spoilt("none", func(p string) {
			os.WriteFile(filepath.Join(p, databaseName), []byte(strings.Repeat("not a database ", 1000)), 0o600)
		}), "", nil, nil, []string{"cannot be read"}},
		{"damaged", spoilt("damaged", func(p string) {
			b := slices.Clone(before)
			for i := 4096; i < len(b); i += 97 {
				b[i] ^= 0xff
			}
			os.WriteFile(filepath.Join(p, databaseName), b, 0o600)
		}), "", nil, nil, []string{"database"}},
		{"a file from elsewhere", spoilt("elsewhere", onDB(`INSERT INTO segment (file, month, rows, bytes, crc32c, merged) VALUES ('../x', 0, 0, 1, 0, 0)`)), "",
			nil, nil, []string{"../x"}},
		{"a running daemon", good, dir, nil, store.ErrInUse, []string{dir}},
		{"from a running daemon", dir, "", nil, store.ErrInUse, []string{"holdfast backup"}},
		{"a home is there", good, good, nil, nil, []string{"home is there", databaseName}},
		{"no room", good, "", full, store.ErrFull, []string{"0 MiB are free", "free space"}},
	} {
		to := c.to
		if to == "" {
			to = filepath.Join(t.TempDir(), "data")
		}
		_, err := Restore(t.Context(), c.from, to, RestoreOptions{free: c.free})
		wantError(t, c.name, err, c.is, append(c.words, c.from)...)
		if strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: more than one line: %q", c.name, err)
		}
		if c.to == "" {
			nothingLeft(t, to)
		}
	}
	after, err := os.ReadFile(filepath.Join(good, databaseName))
	if err != nil || string(after) != string(before) {
		t.Errorf("restores changed the backup: %v", err)
	}
}

// TestRestoreAgain: what a killed restore left does not stand in the way, and neither do
// the lock and the reserve of the store that was moved away.
func TestRestoreAgain(t *testing.T) {
	t.Parallel()
	s, _ := filled(t, 3, Options{})
	good := filepath.Join(t.TempDir(), "good")
	if _, err := s.Backup(t.Context(), good, nil); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, readingsName), 0o700); err != nil {
		t.Fatal(err)
	}
	left := []string{databaseName + unfinished, databaseName + unfinished + "-wal", filepath.Join(readingsName, ".2026-01.000001.parquet"+unfinished)}
	for _, name := range append(left, "reserve", "sessions.json", "lock") {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("left"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Restore(t.Context(), good, dir, RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, name := range left {
		if _, err := os.Stat(filepath.Join(dir, name)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there: %v", name, err)
		}
	}
	r := open(t, dir, Options{})
	defer r.Close()
	if n, err := stored(t.Context(), r); err != nil || n != 3 {
		t.Errorf("%d steps restored, want 3: %v", n, err)
	}
}

// TestCopiedByHand: a folder that was copied after a crash, its log beside the database,
// is as good as a backup.
func TestCopiedByHand(t *testing.T) {
	t.Parallel()
	_, dir := filled(t, 10, Options{})
	from := t.TempDir()
	for _, name := range []string{databaseName, databaseName + "-wal"} {
		copyFile(t, filepath.Join(dir, name), filepath.Join(from, name))
	}
	if st, err := os.Stat(filepath.Join(from, databaseName+"-wal")); err != nil || st.Size() == 0 {
		t.Fatalf("there is no log to speak of: %v", err)
	}
	to := filepath.Join(t.TempDir(), "data")
	if _, err := Restore(t.Context(), from, to, RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	r := open(t, to, Options{})
	defer r.Close()
	if n, err := stored(t.Context(), r); err != nil || n != 10 {
		t.Errorf("%d steps restored, want 10: %v", n, err)
	}
}

func TestPins(t *testing.T) {
	t.Parallel()
	p := pins{remove: os.Remove}
	path := filepath.Join(t.TempDir(), "f")
	there := func(want bool) {
		t.Helper()
		if _, err := os.Stat(path); (err == nil) != want {
			t.Errorf("the file is there: %v, want %v", err == nil, want)
		}
	}
	make := func() {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	make()
	must(p.unlink(path))
	there(false)
	make()
	one, two := p.hold(), p.hold()
	must(p.unlink(path))
	must(one())
	must(one())
	there(true)
	must(two())
	there(false)
	must(p.unlink(path)) // gone already
	if err := p.unlink(filepath.Dir(path) + "/."); !errors.Is(err, syscall.EINVAL) {
		t.Errorf("unlinking what cannot be: %v", err)
	}
}
