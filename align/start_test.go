package align

import (
	"testing"
	"time"
)

// A start that contradicts the broadcast is said, one that is roughly right is not.
func TestStartContradicted(t *testing.T) {
	t.Parallel()
	for _, late := range []time.Duration{20 * time.Second, -3 * time.Hour} {
		config, s := clearly(t, "wwv", 0, 0)
		config.Seconds = 240
		f := measured(t, config, s, late)
		var told []StartContradicted
		for _, n := range f.Notices {
			if c, ok := n.(StartContradicted); ok {
				told = append(told, c)
			}
		}
		byCode := len(told) > 0 && told[len(told)-1].Broadcast && told[len(told)-1].Told.Sub(config.Start).Abs() < time.Second
		if wrong := late < -time.Minute; wrong != byCode {
			t.Errorf("start %v off: %+v, UTC %+v", late, told, f.UTC)
		}
	}
}
