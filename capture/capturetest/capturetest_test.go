package capturetest_test

import (
	"errors"
	"io"
	"slices"
	"testing"

	"timeball/capture"
	"timeball/capture/capturetest"
)

func ramp(n int) []float32 {
	s := make([]float32, n)
	for i := range s {
		s[i] = float32(i) / float32(n)
	}
	return s
}

func gappy() capture.Source {
	return &capturetest.Frames{
		Description: capture.Info{Name: "ramp", Rate: 48000, Bits: 16, Gaps: []capture.Gap{{At: 0, Lost: 3}, {At: 1000, Lost: 20}, {At: 1021, Lost: 1}}},
		Samples:     [][]float32{ramp(2500), ramp(2500)},
		BlockFrames: 700,
	}
}

func TestFrames(t *testing.T) {
	capturetest.TestSource(t, gappy)
}

func TestFailAfter(t *testing.T) {
	pulled := errors.New("pulled out")
	src := capturetest.FailAfter(gappy(), 1500, pulled)
	var b capture.Block
	total := 0
	for {
		err := src.Read(&b)
		if err == pulled {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		total += b.Len()
	}
	if total != 1500 || b.Len() != 0 {
		t.Errorf("%d frames, %d with the error; want 1500 and 0", total, b.Len())
	}
	if err := src.Read(&b); err != pulled {
		t.Errorf("afterwards: %v", err)
	}
}

// breach is a source that breaks the contract in one way.
type breach struct {
	capture.Source
	read func(src capture.Source, b *capture.Block) error
	info func(capture.Info) capture.Info
}

func (s breach) Read(b *capture.Block) error { return s.read(s.Source, b) }
func (s breach) Info() capture.Info {
	if s.info == nil {
		return s.Source.Info()
	}
	return s.info(s.Source.Info())
}

func TestBreaches(t *testing.T) {
	pass := func(src capture.Source, b *capture.Block) error { return src.Read(b) }
	for name, broken := range map[string]breach{
		"no frame, no error": {read: func(src capture.Source, b *capture.Block) error { b.Resize(2, 0); return nil }},
		"frames with the end": {read: func(src capture.Source, b *capture.Block) error {
			if err := src.Read(b); err != nil {
				b.Resize(2, 1)
				return err
			}
			return nil
		}},
		"position slips": {read: func(src capture.Source, b *capture.Block) error { err := src.Read(b); b.Position++; return err }},
		"loss unsaid":    {read: func(src capture.Source, b *capture.Block) error { err := src.Read(b); b.Lost = 0; return err }},
		"channel short": {read: func(src capture.Source, b *capture.Block) error {
			err := src.Read(b)
			if b.Len() > 0 {
				b.Channels[1] = b.Channels[1][:b.Len()-1]
			}
			return err
		}},
		"other error as end": {read: func(src capture.Source, b *capture.Block) error {
			if err := src.Read(b); err != nil {
				return io.ErrUnexpectedEOF
			}
			return nil
		}},
		"wrong total": {read: pass, info: func(i capture.Info) capture.Info { i.Frames++; return i }},
		"wrong gaps": {read: pass, info: func(i capture.Info) capture.Info {
			i.Gaps = slices.Clone(i.Gaps)
			i.Gaps[1].At++
			return i
		}},
		"no name": {read: pass, info: func(i capture.Info) capture.Info { i.Name = ""; return i }},
	} {
		t.Run(name, func(t *testing.T) {
			err := capturetest.CheckSource(func() capture.Source { s := broken; s.Source = gappy(); return s })
			if err == nil {
				t.Error("not noticed")
			}
		})
	}
}
