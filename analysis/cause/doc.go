// Package cause names the likely cause of a dropout from who fell with it, how, and in
// what weather.
//
// Every cause is a hypothesis about one vector: what the C/N, the level and the errors
// of all channels did at the time, against what each usually does at that hour. A cause
// predicts the vector up to a size in dB and up to which mast, channel or tuner it
// struck; size and place are integrated out, so that a cause that could explain
// anything is believed less than one that predicted this. What comes out is weighed by
// how often the cause occurs in such weather, season and hour (a Bayes factor times a
// rate; Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773-795, from memory). One more
// hypothesis, unknown, predicts nothing in particular.
//
// The rates of rates.go are priors for a home with a rooftop antenna: ours, from common
// practice, no published source. Probabilities are flattened by one exponent, fitted on
// simulated homes (temperature scaling; Guo et al., Proc. ICML 2017, from memory), and
// end at 0.95: only the user can confirm.
//
// Rain on the path is no cause below 1 GHz: 50 mm/h takes 0.0011 dB/km at 1 GHz (ITU-R
// P.838-3).
package cause
