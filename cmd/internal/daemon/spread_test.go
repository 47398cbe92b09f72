package daemon

import (
	"sync/atomic"
	"testing"
)

func TestSpread(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, 2, 1000} {
		did := make([]atomic.Int32, n)
		spread(n, func(i int) { did[i].Add(1) })
		for i := range did {
			if got := did[i].Load(); got != 1 {
				t.Errorf("of %d, number %d was done %d times", n, i, got)
			}
		}
	}
	defer func() {
		if r := recover(); r != "no" {
			t.Errorf("the caller got %v, want the panic of what was done", r)
		}
	}()
	spread(50, func(i int) {
		if i == 30 {
			panic("no")
		}
	})
}
