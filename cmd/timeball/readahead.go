package main

import (
	"context"
	"iter"

	"timeball/align"
	"timeball/capture"
)

// prepared is a source whose reader does part of an attempt's work.
type prepared struct {
	capture.Source
	attempt *align.Attempt
}

func (s prepared) Read(b *capture.Block) error {
	err := s.Source.Read(b)
	if err == nil {
		s.attempt.Ahead(b)
	}
	return err
}

// aheadBlocks is how many blocks reading may be ahead of measuring.
const aheadBlocks = 4

// readAhead reads src in a goroutine of its own, so that reading and measuring
// take turns on two cores. It yields the blocks, each valid until the next,
// and last, unless the caller has left the loop, the error that ended them:
// io.EOF, or that of ctx.
func readAhead(ctx context.Context, src capture.Source) iter.Seq2[*capture.Block, error] {
	return func(yield func(*capture.Block, error) bool) {
		ctx, stop := context.WithCancel(ctx)
		filled, free := make(chan *capture.Block, aheadBlocks), make(chan *capture.Block, aheadBlocks)
		for range aheadBlocks {
			free <- new(capture.Block)
		}
		var end error
		go func() {
			defer close(filled)
			for {
				var b *capture.Block
				select {
				case b = <-free:
				case <-ctx.Done():
					end = ctx.Err()
					return
				}
				if end = src.Read(b); end != nil {
					return
				}
				select {
				case filled <- b:
				case <-ctx.Done():
					end = ctx.Err()
					return
				}
			}
		}()
		defer stop()
		for {
			select {
			case b, more := <-filled:
				if !more {
					yield(nil, end)
					return
				}
				if !yield(b, nil) {
					// The source must be left alone by the time the caller closes it.
					stop()
					for range filled {
					}
					return
				}
				free <- b
			case <-ctx.Done():
				yield(nil, ctx.Err()) // a pipe may keep its reader waiting for ever
				return
			}
		}
	}
}
