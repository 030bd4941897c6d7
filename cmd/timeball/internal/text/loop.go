package text

import (
	"fmt"

	"timeball/detect/longwave"
)

// Loop says what a tuned antenna is.
func Loop(l longwave.Loop) string {
	return fmt.Sprintf("loop quality %.1f ± %.1f, tuned to %.2f ± %.2f kHz (95 %%), where it delays by %.0f µs: give --loop-q %.3g",
		l.Q, 1.96*l.QU, l.TunedHz/1e3, 1.96*l.TunedU/1e3, 1e6*l.Delay(l.TunedHz), l.Q)
}
