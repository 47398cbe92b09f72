package embedded

import (
	"testing"

	"holdfast/collector/store/storetest"
)

func TestSuite(t *testing.T) {
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
