package soundcard

import "golang.org/x/sys/unix"

const bootClock = unix.CLOCK_BOOTTIME // clock_gettime(2)
