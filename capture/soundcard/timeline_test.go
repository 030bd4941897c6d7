package soundcard

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const (
	testRate  = 48000
	testBlock = testRate / blocksPerSecond
)

// fakeClock makes up the times at which a card's blocks come. It delivers in
// fragments of some blocks, with jitter, and its clock is ppm out.
type fakeClock struct {
	ppm      float64
	fragment int // blocks
	jitter   time.Duration
	latency  time.Duration
	rng      *rand.Rand
	frames   int64 // sampled so far, lost ones among them
	blocks   int   // delivered
	last     time.Duration
}

// sampled is when the card has sampled frame n.
func (c *fakeClock) sampled(n int64) time.Duration {
	return time.Duration(float64(n) / (testRate * (1 + c.ppm*1e-6)) * 1e9)
}

// block returns when the next block comes, but not before notBefore.
func (c *fakeClock) block(notBefore time.Duration) time.Duration {
	rest := c.fragment - 1 - c.blocks%c.fragment
	at := c.sampled(c.frames + int64((rest+1)*testBlock))
	at += c.latency + time.Duration(c.rng.Int64N(int64(c.jitter)+1))
	c.frames += testBlock
	c.blocks++
	c.last = max(at, c.last, notBefore)
	return c.last
}

// follow runs blocks that last d through line; each block that may go is
// passed to gone with the frames lost before it or before those held with it.
func follow(line *timeline, clock *fakeClock, d time.Duration, gone func(lost int64)) {
	for range int(d.Seconds() * blocksPerSecond) {
		if lost, ok := line.add(testBlock, clock.block(0)); ok {
			gone(lost)
		}
	}
}

func drawClock(t *rapid.T) *fakeClock {
	return &fakeClock{
		ppm:      rapid.Float64Range(-150, 150).Draw(t, "ppm"),
		fragment: rapid.IntRange(1, 3).Draw(t, "fragment"),
		jitter:   time.Duration(rapid.IntRange(0, 10).Draw(t, "jitter")) * time.Millisecond,
		rng:      rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "seed"))),
	}
}

func TestTimelineSteady(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		line, clock := newTimeline(testRate), drawClock(t)
		blocks := 0
		follow(line, clock, 20*time.Minute, func(lost int64) {
			blocks++
			if lost != 0 {
				t.Fatalf("%d frames lost at %v", lost, clock.last)
			}
		})
		if held := clock.blocks - blocks; held > 3*settleBlocks {
			t.Errorf("%d blocks held back", held)
		}
		if line.pos != clock.frames {
			t.Errorf("at %d, want %d", line.pos, clock.frames)
		}
	})
}

// A device or program that was held up delivers what waited in a burst.
func TestTimelineLate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		line, clock := newTimeline(testRate), drawClock(t)
		none := func(lost int64) {
			if lost != 0 {
				t.Fatalf("%d frames lost at %v", lost, clock.last)
			}
		}
		follow(line, clock, 30*time.Second, none)
		pause := time.Duration(rapid.IntRange(0, 20000).Draw(t, "pause")) * time.Millisecond
		if _, ok := line.add(testBlock, clock.block(clock.last+pause)); ok && pause > lateBlock+100*time.Millisecond {
			t.Fatal("not held back")
		}
		follow(line, clock, 30*time.Second, none)
		if line.pos != clock.frames {
			t.Errorf("at %d, want %d", line.pos, clock.frames)
		}
	})
}

// Frames that are lost silently are put down before the first block after them.
func TestTimelineSilentLoss(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		line, clock := newTimeline(testRate), drawClock(t)
		follow(line, clock, 30*time.Second, func(int64) {})
		before := clock.blocks
		missing := int64(rapid.IntRange(testRate*6/10, 30*testRate).Draw(t, "missing"))
		clock.frames += missing
		found := int64(0)
		follow(line, clock, 30*time.Second, func(lost int64) {
			if lost != 0 && (found != 0 || clock.blocks-before > 3*settleBlocks) {
				t.Fatalf("%d lost after %d blocks", lost, clock.blocks-before)
			}
			found += lost
		})
		out := line.duration(found - missing)
		if out.Abs() > clock.jitter+10*time.Millisecond {
			t.Errorf("loss is out by %v", out)
		}
	})
}

