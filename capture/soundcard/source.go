// Package soundcard captures from a sound card or sound server.
//
// It alone needs cgo and PortAudio. Without cgo it builds all the same, and
// says so when it is asked for an input.
//
// Sound systems lose frames without a word, stop without an error, and put one
// input in another's place. So one goroutine reads the device all the time, at
// the pace of the device, and hands the frames to the reader through a queue of
// fixed memory; each read is held against the clock since boot (see timeline);
// a device that fails or whose frames cannot be trusted is closed and opened
// again by its name until it comes back.
package soundcard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"timeball/capture"
)

const (
	blocksPerSecond = 20
	queueSeconds    = 10
	// Bits is the resolution of the samples delivered. It holds those of 16-bit
	// and 24-bit converters unchanged, and so does a recording of as many bits.
	Bits = 24

	stallAfter = time.Second // without a block: the device has stalled
	// hungAfter is how long a device that has stalled is waited for. One that goes on
	// within it, as that of a server that was only busy, has lost nothing. (From memory:
	// servers that come back do so within seconds.)
	hungAfter = 15 * time.Second
	// A sound server takes two seconds to deliver its first frames, and settling
	// half a second more, on a machine that is not busy.
	startWithin = 10 * time.Second
	closeWithin = 2 * time.Second

	firstBackOff = 250 * time.Millisecond
	lastBackOff  = 2 * time.Second
)

// Settings say what to capture and how.
type Settings struct {
	// Device is an input's number, its name, or a part of its name that no
	// other has; empty means the system's default input.
	Device string
	// Rate and Channels must be the card's own: see Input.Converts.
	Rate     int // frames a second, Hz
	Channels int
	// Report is told when the input stops delivering frames, goes on, or has
	// lost some. It is called from one goroutine at a time, not the reader's, and
	// must not block. It may be nil.
	Report func(Event)
}

// Event is a change in the state of an input.
type Event struct {
	Delivering bool        // frames are coming
	Gap        capture.Gap // frames that were lost, now that their number is known; else zero
	Message    string      // for people: one line
}

// stream is an opened device. read fills the buffer that it was opened with.
type stream interface {
	// read says whether frames were lost before those that it read.
	read() (overflowed bool, err error)
	close()
}

// opener opens a device to read into samples, frame by frame, channels interleaved.
type opener func(samples []int32) (stream, error)

// chunk is a block on its way through the queue.
type chunk struct {
	position int64
	lost     int64
	inexact  bool
	samples  []int32
}

// Source is an opened input: a capture.Source that ends when it is closed.
type Source struct {
	info     capture.Info
	blockLen int // frames
	open     opener
	report   func(Event)

	queue  chan *chunk   // to Read
	free   chan *chunk   // back from Read
	ready  chan error    // the first frames have settled, or never will
	done   chan struct{} // closed by Close
	ended  chan struct{} // closed when the capture goroutine has ended
	closed sync.Once

	mu     sync.Mutex
	silent bool // the last event said that no frames are coming

	// The rest belongs to the capture goroutine.
	clock   func() time.Duration
	begun   time.Time     // zero of line's scale, by the calendar
	zero    time.Duration // and by clock
	line    *timeline
	running bool     // frames have settled before
	held    []*chunk // not yet in the queue
	next    int64    // position of the first frame that is neither in the queue nor beyond it
	missed  int64    // frames lost since the last chunk in held or the queue
	inexact bool     // missed is an estimate
}

// Open opens an input and waits until its first frames have come. Info().Start
// is the time of the first frame by the computer's clock; it is late by what the
// sound system takes to deliver a frame, some tens of milliseconds.
//
// ctx ends the waiting, not the capture: the caller must call Close.
func Open(ctx context.Context, set Settings) (*Source, error) {
	if set.Rate <= 0 || set.Channels <= 0 {
		panic(fmt.Sprintf("soundcard: %d channels at %d Hz", set.Channels, set.Rate))
	}
	name, open, err := device(set)
	if err != nil {
		return nil, err
	}
	return start(ctx, name, open, sinceBoot, set)
}

