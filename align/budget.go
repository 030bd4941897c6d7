package align

import "math"

// combine returns the combined standard uncertainty of uncorrelated lines and
// its effective degrees of freedom by the Welch–Satterthwaite formula (JCGM
// 100:2008, equations 11a and G.2b); +Inf when every line is known exactly.
func combine(lines []BudgetLine) (u, dof float64) {
	sum, fourth := 0.0, 0.0
	for _, l := range lines {
		sum += l.U * l.U
		if l.DoF != nil {
			fourth += l.U * l.U * l.U * l.U / *l.DoF
		}
	}
	if fourth == 0 {
		return math.Sqrt(sum), math.Inf(1)
	}
	return math.Sqrt(sum), sum * sum / fourth
}

// Quantity is a value with its uncertainty.
type Quantity struct {
	Value float64
	U     float64 // standard uncertainty
	Known Remark  // how it came to be known
}
