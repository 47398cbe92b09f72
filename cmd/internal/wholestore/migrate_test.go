package wholestore

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// A store that the first program wrote has, once it is taken up, the tallies that an
// import of its readings makes today.
func TestOldStoreIsTakenUp(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	old := t.TempDir()
	f, err := os.Open("../../../collector/store/embedded/testdata/version-1/holdfast.db.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	db, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(old, "holdfast.db"), db, 0o600); err != nil {
		t.Fatal(err)
	}
	taken := openIn(t, old)
	got := taken.finish(ctx)

	fresh := open(t)
	for _, kind := range []string{reception.KindScale, reception.KindTuner, reception.KindInstallation} {
		for e, err := range taken.store.History(ctx, kind) {
			fresh.must(err)
			fresh.must(fresh.store.Put(ctx, e))
		}
	}
	fresh.must(fresh.in.Rebuild(ctx))
	var all []reception.Reading
	for chunk, err := range taken.store.Readings(ctx, store.Query{}) {
		taken.must(err)
		all = append(all, chunk...)
	}
	_, err = fresh.in.Import(ctx, rows(all), nil)
	fresh.must(err)
	want := fresh.finish(ctx)
	if len(got) != len(want) || len(want) < 150 {
		t.Fatalf("%d tallies, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i].Version != tally.Version || got[i].TallyKey != want[i].TallyKey || !bytes.Equal(got[i].Body, want[i].Body) {
			t.Fatalf("tally %d of version %d, %+v, differs from that of an import, %+v", i, got[i].Version, got[i].TallyKey, want[i].TallyKey)
		}
	}
}
