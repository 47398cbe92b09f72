package stat

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Fit is a least-squares regression.
type Fit struct {
	Coef, SE []float64 // in the order of the columns
	S        float64   // residual standard deviation
	R2       float64   // about the mean of y
	DF       int       // rows less columns
}

// ErrSingular says that the columns of a regression do not determine its coefficients.
var ErrSingular = errors.New("stat: columns are linearly dependent")

// LeastSquares regresses y on columns by Householder QR, each column first scaled to
// length one. An intercept is a column of ones.
//
// columns hold len(y) values each, without NaN; lengths that differ panic. More columns
// than rows, or columns that depend on each other to 13 digits, give ErrSingular. The
// standard errors take residuals as independent.
//
// Accuracy: 11 digits of the coefficients on NIST StRD Norris, 7 on Longley.
//
// Source: A. Bjoerck, Numerical Methods for Least Squares Problems (1996), sec. 2.4, by
// gonum's mat.QR.
func LeastSquares(columns [][]float64, y []float64) (Fit, error) {
	n, k := len(y), len(columns)
	if k == 0 || n < k {
		return Fit{}, ErrSingular
	}
	x := mat.NewDense(n, k, nil)
	norm := make([]float64, k)
	for j, c := range columns {
		if len(c) != n {
			panic(fmt.Sprintf("stat: LeastSquares: column %d has %d rows, y has %d", j, len(c), n))
		}
		for _, v := range c {
			norm[j] = math.Hypot(norm[j], v)
		}
		if norm[j] == 0 {
			return Fit{}, ErrSingular
		}
		for i, v := range c {
			x.Set(i, j, v/norm[j])
		}
	}
	var qr mat.QR
	qr.Factorize(x)
	var r mat.Dense
	qr.RTo(&r)
	lead, least := 0.0, math.Inf(1)
	for j := range k {
		d := math.Abs(r.At(j, j))
		lead, least = math.Max(lead, d), math.Min(least, d)
	}
	if !(least > 1e-13*lead) {
		return Fit{}, ErrSingular
	}
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, mat.NewVecDense(n, y)); err != nil {
		return Fit{}, ErrSingular
	}
	f := Fit{Coef: make([]float64, k), SE: make([]float64, k), DF: n - k}
	var rss float64
	for i := range y {
		e := y[i]
		for j := range k {
			e -= x.At(i, j) * b.AtVec(j)
		}
		rss += e * e
	}
	if f.DF > 0 {
		f.S = math.Sqrt(rss / float64(f.DF))
	} else {
		f.S = math.Inf(1)
	}
	if tss := sumSquares(y, Mean(y)); tss > 0 {
		f.R2 = 1 - rss/tss
	}
	tri := mat.NewTriDense(k, mat.Upper, nil)
	for i := range k {
		for j := i; j < k; j++ {
			tri.SetTri(i, j, r.At(i, j))
		}
	}
	var inv mat.TriDense
	if err := inv.InverseTri(tri); err != nil {
		return Fit{}, ErrSingular
	}
	for j := range k {
		f.Coef[j] = b.AtVec(j) / norm[j]
		var v float64
		for c := j; c < k; c++ {
			v = math.Hypot(v, inv.At(j, c))
		}
		f.SE[j] = f.S * v / norm[j]
	}
	return f, nil
}
