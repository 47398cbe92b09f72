package intake

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The median of sorted numbers is the middle one, or the mean of the two in the middle.
func TestMedian(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		of := make([]int64, 1+random.IntN(12))
		for i := range of {
			of[i] = 60 + random.Int64N(4)
		}
		sorted := slices.Sorted(slices.Values(of))
		want := sorted[len(of)/2]
		if len(of)%2 == 0 {
			want = (want + sorted[len(of)/2-1]) / 2
		}
		if got := median(slices.Clone(of)); got != want {
			t.Fatalf("median(%d) = %d, want %d", of, got, want)
		}
	}
}
