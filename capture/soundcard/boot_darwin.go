package soundcard

import "golang.org/x/sys/unix"

// Unlike CLOCK_UPTIME_RAW it goes on asleep: clock_gettime(3), from memory.
const bootClock = unix.CLOCK_MONOTONIC_RAW
