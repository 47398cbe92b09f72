package stat

import (
	"errors"
	"math"
	"testing"
)

// Beetle mortality, C. I. Bliss (1935), in A. J. Dobson, An Introduction to Generalized
// Linear Models; logit recomputed with R 4.2.2, probit as Dobson prints it (from memory).
func TestBeetles(t *testing.T) {
	x := []float64{1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839}
	n := []float64{59, 60, 62, 56, 63, 59, 62, 60}
	k := []float64{6, 13, 18, 28, 52, 53, 61, 60}
	var doses []Dose
	for i := range x {
		doses = append(doses, Dose{x[i], n[i], k[i]})
	}
	f, err := FitDose(doses, Logit)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", f.Intercept, -60.7175, 5e-5)
	near(t, "slope", f.Slope, 34.2703, 5e-5)
	near(t, "se intercept", math.Sqrt(f.Cov[0][0]), 5.1807, 5e-5)
	near(t, "se slope", math.Sqrt(f.Cov[1][1]), 2.9121, 5e-5)
	near(t, "deviance", f.Deviance, 11.2322, 5e-5)
	near(t, "LD50", f.LD50(), 1.77172, 5e-6)
	if f, err = FitDose(doses, Probit); err != nil {
		t.Fatal(err)
	}
	near(t, "probit intercept", f.Intercept, -34.94, .006)
	near(t, "probit slope", f.Slope, 19.73, .006)
	near(t, "probit deviance", f.Deviance, 10.12, .006)
}

// O-ring incidents of 23 flights by joint temperature, deg F (data set SpaceShuttle of
// the R package vcd), recomputed with R 4.2.2.
func TestChallenger(t *testing.T) {
	temp := []float64{66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58}
	hurt := []float64{0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1}
	var doses []Dose
	for i := range temp {
		doses = append(doses, Dose{temp[i], 1, hurt[i]})
	}
	f, err := FitDose(doses, Logit)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", f.Intercept, 15.0429, 5e-5)
	near(t, "slope", f.Slope, -.232163, 5e-7)
	near(t, "se intercept", math.Sqrt(f.Cov[0][0]), 7.3786, 5e-5)
	near(t, "se slope", math.Sqrt(f.Cov[1][1]), .108236, 1e-6) // glm stops iterating earlier
	near(t, "deviance", f.Deviance, 20.3152, 5e-5)
	near(t, "P(31 F)", 1/(1+math.Exp(-f.Intercept-31*f.Slope)), .99961, 5e-6)
}

func TestDoseWithoutOverlap(t *testing.T) {
	for name, d := range map[string][]Dose{
		"nothing": nil, "one dose": {{1, 10, 5}}, "none respond": {{1, 10, 0}, {2, 10, 0}},
		"all respond": {{1, 10, 10}, {2, 10, 10}}, "separated": {{1, 10, 0}, {2, 10, 10}}, "no subjects": {{1, 0, 0}},
	} {
		for _, link := range []Link{Logit, Probit} {
			if f, err := FitDose(d, link); !errors.Is(err, ErrSeparated) {
				t.Errorf("%s: %+v, %v, want ErrSeparated", name, f, err)
			}
		}
	}
}

// Doubling every cluster's residual quadruples the dispersion; clusters of unlike
// information are worth fewer: (1+1+2)^2 / (1+1+4) = 8/3.
func TestClusterDispersion(t *testing.T) {
	for _, c := range []struct {
		name           string
		score, info    []float64
		want, clusters float64
	}{
		{"four", []float64{1, -1, 1, -1}, []float64{1, 1, 1, 1}, 4. / 3, 4},
		{"doubled", []float64{2, -2, 2, -2}, []float64{1, 1, 1, 1}, 16. / 3, 4},
		{"never below one", []float64{.1, .1}, []float64{1, 1}, 1, 2},
		{"unlike", []float64{2, 2, 2, 9}, []float64{1, 1, 2, 0}, 12. / 4 * (8. / 3) / (5. / 3), 8. / 3},
		{"none", nil, nil, 1, 0},
		{"one", []float64{7}, []float64{1}, 1, 1},
	} {
		d, n := ClusterDispersion(c.score, c.info)
		near(t, c.name, d, c.want, 1e-12)
		near(t, c.name+" clusters", n, c.clusters, 1e-12)
	}
}
