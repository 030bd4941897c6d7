//go:build !linux && !darwin

package soundcard

import "time"

var started = time.Now()

// sinceBoot is the best there is here: the monotonic clock. It may stand still while
// the machine sleeps.
func sinceBoot() time.Duration { return time.Since(started) }
