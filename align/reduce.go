package align

import (
	"slices"
	"sync/atomic"

	"timeball/capture"
	"timeball/detect/audio"
	"timeball/detect/longwave"
	"timeball/detect/marker"
)

// Reduced is what a block comes to for an Attempt. It may be used again and again.
type Reduced struct {
	block  capture.Block // without its frames
	frames int           // in the block
	end    int64         // position after it
	runs   []run         // in its block or held from those before
	low    [][]float32   // samples of the runs, by channel
	whole  [][]float32   // frames of the runs, by channel
}

// Len is the number of frames in the block.
func (r *Reduced) Len() int { return r.frames }

// run is what consecutive frames come to.
type run struct {
	position, frames int64               // of the first frame, and how many there are
	low              []audio.Low         // by channel
	pulses           [][]marker.Pulse    // by channel
	whole            [][]float32         // by channel, where carriers may be sampled themselves
	step             bool                // measuring goes on after it
	assessed         []marker.Assessment // of all channels, when the roles are to be asked
}

// roles are what the channels carry.
type roles struct{ receiver, marker int }

// reducer does all that is done to every frame: each channel's stream and detector.
type reducer struct {
	rate      float64
	frames    *framer
	streams   []*audio.Stream       // nil: not needed any more
	detectors []*marker.Detector    // likewise
	asked     float64               // seconds at which the roles were last asked
	roles     atomic.Pointer[roles] // once they are known
	whole     bool                  // frames are passed on, too
}

func newReducer(info capture.Info, streams []*audio.Stream, detectors []*marker.Detector) *reducer {
	return &reducer{
		rate: float64(info.Rate), frames: newFramer(info), streams: slices.Clone(streams), detectors: slices.Clone(detectors),
		whole: info.Rate >= longwave.DirectRate,
	}
}

// Reduce makes r of b. Blocks are reduced in their order, and then measured in it:
// by one goroutine, or by two of which one is ahead of the other.
func (a *Attempt) Reduce(b *capture.Block, r *Reduced) {
	f := a.reducer
	channels := len(b.Channels)
	if r.low == nil {
		r.low, r.whole = make([][]float32, channels), make([][]float32, channels)
	}
	for i := range channels {
		r.low[i], r.whole[i] = r.low[i][:0], r.whole[i][:0]
	}
	r.block, r.frames, r.runs = *b, b.Len(), r.runs[:0]
	r.block.Channels = nil
	f.frames.process(b, func(position int64, x [][]float32) { f.take(r, position, x) }, func() { f.step(r) })
	r.end = f.frames.position
}

// Ahead is how many seconds of a source may be reduced before they are measured: with all
// their frames less, for they take memory.
func (a *Attempt) Ahead() int {
	if a.reducer.whole {
		return 1
	}
	return reducedAhead
}

// reducedAhead, s, is as long as is reduced while the seconds are fitted once; a second
// takes 32 kB.
const reducedAhead = 20

// take reduces frames.
func (f *reducer) take(r *Reduced, position int64, channels [][]float32) {
	if known := f.roles.Load(); known != nil {
		for i := range channels {
			if i != known.receiver {
				f.streams[i], r.low[i], r.whole[i] = nil, nil, nil
			}
			if i != known.marker {
				f.detectors[i] = nil
			}
		}
	}
	n := len(r.runs)
	r.runs = slices.Grow(r.runs, 1)[:n+1]
	at := &r.runs[n]
	*at = run{position: position, frames: int64(len(channels[0])), low: at.low, pulses: at.pulses, whole: at.whole}
	if at.low == nil {
		at.low, at.pulses, at.whole = make([]audio.Low, len(channels)), make([][]marker.Pulse, len(channels)), make([][]float32, len(channels))
	}
	for i, x := range channels {
		at.low[i], at.whole[i], at.pulses[i] = audio.Low{}, nil, nil
		if f.streams[i] != nil {
			r.low[i], at.low[i] = f.streams[i].Reduce(r.low[i], position, x)
			if f.whole {
				had := len(r.whole[i])
				r.whole[i] = append(r.whole[i], x...)
				at.whole[i] = r.whole[i][had:]
			}
		}
		if f.detectors[i] != nil {
			at.pulses[i] = f.detectors[i].Process(position, x)
		}
	}
}

// step marks a place where measuring goes on.
func (f *reducer) step(r *Reduced) {
	at := &r.runs[len(r.runs)-1]
	at.step = true
	s := float64(f.frames.position) / f.rate
	if f.roles.Load() != nil || s < decideAfter || s < f.asked+1 {
		return
	}
	f.asked = s
	for _, d := range f.detectors {
		at.assessed = append(at.assessed, d.Assess())
	}
}
