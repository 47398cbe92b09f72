//go:build unix

package embedded

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdfast/collector/store"
	"holdfast/collector/store/storetest"
)

// far is an instant at which everything that was measured is long over.
var far = time.UnixMilli(start + 100*365*dayMS)

// A tidied store keeps house after each append.
type tidied struct{ *Store }

func (s tidied) Append(ctx context.Context, b store.Batch) (store.Appended, error) {
	a, err := s.Store.Append(ctx, b)
	if err == nil {
		err = s.Tidy(context.WithoutCancel(ctx), far)
	}
	return a, err
}

// TestSuiteSealed runs the suites on stores that seal and merge whatever they are given
// at once, in files cut small, and that take every reading for a history.
func TestSuiteSealed(t *testing.T) {
	for name, o := range map[string]Options{
		"sealed":          {},
		"sealed in parts": {sealRows: 5},
		"bulk":            {bulkRows: 1, newRows: 1},
		"some bulk":       {bulkRows: 3, newRows: 2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := newFaulty(t)
			f.lazy = true
			storetest.Run(t, storetest.Options{Open: func(t *testing.T, dir string) storetest.Store {
				s := open(t, dir, f.options(o))
				if strings.HasPrefix(name, "sealed") {
					return tidied{s}
				}
				return s
			}})
		})
	}
}

// files lists the directory of sealed readings.
func files(t testing.TB, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(filepath.Join(dir, "readings"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		names = append(names, e.Name())
	}
	return names
}
