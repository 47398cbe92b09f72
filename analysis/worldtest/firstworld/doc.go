// Package firstworld is a simulated home: an invented house with one antenna, three
// masts in three directions, twelve channels and four tuners, its weather, its
// seasons, and one fault to be found. It feeds the demo and the simulated tuners.
//
// Everything is a function of the seed and the instant: any visit may be asked for
// by itself and in any order, so tuners polled from now on continue a past that was
// imported. Nothing here has a functional form in common with the estimators that
// it is meant to try: leaves grow in cohorts along raised cosines and act on one of
// two paths; wet leaves are a water store that dries at a rate and not by a
// constant share; the antenna's pattern is that of an aperture; 8-VSB breaks where
// Reed-Solomon runs out of corrections.
//
// All names are invented. Sizes are chosen to lie within published ranges, named
// where they are set; the tests check the ranges, not the constants.
package firstworld
