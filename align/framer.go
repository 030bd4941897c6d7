package align

import "timeball/capture"

// stepsPerSecond is how often a measurement goes on.
const stepsPerSecond = 20

// framer passes frames on in lengths of its own, at fixed places of the sample
// clock, so that the result does not depend in the last digit on how they came.
type framer struct {
	step     int64       // frames
	position int64       // after the newest frame
	held     [][]float32 // frames before position, not yet passed on
}

func newFramer(info capture.Info) *framer {
	return &framer{step: int64(info.Rate / stepsPerSecond), held: make([][]float32, info.Channels)}
}

// process takes a block. It calls pass with runs of frames, and step after each
// that ends at a fixed place.
func (f *framer) process(b *capture.Block, pass func(position int64, channels [][]float32), step func()) {
	if b.Position != f.position {
		f.flush(pass)
		f.position = b.Position
	}
	run := make([][]float32, len(b.Channels))
	for from := 0; from < b.Len(); {
		n := min(b.Len()-from, int(f.step-f.position%f.step))
		whole := len(f.held[0]) == 0 && int64(n) == f.step
		for i, x := range b.Channels {
			run[i] = x[from : from+n]
			if !whole {
				f.held[i] = append(f.held[i], run[i]...)
			}
		}
		from += n
		f.position += int64(n)
		if f.position%f.step != 0 {
			continue
		}
		if whole {
			pass(f.position-f.step, run)
		} else {
			f.flush(pass)
		}
		step()
	}
}

func (f *framer) flush(pass func(position int64, channels [][]float32)) {
	if n := int64(len(f.held[0])); n > 0 {
		pass(f.position-n, f.held)
	}
	for i := range f.held {
		f.held[i] = f.held[i][:0]
	}
}
