// Package likelihood is what the evaluators of a tick's likelihood, the linear one
// and that of the envelope, hand to the posterior.
package likelihood

// Peak is a maximum of the likelihood of one hypothesis, with Laplace's
// approximation about it: one place the earliest path's arrival may have.
type Peak struct {
	Lag  float64       // of the earliest path at the reference second, s after the flywheel's
	Rate float64       // by which the lag grows, s/s
	Cov  [2][2]float64 // of Lag and Rate
	// LogWeight is the logarithm of the likelihood integrated about the maximum, over
	// that of noise alone.
	LogWeight float64
	Excess    []float64 // of the further paths over the earliest, s
	Power     []float64 // mean power of each path, the earliest first, in units of noise
}
