package audio

import "sync"

// reducer decimates frames, perhaps before they are asked for and in another
// goroutine than they are.
type reducer struct {
	work  sync.Mutex // held while decimating
	dec   *decimator
	fresh []float32

	mu     sync.Mutex
	frames int64 // position after the last frame taken
	runs   []run // not yet asked for, oldest first
}

// run is consecutive samples, the first of which has index first.
type run struct {
	first   int64
	samples []float32
}

// take decimates the frames x at position.
func (r *reducer) take(position int64, x []float32) {
	r.work.Lock()
	defer r.work.Unlock()
	if position != r.taken() {
		r.dec.restart(position)
	}
	first := r.dec.next
	r.fresh = r.dec.process(r.fresh[:0], position, x)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.frames = position + int64(len(x))
	if n := len(r.runs); n > 0 && r.runs[n-1].first+int64(len(r.runs[n-1].samples)) == first {
		r.runs[n-1].samples = append(r.runs[n-1].samples, r.fresh...)
	} else if len(r.fresh) > 0 {
		r.runs = append(r.runs, run{first, append([]float32(nil), r.fresh...)})
	}
}

// upTo passes to put the samples that the frames up to x at position complete,
// and decimates these frames unless that has been done. It returns the index
// after the last sample that they complete.
func (r *reducer) upTo(position int64, x []float32, put func(run)) int64 {
	frames := position + int64(len(x))
	if r.taken() < frames {
		r.take(position, x)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	end := r.dec.complete(frames)
	for len(r.runs) > 0 && r.runs[0].first < end {
		a := &r.runs[0]
		n := int(min(int64(len(a.samples)), end-a.first))
		put(run{a.first, a.samples[:n]})
		if n == len(a.samples) && len(r.runs) > 1 {
			r.runs = r.runs[:copy(r.runs, r.runs[1:])]
			continue
		}
		a.samples = a.samples[:copy(a.samples, a.samples[n:])]
		a.first += int64(n)
		break
	}
	return end
}

// taken is the position after the last frame taken.
func (r *reducer) taken() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.frames
}
