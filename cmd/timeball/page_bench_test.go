//go:build unix

package main

import (
	"io"
	"net/http"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
)

// processorTime is what this process has used.
func processorTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkPage shows a second's state 25 times a second, and a picture every
// second, to ten viewers, and tells what share of a core that takes, the
// viewers' own reading included.
func BenchmarkPage(b *testing.B) {
	const updates = 25 // a second
	w, src, line := demoWork(b, page.Default)
	var last align.Second
	feed(b, w, src, func(s align.Second) { last = s })
	link := strings.TrimPrefix(line, "page: ")
	key := keyOf(b, link)
	for range 10 {
		res, err := http.Get(link + "events?key=" + key)
		if err != nil {
			b.Fatal(err)
		}
		defer res.Body.Close()
		go io.Copy(io.Discard, res.Body)
	}
	time.Sleep(time.Second) // they are told what came before
	before := processorTime()
	ticks := time.NewTicker(time.Second / updates)
	defer ticks.Stop()
	for n := 0; b.Loop(); n++ { // each is a second
		for range updates {
			<-ticks.C
			last.T += 1. / updates
			w.page.Second(last)
		}
		w.show()
	}
	b.ReportMetric(100*(processorTime()-before).Seconds()/b.Elapsed().Seconds(), "%core")
}
