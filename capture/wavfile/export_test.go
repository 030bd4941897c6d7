package wavfile

// SetMaxRIFF makes w turn into RF64 beyond so many bytes instead of 4 GiB.
func (w *Writer) SetMaxRIFF(bytes int64) { w.riffMax = bytes }

// Skip passes over frames, none of them lost, without reading them.
func (r *Reader) Skip(frames int64) error {
	n := frames * int64(r.format.frameBytes())
	r.next += frames
	r.left -= n
	return r.s.goTo(r.s.pos + n)
}
