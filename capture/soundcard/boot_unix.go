//go:build linux || darwin

package soundcard

import (
	"time"

	"golang.org/x/sys/unix"
)

// sinceBoot is the time since the machine was started, asleep or awake. The runtime's
// own monotonic clock stands still while it sleeps.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(bootClock, &t); err != nil {
		panic(err) // the clock exists on every system that Go supports
	}
	return time.Duration(t.Nano())
}
