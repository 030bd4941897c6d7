package align

import (
	"io"
	"math"
	"os"
	"runtime"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
)

// loop is a recording of any length made of one simulated minute, over and over.
// Its sample clock is true, so that the pulses and ticks of one minute follow
// those of the minute before. What gaps lists is lost.
type loop struct {
	info   capture.Info
	minute [][]float32
	next   int64 // position of the next frame
	end    int64
	gaps   []capture.Gap
	blocks int // frames in a block
}

const loopOffset = 0.0123 // of the loop's clock, s

// newLoop returns a loop of the given length, s, at 8 kHz.
func newLoop(t testing.TB, seconds float64, gaps ...capture.Gap) *loop {
	set := plain(t, 1)
	set.Seconds, set.Programme, set.SoundCard.ClockPPM = 60, simulate.MarksOnly, 0
	set.Receiver.Detector, set.Paths = simulate.Linear, over(0)
	set.Marker.OffsetSeconds, set.Marker.CouplingHz = loopOffset, 0
	src, err := simulate.New(set)
	if err != nil {
		t.Fatal(err)
	}
	l := &loop{info: src.Info(), minute: make([][]float32, 2), end: int64(seconds * 8000), gaps: gaps, blocks: 16000}
	l.info.Frames, l.info.Start = -1, set.Start
	var b capture.Block
	for src.Read(&b) == nil {
		for i, x := range b.Channels {
			l.minute[i] = append(l.minute[i], x...)
		}
	}
	return l
}

func (l *loop) Info() capture.Info { return l.info }

func (l *loop) Read(b *capture.Block) error {
	b.Lost, b.Inexact = 0, false
	if len(l.gaps) > 0 && l.gaps[0].At == l.next {
		b.Lost, b.Inexact = l.gaps[0].Lost, l.gaps[0].Inexact
		l.next += b.Lost
		l.gaps = l.gaps[1:]
	}
	at := l.next % int64(len(l.minute[0]))
	to := min(at+int64(l.blocks), int64(len(l.minute[0])), at+l.end-l.next)
	if len(l.gaps) > 0 {
		to = min(to, at+l.gaps[0].At-l.next)
	}
	if to <= at {
		return io.EOF
	}
	b.Position = l.next
	b.Channels = [][]float32{l.minute[0][at:to], l.minute[1][at:to]}
	l.next += to - at
	return nil
}

// heap is what the program holds now, bytes.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// checkLoop fails unless f is that of a loop.
func checkLoop(t *testing.T, f Fix) {
	t.Helper()
	if f.Offset == nil {
		t.Fatalf("%s: %s", f.Verdict, f.Reason)
	}
	e := wrap(*f.Offset - loopOffset)
	t.Logf("off by %.2f µs, u %.2f µs, rate %.2g ± %.2g, %d pulses", e*1e6, *f.U*1e6, f.Rate.Y, f.Rate.U, f.Marker.Pulses)
	if math.Abs(e) > 3**f.U || math.IsNaN(*f.U) || *f.U > 20e-6 || len(f.Marker.Steps) != 0 {
		t.Errorf("off by %v s, u = %v s, steps %v", e, *f.U, f.Marker.Steps)
	}
}

// long is the length a test takes: short unless TIMEBALL_LONG is set (make long).
func long(usual, whole int64) int64 {
	if os.Getenv("TIMEBALL_LONG") != "" {
		return whole
	}
	return usual
}

// A recording of half a day outlasts all that is remembered of a marker; one of three
// hours the two and a half of them that are kept pulse by pulse.
func TestHalfADay(t *testing.T) {
	src := newLoop(t, float64(long(3, 12)*3600))
	before := heap()
	a, err := NewAttempt(src.Info(), wwvAtHome(t))
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) == nil {
		a.Process(&b)
	}
	checkLoop(t, a.Fix())
	if held := int64(heap()-before) >> 20; held > 64 {
		t.Errorf("it holds %d MiB", held)
	}
	runtime.KeepAlive(a)
}

// A live session goes on after a night's gap, longer than all that is remembered.
func TestLiveAfterANight(t *testing.T) {
	at, lost := long(100, 300), int64(60_000) // s
	src := newLoop(t, float64(2*at+lost), capture.Gap{At: at * 8000, Lost: lost * 8000})
	src.blocks = 2000 // as those of a sound card are short
	before := heap()
	a, err := NewAttempt(src.Info(), wwvAtHome(t))
	if err != nil {
		t.Fatal(err)
	}
	live := NewLive(a)
	var b capture.Block
	for src.Read(&b) == nil {
		s, ok := live.Process(&b)
		if ok && s.Offset != nil && math.Abs(wrap(*s.Offset-loopOffset)) > 4**s.U {
			t.Errorf("%.0f s: off by %v s, u = %v s", s.T, wrap(*s.Offset-loopOffset), *s.U)
		}
	}
	checkLoop(t, live.Fix())
	if held := int64(heap()-before) >> 20; held > 64 {
		t.Errorf("it holds %d MiB", held)
	}
	runtime.KeepAlive(live)
}

// A day of which ten minutes an hour were recorded, with losses every ten seconds,
// is measured in bounded memory.
func TestManyGaps(t *testing.T) {
	day := long(3, 24) * 3600
	var gaps []capture.Gap
	for at := int64(60); at < day-3600; at += 3600 {
		for k := range int64(60) {
			gaps = append(gaps, capture.Gap{At: (at + 10*k) * 8000, Lost: 3000})
		}
		gaps = append(gaps, capture.Gap{At: (at + 600) * 8000, Lost: 2990 * 8000})
	}
	src := newLoop(t, float64(day), gaps...)
	before := heap()
	a, err := NewAttempt(src.Info(), wwvAtHome(t))
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) == nil {
		a.Process(&b)
	}
	f := a.Fix()
	if held := int64(heap()-before) >> 20; held > 64 {
		t.Errorf("it holds %d MiB", held)
	}
	if len(f.Recording.Gaps) != len(gaps) {
		t.Errorf("%d of %d gaps", len(f.Recording.Gaps), len(gaps))
	}
	runtime.KeepAlive(a)
}
