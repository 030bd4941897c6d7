package climate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A fit to samples of a series of the same shape must give it back: least
// squares is exact when the model is.
func TestFitFindsASeriesOfItsShape(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for seasons, tolerance := range []float64{
		1e-4, // the ridge costs the last digits
		1e-2, // the season moves on while the day's samples are taken
	} {
		shape := Shape{Layers: 2, Seasons: seasons, Hours: 2, Degree: 3, HourCost: 1, DriftCost: 1, Quantum: 0.01}
		truth := &Series{shape, shape.waves(), make([]float64, shape.Coefficients())}
		for i := range truth.coefficients {
			truth.coefficients[i] = 0.01 * float64(random.IntN(201)-100)
		}
		var sites []Site
		for lat := -80.0; lat <= 80; lat += 20 {
			for lon := 0.0; lon < 360; lon += 45 {
				s, c := math.Sincos(lat * math.Pi / 180)
				sites = append(sites, Site{s, c, lon * math.Pi / 180, c})
			}
		}
		var days []time.Time
		for month := time.January; month <= time.December; month += 3 {
			days = append(days, time.Date(2025, month, 15, 0, 0, 0, 0, time.UTC))
		}
		sample := func(layer int, at time.Time, site int) float64 {
			weights := []float64{0, 0}
			weights[layer] = 1
			return truth.At(at, weights...).Value(sites[site].X, sites[site].CosLat, sites[site].Lon)
		}
		fitted, err := Fit(shape, sites, days, 8, sample)
		if err != nil {
			t.Fatal(err)
		}
		if rms, _ := fitted.Residual(sites, days, 8, sample); rms > tolerance {
			t.Fatalf("residual %g", rms)
		}
		// Through the file and back it is off by the rounding of each coefficient.
		data, err := fitted.Encode()
		if err != nil {
			t.Fatal(err)
		}
		stored, err := Decode(shape, data)
		if err != nil {
			t.Fatal(err)
		}
		if rms, _ := stored.Residual(sites, days, 8, sample); rms > tolerance+1e-3 {
			t.Fatalf("residual %g after storing", rms)
		}
	}
}

// The snapshot gathers the waves; it must equal the plain sum of the terms.
func TestSnapshotEqualsTheSum(t *testing.T) {
	shape := Shape{Layers: 1, Seasons: 1, Hours: 2, Degree: 4, HourCost: 1, DriftCost: 2, Quantum: 1}
	s := &Series{shape, shape.waves(), make([]float64, shape.Coefficients())}
	for i := range s.coefficients {
		s.coefficients[i] = math.Sin(float64(i))
	}
	at := time.Date(2025, 5, 20, 7, 40, 0, 0, time.UTC)
	hour, year := angles(at)
	x, lat, lon := 0.3, 0.5, -1.2
	sum, k := 0.0, 0
	for _, season := range []float64{1, math.Cos(year), math.Sin(year)} {
		for _, w := range s.waves {
			phase := float64(w.h)*hour + float64(w.m)*lon
			// P_0 to P_4 written out.
			p := []float64{1, x, (3*x*x - 1) / 2, (5*x*x*x - 3*x) / 2, (35*x*x*x*x - 30*x*x + 3) / 8}
			for i := 0; i <= w.degree; i++ {
				factor := season * math.Pow(math.Cos(lat), math.Abs(float64(w.m))) * p[i]
				sum += factor * (s.coefficients[k]*math.Cos(phase) + s.coefficients[k+1]*math.Sin(phase))
				k += 2
			}
		}
	}
	if got := s.At(at, 1).Value(x, math.Cos(lat), lon); math.Abs(got-sum) > 1e-10 {
		t.Errorf("snapshot %.12f, sum %.12f", got, sum)
	}
}

func TestWrongSizesAreSaid(t *testing.T) {
	shape := Shape{Layers: 1, Degree: 2, Quantum: 0.001}
	if _, err := Decode(shape, make([]byte, 3)); err == nil {
		t.Error("a file of the wrong length was taken")
	}
	big := &Series{shape, shape.waves(), []float64{1000, 0, 0, 0, 0, 0}}
	if _, err := big.Encode(); err == nil {
		t.Error("a coefficient beyond 16 bits was stored")
	}
}
