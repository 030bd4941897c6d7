package text

import (
	"fmt"

	"timeball/detect/longwave"
)

// Loop says what a tuned antenna is, by its name.
func Loop(name string, l longwave.Loop) string {
	return fmt.Sprintf("%s: quality %.1f ± %.1f, tuned to %.2f ± %.2f kHz (95 %%), where it delays by %.0f µs",
		name, l.Q, 1.96*l.QU, l.TunedHz/1e3, 1.96*l.TunedU/1e3, 1e6*l.Delay(l.TunedHz))
}
