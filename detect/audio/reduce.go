package audio

import "sync"

// reducer decimates frames, perhaps before they are asked for and in another
// goroutine than they are.
type reducer struct {
	work  sync.Mutex // held while decimating
	dec   *decimator
	fresh []float32

	mu      sync.Mutex
	frames  int64     // taken so far, lost ones included
	samples []float32 // not yet asked for, oldest first
	first   int64     // index of samples[0]
}

// take decimates the frames x at position, and silence for those lost before.
func (r *reducer) take(position int64, x []float32) {
	r.work.Lock()
	defer r.work.Unlock()
	r.fresh = r.fresh[:0]
	for gap := position - r.taken(); gap > 0; {
		silence := make([]float32, min(gap, 1<<16))
		r.fresh = r.dec.process(r.fresh, silence)
		gap -= int64(len(silence))
	}
	r.fresh = r.dec.process(r.fresh, x)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.samples = append(r.samples, r.fresh...)
	r.frames = position + int64(len(x))
}

// upTo appends to dst the samples that the frames up to x at position complete,
// and decimates these frames unless that has been done.
func (r *reducer) upTo(dst []float32, position int64, x []float32) []float32 {
	if r.taken() < position+int64(len(x)) {
		r.take(position, x)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	n := int(r.dec.complete(position+int64(len(x))) - r.first)
	dst = append(dst, r.samples[:n]...)
	r.samples = r.samples[:copy(r.samples, r.samples[n:])]
	r.first += int64(n)
	return dst
}

// taken is the position after the last frame taken.
func (r *reducer) taken() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.frames
}
