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

// KeyedFault says why a generator's carrier tells nothing of a loop.
func KeyedFault(f longwave.KeyedFault) string {
	switch f {
	case longwave.NoKeyed:
		return "no carrier that is on and off stands out: is it keyed, and is the wire at the loop?"
	case longwave.KeyedClipped:
		return "the input is driven beyond its range: make the generator weaker, or move the wire away"
	case longwave.KeyedStation:
		return "the strongest carrier is a station's own: put the generator beside it, and make it stronger"
	case longwave.FewEdges:
		return fmt.Sprintf("too few edges: %d are needed, with a fiftieth of a second of rest before and after", longwave.KeyedEdges)
	}
	return "the edges do not die away as a resonance does: the antenna is not tuned, or the carrier is too far from its band or too weak"
}