// start begins to capture from the device that open opens. Blocks are held against
// clock, which goes on while the machine sleeps.
func start(ctx context.Context, name string, open opener, clock func() time.Duration, set Settings) (*Source, error) {
	blocks := queueSeconds * blocksPerSecond
	s := &Source{
		info: capture.Info{
			Name: name, Rate: set.Rate, Channels: set.Channels, Bits: Bits, Frames: -1,
		},
		blockLen: max(1, set.Rate/blocksPerSecond),
		open:     open,
		report:   set.Report,
		queue:    make(chan *chunk, blocks),
		free:     make(chan *chunk, blocks),
		ready:    make(chan error, 1),
		done:     make(chan struct{}),
		ended:    make(chan struct{}),
		line:     newTimeline(set.Rate),
		clock:    clock,
		begun:    time.Now(),
		zero:     clock(),
	}
	for range blocks {
		s.free <- &chunk{samples: make([]int32, s.blockLen*set.Channels)}
	}
	go s.run()
	select {
	case err := <-s.ready:
		if err != nil {
			return nil, fmt.Errorf("sound input %q: %w", name, err)
		}
		return s, nil
	case <-ctx.Done():
		s.Close()
		return nil, ctx.Err()
	case <-time.After(startWithin):
		s.Close()
		return nil, fmt.Errorf("sound input %q: no frames within %v: is it in use, muted at the server or unplugged?", name, startWithin)
	}
}

// Info describes the input.
func (s *Source) Info() capture.Info { return s.info }

// Read waits for the next block. It returns io.EOF once Close was called and
// what was captured before has been read.
func (s *Source) Read(b *capture.Block) error {
	var c *chunk
	select {
	case c = <-s.queue:
	case <-s.done:
		// What is in hand is still to come, unless the device hangs.
		select {
		case c = <-s.queue:
		case <-time.After(closeWithin):
		}
	}
	if c == nil {
		return io.EOF
	}
	b.Position, b.Lost, b.Inexact = c.position, c.lost, c.inexact
	channels := s.info.Channels
	b.Resize(channels, s.blockLen)
	for ch, out := range b.Channels {
		for i := range out {
			out[i] = float32(c.samples[i*channels+ch]>>(32-Bits)) / (1 << (Bits - 1))
		}
	}
	s.free <- c
	return nil
}

// Close stops capturing. A device that hangs is left behind, with an error.
func (s *Source) Close() error {
	s.closed.Do(func() { close(s.done) })
	select {
	case <-s.ended:
		return nil
	case <-time.After(closeWithin):
		return fmt.Errorf("sound input %q does not answer: left behind", s.info.Name)
	}
}

// errClosed ends a session when Close was called.
var errClosed = errors.New("closed")

// run opens the device again and again until Close is called.
func (s *Source) run() {
	defer close(s.ended)
	defer close(s.queue)
	backOff := firstBackOff
	said := ""
	for {
		before := s.next
		err := s.session()
		if err == errClosed {
			return
		}
		if !s.running {
			s.ready <- err
			return
		}
		if s.next > before {
			backOff, said = firstBackOff, ""
		}
		if msg := err.Error(); msg != said {
			said = msg
			s.tell(Event{Message: fmt.Sprintf("sound input %q: %s; trying to open it again", s.info.Name, msg)})
		}
		select {
		case <-time.After(backOff):
		case <-s.done:
			return
		}
		backOff = min(2*backOff, lastBackOff)
	}
}

// session opens the device and queues its frames until something goes wrong.
func (s *Source) session() error {
	buf := make([]int32, s.blockLen*s.info.Channels)
	dev, err := s.open(buf)
	if err != nil {
		return err
	}
	r := newReads(dev)
	defer r.end()
	defer s.drop()
	if s.running {
		s.line.restart(s.next)
	}
	patience := startWithin
	for {
		overflowed, err := r.next(patience, s.stalled)
		now := s.clock() - s.zero
		select {
		case <-s.done:
			return errClosed
		default:
		}
		if err != nil {
			return err
		}
		patience = stallAfter
		if overflowed {
			s.line.overflowed()
		}
		expected := s.line.broken
		lost, ok := s.line.add(s.blockLen, now)
		s.hold(buf)
		if !ok {
			continue
		}
		if lost > 0 && !expected {
			// A sound server moves a stream to another source when its own goes
			// away, with no more sign of it than this.
			return fmt.Errorf("%.1f s were lost without an error, and it may be another source now", s.line.duration(lost).Seconds())
		}
		s.release(lost)
	}
}

