package soundcard

import (
	"math"
	"time"
)

const (
	// A block this late against the floor is either late or comes after a loss;
	// sound systems deliver two or three blocks at a time as a matter of course.
	lateBlock = 150 * time.Millisecond
	// A backlog is worked off once the lag has stopped falling, by more than
	// lagStep a block, for settleBlocks blocks.
	lagStep      = 5 * time.Millisecond
	settleBlocks = 10
	// A silent step of the floor beyond lossStep is a loss, once it has lasted for
	// overload: a machine that has too much to do may be late by as much for a
	// second or two on end. Beyond sureStep it is one at once. (A sound server's
	// own clock wanders by some 5 ms in a second after its start.)
	lossStep = 100 * time.Millisecond
	sureStep = 500 * time.Millisecond
	overload = 5 * time.Second
	// The floor is the least lag of the last floorBuckets runs of bucketBlocks
	// blocks: long enough to see through jitter, short enough to follow a
	// sample clock that is 100 ppm out.
	bucketBlocks = 20
	floorBuckets = 5
	// A sound server's latency wanders for some seconds after its start; only
	// then does the floor tell the rate of the sample clock, and over less than
	// rateSpan its jitter hides it.
	warmUp   = 30 * time.Second
	rateSpan = 5 * time.Minute
)

// timeline counts frames on the sample clock and tells frames that are lost
// from frames that are late, which sound systems do not: it compares the count
// with the computer's clock since boot, which a sleep of the machine does not stop:
// what it missed asleep is a loss, too.
//
// The lag of a block is the time at which it came minus the duration of all
// frames up to its end. A block that had to wait in a queue has a greater lag;
// the floor of all lags belongs to blocks that came straight from the converter.
// Late frames are followed by a burst that brings the lag back to the floor.
// Lost ones leave it raised, by the loss.
//
// Whenever the lag is not known to be at the floor (after opening the device,
// after a loss, when a block is late) the timeline is settling: the user holds
// the blocks back until it says how many frames were lost before the first of them.
type timeline struct {
	rate float64 // nominal frames a second
	pos  int64   // end of the last block on the sample clock, frames

	settling bool
	broken   bool // the frames being settled are known not to follow those before
	best     time.Duration
	since    int           // blocks since best last fell
	raised   time.Duration // since when the lag has been so, if it is; else zero

	floor   []time.Duration // least lag of each of the latest buckets
	bucket  time.Duration   // least lag of the bucket being filled
	filled  int             // blocks in it
	floorAt time.Duration   // when the floor was last renewed
	// The floor at the end of the warm-up: where the sample clock is slow, the
	// floor rises from there.
	first   time.Duration
	firstAt time.Duration

	start time.Duration // when frame 0 came
}

// newTimeline starts at position 0, settling.
func newTimeline(rate int) *timeline {
	return &timeline{rate: float64(rate), settling: true, best: math.MaxInt64, bucket: math.MaxInt64}
}

// restart begins to settle at position pos, from where on frames are lost.
func (t *timeline) restart(pos int64) {
	t.pos = pos
	t.settle()
	t.broken = true
}

// overflowed says that frames were lost before the next block.
func (t *timeline) overflowed() {
	if !t.settling {
		t.settle()
	}
	t.broken = true
}

func (t *timeline) settle() {
	t.settling, t.broken, t.best, t.since = true, false, math.MaxInt64, 0
}

// doubtful reports whether a step of the lag that is seen now may yet turn out
// to be lateness.
func (t *timeline) doubtful(step, now time.Duration) bool {
	switch {
	case step <= lossStep:
		t.raised = 0
	case t.raised == 0:
		t.raised = now
	}
	return step > lossStep && step <= sureStep && now-t.raised < overload
}

// add counts a block of n frames that was read at now, on any monotonic scale.
// If ok, this block and all that were held back may go, and lost is the number
// of frames lost before the first of them. Else the block is to be held back.
func (t *timeline) add(n int, now time.Duration) (lost int64, ok bool) {
	t.pos += int64(n)
	lag := now - t.duration(t.pos)
	if !t.settling && lag > t.least()+lateBlock {
		t.settle()
	}
	if !t.settling {
		return t.track(lag, now), true
	}
	if lag < t.best-lagStep {
		t.since = 0
	} else {
		t.since++
	}
	t.best = min(t.best, lag)
	if t.since < settleBlocks {
		return 0, false
	}
	if len(t.floor) == 0 { // the first frames: there is nothing to compare with
		t.start = t.best
	} else {
		step := t.best - t.expected(now)
		if !t.broken && t.doubtful(step, now) {
			return 0, false
		}
		switch {
		case t.broken:
			lost = max(1, t.frames(step))
		case step > lossStep:
			lost = t.frames(step)
		}
		t.pos += lost
		t.best -= t.duration(lost)
	}
	t.settling, t.broken, t.raised = false, false, 0
	t.floor = t.floor[:0]
	t.renew(t.best, now)
	return lost, true
}

// track follows the floor and returns the frames lost if it has stepped up.
func (t *timeline) track(lag, now time.Duration) (lost int64) {
	t.bucket = min(t.bucket, lag)
	t.filled++
	if t.filled < bucketBlocks {
		return 0
	}
	step := t.bucket - t.least()
	if t.doubtful(step, now) {
		t.bucket, t.filled = math.MaxInt64, 0
		return 0
	}
	if step > lossStep {
		lost = t.frames(step)
		t.pos += lost
		t.bucket -= t.duration(lost)
		t.raised = 0
	}
	t.renew(t.bucket, now)
	return lost
}

// renew takes lag as the latest bucket's and begins a new one.
func (t *timeline) renew(lag, now time.Duration) {
	t.bucket, t.filled = math.MaxInt64, 0
	if len(t.floor) == floorBuckets {
		t.floor = append(t.floor[:0], t.floor[1:]...)
	}
	t.floor = append(t.floor, lag)
	t.floorAt = now
	if t.firstAt-t.start < warmUp {
		t.first, t.firstAt = t.least(), now
	}
}

// least is the floor.
func (t *timeline) least() time.Duration {
	low := t.floor[0]
	for _, l := range t.floor[1:] {
		low = min(low, l)
	}
	return low
}

// expected is the floor at now, led on at the measured rate of the sample clock.
func (t *timeline) expected(now time.Duration) time.Duration {
	low := t.least()
	if span := t.floorAt - t.firstAt; span >= rateSpan {
		slope := float64(low-t.first) / float64(span)
		low += time.Duration(slope * float64(now-t.floorAt))
	}
	return low
}

func (t *timeline) duration(frames int64) time.Duration {
	return time.Duration(math.Round(float64(frames) / t.rate * 1e9))
}

func (t *timeline) frames(d time.Duration) int64 {
	return int64(math.Round(d.Seconds() * t.rate))
}
