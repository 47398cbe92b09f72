package stat

import "fmt"

// Isotonic returns the non-decreasing sequence nearest to y in weighted least squares,
// by pooling adjacent violators.
//
// y and w have equal length; w >= 0, and values of weight 0 take that of the block
// before them (of the first weighted block, at the start). For a non-increasing fit turn
// y round. Time is linear.
//
// Source: M. Ayer, H. D. Brunk, G. M. Ewing, W. T. Reid, E. Silverman, Ann. Math. Stat.
// 26 (1955) 641-647.
func Isotonic(y, w []float64) []float64 {
	if len(y) != len(w) {
		panic(fmt.Sprintf("stat: Isotonic: %d values, %d weights", len(y), len(w)))
	}
	type block struct {
		mean, weight float64
		n            int
	}
	blocks := make([]block, 0, len(y))
	lead := 0
	for i := range y {
		switch {
		case w[i] < 0:
			panic(fmt.Sprintf("stat: Isotonic: weight %g", w[i]))
		case w[i] == 0 && len(blocks) == 0:
			lead++
			continue
		case w[i] == 0:
			blocks[len(blocks)-1].n++
			continue
		}
		blocks = append(blocks, block{y[i], w[i], 1})
		for k := len(blocks) - 1; k > 0 && blocks[k-1].mean >= blocks[k].mean; k-- {
			a, b := blocks[k-1], blocks[k]
			sum := a.weight + b.weight
			blocks[k-1] = block{(a.mean*a.weight + b.mean*b.weight) / sum, sum, a.n + b.n}
			blocks = blocks[:k]
		}
	}
	out := make([]float64, 0, len(y))
	for k, b := range blocks {
		if k == 0 {
			b.n += lead
		}
		for range b.n {
			out = append(out, b.mean)
		}
	}
	return append(out, make([]float64, len(y)-len(out))...) // all weights 0: zeros
}
