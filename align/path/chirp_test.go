package path

import (
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/chirp"
)

// BenchmarkModesByChirps measures how often the first arrival's mode is named right
// where WWV's chirps are in the recording: on days drawn, at places where the program
// expects two arrivals or more 0.3 ms apart, received at 0 dB; and how often by
// arrivals told exactly, and without any. No recording can do better than when it is
// known as well that none of the ways expected to be audible was missed: then, by
// many more days than the program draws, the chance that it gives the mode it names is
// the most that can be had.
func BenchmarkModesByChirps(b *testing.B) {
	wwv, _ := station.Find("wwv")
	var n, found, named, exactly, blindly, surely, both int
	var chance float64
	for i := uint64(0); n < *evenings && i < 100_000; i++ {
		r := rand.New(rand.NewPCG(i, 8))
		at := LatLon{Lat: 120*r.Float64() - 60, Lon: 360*r.Float64() - 180}
		c := wwv.Carriers[r.IntN(len(wwv.Carriers))]
		request := Request{Station: wwv, CarrierHz: c.Hz, At: at, Time: time.Date(2026, time.Month(1+r.IntN(12)), 15, r.IntN(24), 8, 0, 0, time.UTC), Sunspots: 150 * r.Float64()}
		way := request.circuit(c)
		now := newInstant(request.Time, nil, request.Sunspots)
		if way.distanceM > 9000e3 || now.sky(way).reception(c, wwv.Depth, DefaultReceiver, now.noiseAt(at, DefaultReceiver, c.Hz)).reliability < 0.5 {
			continue
		}
		l, over := survey(now, way, c.Hz, nil)
		w := newWeather(request.Sunspots, givenSunspotsU, over, nil)
		z := make([]float64, w.size())
		for k := range z {
			z[k] = r.NormFloat64()
		}
		var paths []simulate.Path
		var truth []arriving
		for _, a := range w.arrivals(&l, z) {
			if a.levelDB > -audibleDB && a.kind.hops() > 0 {
				delay := a.delay + a.u*r.NormFloat64()
				a.delay = delay
				truth = append(truth, a)
				paths = append(paths, simulate.Path{DelaySeconds: delay, LevelDB: a.levelDB, SpreadHz: 0.1})
			}
		}
		if len(truth) < 2 || truth[1].delay-truth[0].delay < 0.3e-3 || len(truth) > 4 {
			continue
		}
		n++
		p, err := Predict(request)
		if err != nil {
			b.Fatal(err)
		}
		var exact, heard []Heard
		for _, a := range truth {
			exact = append(exact, Heard{Excess: a.delay - truth[0].delay, U: 10e-6, LevelDB: a.levelDB})
		}
		right := func(p Prediction) int {
			if mode, _ := p.FirstMode(); mode == truth[0].kind.String() {
				return 1
			}
			return 0
		}
		blindly += right(p)
		exactly += right(p.WithArrivals(exact))
		bound, err := predict(request, 8*daysDrawn)
		if err != nil {
			b.Fatal(err)
		}
		for i := range bound.days {
			for k := range bound.days[i].ways {
				a := &bound.days[i].ways[k]
				a.seen = 0.002 + 0.996*normalCDF((a.levelDB+audibleDB)/0.5)
			}
		}
		bound = bound.WithArrivals(exact)
		surely += right(bound)
		_, share := bound.FirstMode()
		chance += share
		src, err := simulate.New(simulate.Config{Rate: 8000, Seconds: 13, Seed: i, Station: wwv, Paths: paths, Start: request.Time.Add(23 * time.Second)})
		if err != nil {
			b.Fatal(err)
		}
		var audio []float32
		var block capture.Block
		for err = src.Read(&block); err == nil; err = src.Read(&block) {
			audio = append(audio, block.Channels[0]...)
		}
		if err != io.EOF {
			b.Fatal(err)
		}
		if s, ok := chirp.Find(audio, 8000); ok {
			found++
			for _, a := range s.Arrivals {
				heard = append(heard, Heard{Excess: a.Excess, U: a.U, LevelDB: a.LevelDB})
			}
			named += right(p.WithArrivals(heard))
			if len(heard) == len(truth) && math.Abs(heard[1].Excess-exact[1].Excess) < 0.1e-3 {
				both++
			}
		}
		if n%10 == 0 || n == *evenings {
			b.Logf("%d recordings: chirps found in %d, all arrivals told apart in %d; the first's mode named right in %d, by exact arrivals in %d, without any in %d; by all that can be known in %d, of which %.1f expected", n, found, both, named, exactly, blindly, surely, chance)
		}
	}
}
