package main

import (
	"context"
	"errors"
	"io"
	"testing"

	"timeball/capture"
)

// counter is a source of blocks of one frame that hold their position, with an
// error at the end.
type counter struct {
	next, frames int64
	end          error
}

func (c *counter) Info() capture.Info { return capture.Info{Rate: 8000, Channels: 1} }

func (c *counter) Read(b *capture.Block) error {
	if c.next == c.frames {
		return c.end
	}
	b.Resize(1, 1)
	b.Position, b.Channels[0][0] = c.next, float32(c.next)
	c.next++
	return nil
}

func TestReadAhead(t *testing.T) {
	broken := errors.New("the disk has gone")
	for _, end := range []error{io.EOF, broken} {
		want := int64(0)
		var last error
		for b, err := range readAhead(context.Background(), 4, (&counter{frames: 1000, end: end}).Read) {
			if err != nil {
				last = err
				continue
			}
			if b.Position != want || b.Channels[0][0] != float32(want) {
				t.Fatalf("block %d is at %d and holds %g", want, b.Position, b.Channels[0][0])
			}
			want++
		}
		if want != 1000 || last != end {
			t.Errorf("%d blocks, then %v; want 1000, then %v", want, last, end)
		}
	}
}

// After the loop nobody reads the source any more: it may be closed.
func TestReadAheadLeft(t *testing.T) {
	src := &counter{frames: 1 << 40, end: io.EOF}
	for b := range readAhead(context.Background(), 4, src.Read) {
		if b.Position == 10 {
			break
		}
	}
	at := src.next // the race detector would object to a reader still running
	if at < 11 || at > 11+2*4 {
		t.Errorf("the source was read to %d", at)
	}
}

func TestReadAheadInterrupted(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var last error
	for b, err := range readAhead(ctx, 4, (&counter{frames: 1 << 40, end: io.EOF}).Read) {
		if err != nil {
			last = err
			break
		}
		if b.Position == 10 {
			stop()
		}
	}
	if !errors.Is(last, context.Canceled) {
		t.Errorf("ended with %v", last)
	}
}
