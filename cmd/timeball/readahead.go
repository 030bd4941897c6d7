package main

import (
	"context"
	"iter"
)

// counted is what is read, in frames.
type counted[B any] interface {
	*B
	Len() int
}

// mostAhead bounds the pieces that may be read ahead, however short they are.
const mostAhead = 1024

// readAhead reads in a goroutine of its own, up to so many frames ahead, so that reading
// and measuring go on side by side. It yields what was read, each valid until the next,
// and last, unless the caller has left the loop, the error that ended it: that of read,
// or of ctx.
func readAhead[B any, P counted[B]](ctx context.Context, most int, read func(P) error) iter.Seq2[P, error] {
	return func(yield func(P, error) bool) {
		ctx, stop := context.WithCancel(ctx)
		filled, free := make(chan P, mostAhead), make(chan P, mostAhead)
		var end error
		go func() {
			defer close(filled)
			made, frames := 0, 0 // all there are, and how much they hold
			for {
				if end = ctx.Err(); end != nil {
					return
				}
				var b P
				if len(free) == 0 && frames < most && made < mostAhead {
					b = new(B)
					made++
				} else {
					select {
					case b = <-free:
						frames -= b.Len()
					case <-ctx.Done():
						end = ctx.Err()
						return
					}
				}
				if end = read(b); end != nil {
					return
				}
				frames += b.Len()
				filled <- b
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
