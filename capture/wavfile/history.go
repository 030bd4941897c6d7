package wavfile

import (
	"fmt"
	"strings"

	"timeball/capture"
)

// Losses are kept in the coding history of the bext chunk, a line each: EBU
// R 98 leaves T= to free text. The writer reserves room for them before the
// sound data, so that a loss is on file before any frame that comes after it.

// historyHead is the first line of the coding history.
//
// The line after it, if any, holds the settings of the measurement.
func historyHead(f Format) string {
	mode := fmt.Sprintf("%d channels", f.Channels)
	switch f.Channels {
	case 1:
		mode = "mono"
	case 2:
		mode = "stereo"
	}
	head := fmt.Sprintf("A=PCM,F=%d,W=%d,M=%s,T=timeball\r\n", f.Rate, f.Bits, mode)
	if f.Settings != "" {
		head += historySettings + f.Settings + "\r\n"
	}
	return head
}

// historyGap is the line for one gap, historyEstimate that for one whose length
// was estimated; parseHistory reads them.
const (
	historySettings = "A=PCM,T=settings "
	historyGap      = "A=PCM,T=lost %d frames at %d"
	historyEstimate = "A=PCM,T=lost about %d frames at %d"
)

// parseHistory reads the gaps and settings noted in a coding history. Gaps that touch are
// joined. Lines of others are skipped, and so is a gap that overlaps the one
// before it.
func parseHistory(history []byte) (gaps []capture.Gap, settings string) {
	s, _, _ := strings.Cut(string(history), "\x00")
	end := int64(0) // of the last gap
	for line := range strings.Lines(s) {
		line, whole := strings.CutSuffix(line, "\r\n")
		if !whole {
			continue
		}
		if rest, ok := strings.CutPrefix(line, historySettings); ok && settings == "" {
			settings = rest
			continue
		}
		var g capture.Gap
		if n, err := fmt.Sscanf(line, historyGap, &g.Lost, &g.At); n != 2 || err != nil {
			if n, err := fmt.Sscanf(line, historyEstimate, &g.Lost, &g.At); n != 2 || err != nil {
				continue
			}
			g.Inexact = true
		}
		if g.At < end || g.Lost <= 0 || g.Lost > maxPosition || g.At > maxPosition {
			continue
		}
		if last := len(gaps) - 1; last >= 0 && g.At == end {
			gaps[last].Lost += g.Lost
			gaps[last].Inexact = gaps[last].Inexact || g.Inexact
		} else {
			gaps = append(gaps, g)
		}
		end = g.At + g.Lost
	}
	return gaps, settings
}

// maxPosition bounds what is believed of positions: 2^53 frames are 1500
// years at 192 kHz.
const maxPosition = 1 << 53

// gapsWithin is gaps without those at or after the last of frames stored: a
// recorder killed between noting a loss and writing on has nothing after it.
func gapsWithin(gaps []capture.Gap, frames int64) []capture.Gap {
	lost := int64(0)
	for i, g := range gaps {
		if g.At-lost >= frames {
			return gaps[:i]
		}
		lost += g.Lost
	}
	return gaps
}
