package timecode

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
	"time"
)

// outcome counts how trials ended.
type outcome struct{ right, no, wrong int }

// trial listens to a random stretch of a station, over two equal paths 1 ms
// apart with 0.5 Hz of Doppler spread (Rec. ITU-R F.1487, mid-latitude,
// moderate) and speech, and returns what UTC came of it after each length.
func trial(id string, seed uint64, snrDB float64, expect bool, lengths []int) (right, known []bool) {
	rng := rand.New(rand.NewPCG(seed, 77))
	start := epoch.Add(time.Duration(rng.Int64N(yearCount*365*86400)) * time.Second)
	a := &air{station: builtin(id), start: start, snrDB: snrDB, rng: rng,
		spreadHz: 0.5, delay: 0.001, programme: true,
		sent: sent{dut1: rng.IntN(17) - 8, tai: 37, pattern: 1, dst1: rng.IntN(2) == 1, dst2: rng.IntN(2) == 1}}
	d := New(a.station)
	if expect {
		d.Expect(0, start.Add(time.Duration(rng.IntN(61)-30)*time.Second))
	}
	n := 0
	for _, length := range lengths {
		for ; n < length; n++ {
			d.Add(a.second(n))
		}
		r := d.Close()
		want, _ := a.utc(n - 1)
		known = append(known, r.UTC.Known())
		right = append(right, r.UTC.Value.Equal(want))
	}
	return right, known
}

// curve runs trials on all processors.
func curve(id string, first uint64, trials int, snrDB float64, expect bool, lengths []int) []outcome {
	out := make([]outcome, len(lengths))
	var mu sync.Mutex
	var wg sync.WaitGroup
	seeds := make(chan uint64)
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for seed := range seeds {
				right, known := trial(id, seed, snrDB, expect, lengths)
				mu.Lock()
				for i := range out {
					switch {
					case !known[i]:
						out[i].no++
					case right[i]:
						out[i].right++
					default:
						out[i].wrong++
					}
				}
				mu.Unlock()
			}
		}()
	}
	for i := range trials {
		seeds <- first + uint64(i)
	}
	close(seeds)
	wg.Wait()
	return out
}

// BenchmarkCurve prints the probability of a right, no and wrong UTC against
// the signal-to-noise ratio and the length heard. Run it with -benchtime 1x for
// 20 trials a point, more for more.
func BenchmarkCurve(b *testing.B) {
	lengths := []int{60, 120, 180, 300}
	trials := 20 * b.N
	for _, id := range []string{"wwv", "wwvh", "chu"} {
		for _, snr := range []float64{0, 6, 12, 20} {
			for _, expect := range []bool{false, true} {
				for i, o := range curve(id, 1, trials, snr, expect, lengths) {
					fmt.Printf("%-5s %3.0f dB %4d s, time expected %-5v: right %5.3f  no %5.3f  wrong %d of %d\n", id, snr, lengths[i],
						expect, float64(o.right)/float64(trials), float64(o.no)/float64(trials), o.wrong, trials)
				}
			}
		}
	}
}

// The long run of this is BenchmarkCurve. If a fifth of the recordings were read wrong,
// these eight would tell it five times in six.
func TestNeverAWrongTime(t *testing.T) {
	for _, id := range []string{"wwv", "chu"} {
		for _, snr := range []float64{0, 6} {
			for i, o := range curve(id, 5000, 2, snr, false, []int{120, 240}) {
				if o.wrong > 0 {
					t.Errorf("%s at %v dB: %d of %d wrong (%d)", id, snr, o.wrong, 2, i)
				}
			}
		}
	}
}

// A rough time that is wrong, by what people and computers are wrong by, is not
// believed.
func TestWrongExpectationIsNotBelieved(t *testing.T) {
	for i, wrong := range []time.Duration{time.Hour, -2 * time.Minute, 24 * time.Hour, -365 * 24 * time.Hour, 10 * time.Minute} {
		for _, id := range []string{"wwv", "chu"} {
			rng := rand.New(rand.NewPCG(uint64(i), 78))
			a := &air{station: builtin(id), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 6, rng: rng, spreadHz: 0.5, delay: 0.001}
			d := New(a.station)
			d.Expect(0, a.start.Add(wrong))
			for n := range 150 {
				d.Add(a.second(n))
			}
			want, _ := a.utc(149)
			if r := d.Close(); r.UTC.Known() && !r.UTC.Value.Equal(want) {
				t.Errorf("%s, expected %v off: %v, want %v", id, wrong, r.UTC, want)
			}
		}
	}
}

// BenchmarkWrong counts wrong times where most recordings are doubtful: 2000 of
// 150 s with -benchtime 20x, half of them with a time expected.
func BenchmarkWrong(b *testing.B) {
	var sum outcome
	for i := range b.N {
		id := []string{"wwv", "chu", "wwvh"}[i%3]
		snr := []float64{6, 3, 9}[i/3%3]
		for half, expect := range []bool{false, true} {
			o := curve(id, uint64(10000+100*i+50*half), 50, snr, expect, []int{150})[0]
			sum = outcome{sum.right + o.right, sum.no + o.no, sum.wrong + o.wrong}
		}
		fmt.Printf("%d recordings: right %d  no %d  wrong %d\n", 100*(i+1), sum.right, sum.no, sum.wrong)
	}
}
