package stability

import "math"

// Floor is the deviation that white measurement noise of standard deviation u
// (s) in each phase sample gives by itself at averaging factor m: what lies on
// it says nothing of the clock. Second differences of independent samples have
// the variance 6 u², third differences 20 u²; MDEV and TDEV average m samples
// first.
func Floor(kind Kind, u, tau0 float64, m int) float64 {
	tau := float64(m) * tau0
	switch kind {
	case MDEV:
		return math.Sqrt(3/float64(m)) * u / tau
	case TDEV:
		return u / math.Sqrt(float64(m))
	case HDEV, OHDEV:
		return math.Sqrt(20.0/6) * u / tau
	default:
		return math.Sqrt(3) * u / tau
	}
}
