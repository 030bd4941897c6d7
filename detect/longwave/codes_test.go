package longwave

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/longwave/pulsecode"
)

// codeStations send the codes there are.
var codeStations = []string{"dcf77", "msf", "wwvb", "jjy-40", "bpc", "als162"}

// named is what became of a minute's code in noise: how long it took until the time was
// known, s, or infinite, and whether it was wrong then or later.
type named struct {
	after float64
	wrong bool
}

// hearCode gives a decoder some minutes of a station's marks, begun at any second of any
// year of the code's century, as the levels that the slots of a second have at a carrier's
// ratio to noise, dBHz: the simulator's minute, and complex noise of the slots' length. It
// asks what is known every so many seconds.
func hearCode(s *station.Station, seed uint64, seconds, every int, cn0 float64) (n named) {
	r := rand.New(rand.NewPCG(seed, 77))
	p := newPlan(s)
	d := pulsecode.New(s.Code.Kind)
	begin := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.Int64N(98*365*86400)) * time.Second)
	ratio := math.Pow(10, cn0/10)
	noise := 1 / (2 * ratio * p.slotSeconds)
	stray := slotStray * r.NormFloat64() / 2 // of the keyed level
	n.after = math.Inf(1)
	var code string
	var chips, before [60]bool
	for i := range seconds {
		at := begin.Add(time.Duration(i) * time.Second)
		second := at.Second()
		if minute := at.Truncate(time.Minute); i == 0 || second == 0 {
			code = simulate.LongCode(s.Code.Kind, minute, 0.3, false)
			before, chips = chips, simulate.WWVBPhase(minute)
		}
		var level [slotCount]float64
		for k := range level {
			want := 1 - p.Depth*float64(r.IntN(2)) // of a call sign
			if symbol := slices.Index([]byte(map[string]string{"msf": "0BACM", "bpc": "0123?-"}[s.Code.Kind]), code[second]); symbol >= 0 {
				want = p.level(p.symbols[symbol], float64(k)/slotCount+0.05)
			} else if symbol := slices.Index([]byte("01M-"), code[second]); symbol >= 0 {
				want = p.level(p.symbols[symbol], float64(k)/slotCount+0.05)
			}
			if want < 1 {
				want += stray
			}
			level[k] = cmplx.Abs(complex(want+math.Sqrt(noise)*r.NormFloat64(), math.Sqrt(noise)*r.NormFloat64()))
		}
		logs := p.weigh(level, noise)
		d.Add(int64(i), logs)
		if s.Phase.Kind == "wwvb" && i > 0 {
			last := before[59]
			if second > 0 {
				last = chips[second-1]
			}
			x := -1.0
			if chips[second] != last {
				x = 1
			}
			variance := 1 / (2 * ratio * (endedTo - endedFrom))
			d.AddTurn(int64(i), 2*(x+math.Sqrt(variance)*r.NormFloat64())/variance)
		}
		if (i+1)%every != 0 {
			continue
		}
		if got := d.Reading(); got.UTCError < pulsecode.MaxError && got.SecondError < pulsecode.MaxError {
			n.after = min(n.after, float64(i+1))
			n.wrong = n.wrong || !got.UTC.Equal(at)
		}
	}
	return n
}

// No code names a wrong time in noise, and at 50 dBHz all name the right one within three
// minutes.
func TestCodesInNoise(t *testing.T) {
	for _, id := range codeStations {
		for seed := range uint64(2) {
			if n := hearCode(find(t, id), seed, 180, 60, 50); n.wrong || n.after > 180 {
				t.Errorf("%s at 50 dBHz, seed %d: %+v", id, seed, n)
			}
			if n := hearCode(find(t, id), seed, 180, 60, 26); n.wrong {
				t.Errorf("%s at 26 dBHz, seed %d: a wrong time", id, seed)
			}
		}
	}
}

// BenchmarkCodes counts, for each code, wrong times in 2000 recordings of three minutes
// from 20 to 50 dBHz, and those of 500 at 50 dBHz that were named within three minutes.
func BenchmarkCodes(b *testing.B) {
	for range b.N {
		for _, id := range codeStations {
			const many, strong = 2000, 500
			s := find(b, id)
			wrong, told, named, first := 0, 0, 0, []float64{}
			for seed := range uint64(many) {
				n := hearCode(s, seed, 180, 90, 20+float64(seed%31))
				if n.wrong {
					wrong++
				}
				if n.after <= 180 {
					told++
				}
			}
			for seed := range uint64(strong) {
				n := hearCode(s, many+seed, 180, 60, 50)
				if n.wrong {
					wrong++
				}
				if n.after <= 180 {
					named++
					first = append(first, n.after)
				}
			}
			slices.Sort(first)
			b.Logf("%-7s %d wrong in %d, of which %d were named; at 50 dBHz %d of %d within 180 s, half within %.0f s", id, wrong, many+strong, told+named, named, strong, first[len(first)/2])
		}
	}
}