// reads are those of a stream, by a goroutine of their own: a read from a device whose
// server has died may never return. The stream is then left to it.
type reads struct {
	asked  chan struct{}
	got    chan read
	closed chan struct{} // closed with the stream
	timer  *time.Timer
	hung   bool
}

// read is what came of one.
type read struct {
	overflowed bool
	err        error
}

func newReads(dev stream) *reads {
	r := &reads{make(chan struct{}), make(chan read, 1), make(chan struct{}), time.NewTimer(0), false}
	go func() {
		defer close(r.closed)
		defer dev.close()
		for range r.asked {
			overflowed, err := dev.read()
			r.got <- read{overflowed, err}
		}
	}()
	return r
}

// next is the next read. It calls stalled when that takes longer than patience, and
// gives up hungAfter later.
func (r *reads) next(patience time.Duration, stalled func()) (overflowed bool, err error) {
	r.asked <- struct{}{}
	r.timer.Reset(patience)
	select {
	case got := <-r.got:
		return got.overflowed, got.err
	case <-r.timer.C:
		stalled()
	}
	r.timer.Reset(hungAfter)
	select {
	case got := <-r.got:
		return got.overflowed, got.err
	case <-r.timer.C:
		r.hung = true
		return false, errors.New("it hangs")
	}
}

// end closes the stream, unless it hangs: then that waits for the read to return.
func (r *reads) end() {
	r.timer.Stop()
	close(r.asked)
	if !r.hung {
		<-r.closed
	}
}

// hold puts a block into a free chunk and keeps it back.
func (s *Source) hold(samples []int32) {
	select {
	case c := <-s.free:
		copy(c.samples, samples)
		c.lost, c.inexact = s.missed, s.inexact
		s.missed, s.inexact = 0, false
		s.held = append(s.held, c)
	default: // the reader is ten seconds behind
		s.missed += int64(s.blockLen)
	}
}

// release queues what is held, the first of it after lost frames.
func (s *Source) release(lost int64) {
	if lost > 0 {
		if len(s.held) > 0 {
			s.held[0].lost += lost
			s.held[0].inexact = true
		} else {
			s.missed += lost
			s.inexact = true
		}
	}
	if !s.running {
		s.running = true
		s.info.Start = s.begun.Add(s.line.start).Round(0).UTC()
		s.ready <- nil
	}
	for _, c := range s.held {
		gap := capture.Gap{At: s.next, Lost: c.lost, Inexact: c.inexact}
		c.position = s.next + c.lost
		s.next = c.position + int64(s.blockLen)
		s.queue <- c
		if gap.Lost > 0 {
			s.tell(Event{Delivering: true, Gap: gap, Message: s.describe(gap)})
		}
	}
	s.held = s.held[:0]
	s.mu.Lock()
	silent := s.silent
	s.mu.Unlock()
	if silent {
		s.tell(Event{Delivering: true, Message: fmt.Sprintf("sound input %q: frames are coming again; none was lost", s.info.Name)})
	}
}

// drop gives back what is held when a session ends: the next one puts it down as lost.
func (s *Source) drop() {
	for _, c := range s.held {
		s.free <- c
	}
	s.held = s.held[:0]
	s.missed, s.inexact = 0, false
}

func (s *Source) describe(g capture.Gap) string {
	what := fmt.Sprintf("%d frames lost", g.Lost)
	if g.Inexact {
		what = fmt.Sprintf("about %.2f s lost", float64(g.Lost)/float64(s.info.Rate))
	}
	return fmt.Sprintf("sound input %q: %s at %.1f s", s.info.Name, what, float64(g.At)/float64(s.info.Rate))
}

// stalled tells that no frames are coming though the device says nothing.
func (s *Source) stalled() {
	s.tell(Event{Message: fmt.Sprintf("sound input %q: no frames for %v", s.info.Name, stallAfter)})
}

// tell passes an event on.
func (s *Source) tell(e Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.silent = !e.Delivering
	if s.report != nil {
		s.report(e)
	}
}