// A small loss is told from lateness by its lasting, and found within eight seconds.
func TestTimelineSmallLoss(t *testing.T) {
	for _, missing := range []int64{testRate * 12 / 100, testRate * 4 / 10} {
		line := newTimeline(testRate)
		clock := &fakeClock{ppm: 20, fragment: 1, jitter: 2 * time.Millisecond, rng: rand.New(rand.NewPCG(1, 2))}
		follow(line, clock, 30*time.Second, func(int64) {})
		before := clock.last
		clock.frames += missing
		found := int64(0)
		follow(line, clock, 30*time.Second, func(lost int64) {
			if lost != 0 && clock.last-before > 8*time.Second {
				t.Errorf("found after %v", clock.last-before)
			}
			found += lost
		})
		if out := line.duration(found - missing); out.Abs() > 5*time.Millisecond {
			t.Errorf("loss of %d is out by %v", missing, out)
		}
	}
}

// A machine that has too much to do is late for seconds on end: nothing is lost.
func TestTimelineOverloaded(t *testing.T) {
	for _, late := range []time.Duration{110 * time.Millisecond, 200 * time.Millisecond, 400 * time.Millisecond} {
		line := newTimeline(testRate)
		clock := &fakeClock{ppm: 20, fragment: 1, jitter: 2 * time.Millisecond, rng: rand.New(rand.NewPCG(1, 2))}
		none := func(lost int64) {
			if lost != 0 {
				t.Fatalf("late by %v: %d frames lost at %v", late, lost, clock.last)
			}
		}
		for range 3 {
			follow(line, clock, 30*time.Second, none)
			clock.latency = late
			follow(line, clock, 3*time.Second, none)
			clock.latency = 0
		}
		follow(line, clock, 30*time.Second, none)
		if line.pos != clock.frames {
			t.Errorf("late by %v: at %d, want %d", late, line.pos, clock.frames)
		}
	}
}

// An overflow that the sound system owns up to is a loss however short.
func TestTimelineOverflow(t *testing.T) {
	line := newTimeline(testRate)
	clock := &fakeClock{ppm: -30, fragment: 2, jitter: 2 * time.Millisecond, rng: rand.New(rand.NewPCG(1, 2))}
	follow(line, clock, 30*time.Second, func(int64) {})
	for _, missing := range []int64{0, 0, 0, 0, 480, 4800} {
		clock.frames += missing
		line.overflowed()
		found := int64(0)
		follow(line, clock, 10*time.Second, func(lost int64) { found += lost })
		if found < 1 {
			t.Errorf("%d frames missing: no loss", missing)
		}
		if out := line.duration(found - missing); out.Abs() > 5*time.Millisecond {
			t.Errorf("%d frames missing: out by %v", missing, out)
		}
	}
}

// A gap is as long as the clocks say, the sample clock's own rate included.
func TestTimelineReopened(t *testing.T) {
	for _, ppm := range []float64{-100, 0, 100} {
		line := newTimeline(testRate)
		clock := &fakeClock{ppm: ppm, fragment: 2, jitter: 3 * time.Millisecond, rng: rand.New(rand.NewPCG(1, 2))}
		follow(line, clock, 10*time.Second, func(int64) {})
		clock.latency = 50 * time.Millisecond // sound servers do this
		follow(line, clock, 10*time.Minute, func(int64) {})
		at := line.pos
		missing := int64(5 * 60 * testRate)
		clock.frames += missing
		line.restart(at)
		found := int64(0)
		follow(line, clock, 10*time.Second, func(lost int64) { found += lost })
		out := line.duration(found - missing)
		if out.Abs() > 5*time.Millisecond { // by the nominal rate it would be 30 ms
			t.Errorf("%v ppm: gap of 5 min is out by %v", ppm, out)
		}
	}
}

func TestTimelineStart(t *testing.T) {
	line := newTimeline(testRate)
	clock := &fakeClock{fragment: 1, rng: rand.New(rand.NewPCG(1, 2))}
	begin := 7 * time.Second
	for {
		if _, ok := line.add(testBlock, begin+clock.block(0)); ok {
			break
		}
	}
	if off := line.start - begin; math.Abs(off.Seconds()) > 1e-6 {
		t.Errorf("start is out by %v", off)
	}
}
