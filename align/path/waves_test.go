package path

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
	"time"

	"timeball/align/path/groundwave"
	"timeball/capture/station"
	"timeball/detect/tick/timing"
)

// longPathAt is the path from DCF77 to a place some 500 km away at an hour.
func longPathAt(t testing.TB, lon float64, hour int) Prediction {
	s, _ := station.Find("dcf77")
	land, err := groundwave.Parse("land")
	if err != nil {
		t.Fatal(err)
	}
	p, err := Predict(Request{Station: s, At: LatLon{Lat: 50, Lon: lon}, Time: time.Date(2026, 1, 14, hour, 0, 0, 0, time.UTC), Sunspots: math.NaN(), Ground: land})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// heardWaves draws what blocks of half a minute would tell of one hop and two of given
// amplitudes over the ground wave, below a layer that sinks and rises by swingM in a
// period: the means by power over each block of what their sum makes of a mark.
func heardWaves(r *rand.Rand, p Prediction, levelDB [2]float64, swingM, period, noise, tilt float64) (w timing.Waves, at, late float64) {
	const blocks, length, parts = 20, 30.0, 30
	hz := 77.5e3
	height := p.long.sky.heightM + p.long.sky.heightU*r.NormFloat64()
	phase, turn1, turn2 := 2*math.Pi*r.Float64(), 2*math.Pi*r.Float64(), 2*math.Pi*r.Float64()
	late = 300e-6 * r.NormFloat64() // of the line after the ground wave
	at = blocks*length + 15
	w = timing.Waves{Scatter: 1, RateU: 3e-9}
	rate, off := 3e-9*r.NormFloat64(), tilt*r.NormFloat64()
	for k := range blocks {
		var sum, mean complex128
		for i := range parts {
			now := length * (float64(k) + float64(i)/parts)
			sky := longSky{heightM: height + swingM*math.Sin(2*math.Pi*now/period+phase)}
			share := complex(1, 0)
			var moment complex128
			for hops, turn := range []float64{turn1, turn2} {
				d, _ := sky.excess(hops+1, p.DistanceM)
				rho := cmplx.Rect(math.Pow(10, levelDB[hops]/20), turn-2*math.Pi*hz*d)
				share += rho
				moment += rho * complex(d, 0)
			}
			power := complex(real(share)*real(share)+imag(share)*imag(share), 0)
			sum += power
			mean += power * moment / share
		}
		mean /= sum
		level := math.Sqrt(real(sum)/parts) * math.Exp(gainStray*r.NormFloat64())
		second := length * (float64(k) + 0.5)
		w.Stretches = append(w.Stretches, timing.Stretch{
			Second: second, Late: real(mean) - late + rate*(second-at) + noise*r.NormFloat64(), U: noise,
			Across: imag(mean) + off + noise*r.NormFloat64(), AcrossU: noise, Level: level,
		})
	}
	return w, at, p.long.ground.seconds + late
}

// Over 500 km by night the delay lies in the interval that the marks leave as often as it
// says, whether the layer rests or moves, and the interval is much narrower than without
// them: of one hop alone, and of two as strong as predicted.
func TestWaves(t *testing.T) {
	p := longPathAt(t, 2.03, 0)
	const n, tilt = 8, 2e-6
	for _, tt := range []struct {
		name           string
		level          float64 // of one hop over the ground wave, dB; NaN: as predicted, and two hops
		swingM, period float64
		u              float64
		held           int     // of n, at least
		width          float64 // of what it is without the marks, at most
	}{
		{"at rest", math.NaN(), 0, 600, 3e-6, 7, 0.7},
		{"-6 dB, slow", -6, 1e3, 3000, 1e-6, 7, 0.18},
		{"-6 dB", -6, 3e3, 1200, 3e-6, 7, 0.1},
		{"-10.5 dB, fast", -10.5, 6e3, 700, 1e-6, 7, 0.1},
		{"as predicted", math.NaN(), 3e3, 1200, 3e-6, 7, 0.11},
	} {
		held, width := 0, 0.0
		began := time.Now()
		for seed := range uint64(n) {
			r := rand.New(rand.NewPCG(seed, 8))
			db := [2]float64{tt.level, -200}
			if math.IsNaN(tt.level) {
				stray := p.long.sky.levelU * r.NormFloat64()
				db = [2]float64{p.long.sky.levelDB[0] + stray, p.long.sky.levelDB[1] + stray}
			}
			w, at, want := heardWaves(r, p, db, tt.swingM, tt.period, tt.u, tilt)
			got := p.WithWaves(&w, at, tilt)
			if want >= got.CI95[0] && want <= got.CI95[1] {
				held++
			}
			width += (got.CI95[1] - got.CI95[0]) / (p.CI95[1] - p.CI95[0]) / n
		}
		t.Logf("%s: held %d of %d, %.2f of the width of %.0f us, %.0f ms each", tt.name, held, n, width, 1e6*(p.CI95[1]-p.CI95[0]), time.Since(began).Seconds()*1e3/n)
		if held < tt.held || width > tt.width {
			t.Errorf("%s: held %d of %d, %.2f of the width", tt.name, held, n, width)
		}
	}
}

// A receiver that sets the level by itself hides which of two waves is the stronger: then
// nothing is taken from the marks.
func TestWavesWithoutLevel(t *testing.T) {
	p := longPathAt(t, 2.03, 0)
	w, at, _ := heardWaves(rand.New(rand.NewPCG(1, 8)), p, [2]float64{-6, -200}, 3e3, 1200, 3e-6, 2e-6)
	if got := p.WithWaves(&w, at, 2e-6); got.Sky == nil {
		t.Error("with levels nothing was told")
	}
	for i := range w.Stretches {
		w.Stretches[i].Level = 0
	}
	if got := p.WithWaves(&w, at, 2e-6); got.Sky != nil || got.CI95 != p.CI95 {
		t.Errorf("%+v of marks without a level", got.Sky)
	}
}
