package embedded

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"holdfast/collector/store"
	"holdfast/collector/store/storetest"
)

func TestSuite(t *testing.T) {
	t.Parallel()
	storetest.Run(t, storetest.Options{Open: func(t *testing.T, dir string) storetest.Store {
		return open(t, dir, Options{})
	}})
}

// open opens a store without a ballast file, which most tests do not need.
func open(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	if o.ReserveBytes == 0 {
		o.ReserveBytes = -1
	}
	s, err := Open(t.Context(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// wantError checks what an error is and that it names what it speaks of.
func wantError(t *testing.T, what string, err, is error, names ...string) {
	t.Helper()
	if err == nil || is != nil && !errors.Is(err, is) {
		t.Fatalf("%s: got error %v, want %v", what, err, is)
	}
	for _, n := range names {
		if !strings.Contains(err.Error(), n) {
			t.Errorf("%s: error %q does not name %q", what, err, n)
		}
	}
}

func TestDirectoryIsPrivate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "store")
	open(t, dir, Options{}).Close()
	st, err := os.Stat(dir)
	if err != nil {
		t.Fatal(err)
	}
	if st.Mode().Perm() != 0o700 {
		t.Errorf("directory has mode %o, want 700", st.Mode().Perm())
	}
}

func TestDirectoryWithOddName(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a b?c#d%20é&x=1")
	open(t, dir, Options{}).Close()
	if _, err := os.Stat(filepath.Join(dir, "holdfast.db")); err != nil {
		t.Error(err)
	}
}

func TestNewerStoreIsNotTouched(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	if err := s.w.exec(t.Context(), `INSERT INTO migration VALUES (?, 0)`, len(migrations)+1); err != nil {
		t.Fatal(err)
	}
	s.Close()
	file := filepath.Join(dir, "holdfast.db")
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(t.Context(), dir, Options{})
	wantError(t, "open", err, store.ErrNewer, dir)
	after, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(before) != string(after) {
		t.Error("a refused store was changed")
	}
}

func TestDamaged(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "holdfast.db"), []byte(strings.Repeat("not a database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), dir, Options{})
	wantError(t, "garbage", err, nil, dir, "damaged", "backup")
	// The lock was let go: the second refusal has the same reason.
	_, err = Open(t.Context(), dir, Options{})
	wantError(t, "garbage again", err, nil, "damaged")

	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Open(t.Context(), file, Options{})
	wantError(t, "a file in its place", err, nil, file)
}

// TestPackedDays: what packs comes back, and no damaged day is taken for a good one
// or crashes.
func TestPackedDays(t *testing.T) {
	var of []hourTally
	for h := int64(0); h < hoursADay; h += 5 {
		of = append(of, hourTally{h, h - 7, []byte(strings.Repeat("x", int(h*h)))})
	}
	packed := packDay(of)
	got, err := unpackDay(packed)
	if err != nil || len(got) != len(of) {
		t.Fatalf("unpackDay = %v, %v", got, err)
	}
	for i := range of {
		if got[i].hour != of[i].hour || got[i].version != of[i].version || string(got[i].body) != string(of[i].body) {
			t.Errorf("tally %d: got %+v, want %+v", i, got[i], of[i])
		}
	}
	if packed[0] != zstdForm {
		t.Errorf("a day of bodies that repeat themselves has form %d", packed[0])
	}
	noise := make([]byte, 40)
	rand.NewChaCha8([32]byte{}).Read(noise)
	if p := packDay([]hourTally{{3, 1, noise}}); p[0] != plainForm {
		t.Errorf("a body of noise has form %d", p[0])
	}
	for _, b := range [][]byte{nil, {0}, {2}, {3}, {plainForm, 24, 0, 0}, {plainForm, 3, 0}, {plainForm, 3, 0, 5, 1}, {plainForm, 3, 0, 0, 3, 0, 0},
		packed[:len(packed)-1], {zstdForm, 1, 2, 3}, bomb(t)} {
		if got, err := unpackDay(b); err == nil {
			t.Errorf("unpackDay(%v) = %v, want an error", b, got)
		}
	}
}

// bomb is a small day that would unpack to twice what it may.
func bomb(t *testing.T) []byte {
	e, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	return e.EncodeAll(make([]byte, 2*maxDayBytes), []byte{zstdForm})
}

// FuzzUnpackDay: whatever is unpacked packs again, and unpacks to the same.
func FuzzUnpackDay(f *testing.F) {
	f.Add([]byte{plainForm})
	f.Add([]byte{plainForm, 3, 2, 2, 'a', 'b', 23, 2, 0})
	f.Add([]byte{plainForm, 3, 0x80})
	f.Add(packDay([]hourTally{{3, 2, []byte(strings.Repeat("ab", 40))}, {4, -2, nil}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		of, err := unpackDay(b)
		if err != nil {
			return
		}
		again, err := unpackDay(packDay(of))
		if err != nil || !slices.EqualFunc(again, of, func(x, y hourTally) bool {
			return x.hour == y.hour && x.version == y.version && bytes.Equal(x.body, y.body)
		}) {
			t.Fatalf("%v unpacks to %v, that packs to %v, %v", b, of, packDay(of), err)
		}
	})
}

// TestFloatsKeepTheirBits on values that lie near a decimal of three places.
func TestFloatsKeepTheirBits(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		v := rapid.Float64().Draw(rt, "v")
		if rapid.Bool().Draw(rt, "decimal") {
			v = float64(rapid.Int64Range(-1<<33, 1<<33).Draw(rt, "thousandths")) / 1000
		}
		for range rapid.IntRange(0, 2).Draw(rt, "next") {
			v = math.Nextafter(v, 1e9)
		}
		if got := unpackFloat(packFloat(v)); math.Float64bits(got) != math.Float64bits(v) {
			rt.Fatalf("%v comes back as %v", v, got)
		}
	})
	for v, want := range map[float64]any{20.1: int64(20100), -61.25: int64(-61250), 0: int64(0), 1e300: 1e300} {
		if got := packFloat(v); got != want {
			t.Errorf("packFloat(%v) = %v (%T), want %v", v, got, got, want)
		}
	}
}
