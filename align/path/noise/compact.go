package noise

import (
	_ "embed"
	"fmt"
	"math"
	"sync"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/geodesic"
)

//go:generate go run ../fit -of noise -out compact.bin

//go:embed compact.bin
var compactData []byte

// Part names one series of the embedded climatology, in the order of the file.
// Its layers are the factors of the Chebyshev polynomials in FrequencyMeasure.
type Part int

const (
	PartMedian Part = iota
	PartUpper
	PartLower
	parts
)

// Shape is the shape of the part's series. The deciles do not know the place but
// for its hemisphere.
func (p Part) Shape() climate.Shape {
	switch p {
	case PartMedian:
		return climate.Shape{Layers: 4, Seasons: 1, Hours: 4, Degree: 10, HourCost: 1, DriftCost: 2, Quantum: 0.01}
	case PartUpper, PartLower:
		return climate.Shape{Layers: 2, Seasons: 1, Hours: 2, Degree: 3, HourCost: 1, DriftCost: 9, Quantum: 0.01}
	}
	panic(fmt.Sprintf("noise: no part %d", p))
}

// The band of the fit, which takes in all standard-time carriers.
const lowestHz, highestHz = 2.5e6, 25e6

// FrequencyMeasure is -1 at 2.5 MHz and 1 at 25 MHz, in the logarithm of frequency.
func FrequencyMeasure(frequencyHz float64) float64 {
	return 2*math.Log(frequencyHz/lowestHz)/math.Log(highestHz/lowestHz) - 1
}

// Climatology is the compact form of the noise maps.
type Climatology struct{ series [parts]*climate.Series }

// DecodeClimatology reads the parts' series, one after another.
func DecodeClimatology(data []byte) (*Climatology, error) {
	var shapes []climate.Shape
	for p := range parts {
		shapes = append(shapes, p.Shape())
	}
	series, err := climate.DecodeRow(data, shapes...)
	if err != nil {
		return nil, fmt.Errorf("noise: %w", err)
	}
	return &Climatology{[parts]*climate.Series(series)}, nil
}

// Embedded is the climatology in the program.
var Embedded = sync.OnceValue(func() *Climatology {
	c, err := DecodeClimatology(compactData)
	if err != nil {
		panic(fmt.Sprintf("%v: run go generate", err)) // the program was built with an old file
	}
	return c
})

// Atmospheric implements Maps. Frequencies outside 2.5 to 25 MHz take the end's value.
func (c *Climatology) Atmospheric(p geodesic.Point, t time.Time, localHours, frequencyHz float64) Figure {
	z := max(-1, min(1, FrequencyMeasure(frequencyHz)))
	sinLat, cosLat := math.Sincos(p.Lat * degree)
	// The hour asked for goes in as the universal time that is local at p.
	utc := localHours - p.Lon/15
	t = t.UTC()
	at := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC).Add(time.Duration(utc * float64(time.Hour)))
	value := func(part Part) float64 {
		weights := make([]float64, part.Shape().Layers)
		for i := range weights {
			weights[i] = math.Cos(float64(i) * math.Acos(z)) // Chebyshev polynomial
		}
		return c.series[part].At(at, weights...).Value(sinLat, cosLat, p.Lon*degree)
	}
	return Figure{
		value(PartMedian),
		max(0, value(PartUpper)),
		max(0, value(PartLower)),
	}
}
