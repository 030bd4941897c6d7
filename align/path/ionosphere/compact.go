package ionosphere

import (
	_ "embed"
	"fmt"
	"math"
	"sync"
	"time"

	"timeball/align/path/climate"
)

//go:generate go run ../fit -of ionosphere -out compact.bin

//go:embed compact.bin
var compactData []byte

// Part names one series of the embedded climatology, in the order of the file.
type Part int

const (
	PartFoF2       Part = iota // MHz; layers: value at R12 0, increase per 100
	PartM3000                  // likewise, no unit
	PartLowDecile              // foF2's lower decile over its median; layers as above
	PartHighDecile             // upper decile
	PartAbsorption             // noon absorption factor of Rec. ITU-R P.533
	PartExponent               // its diurnal exponent
	PartAurora                 // auroral loss, dB; layers: hops to 2500 km, longer hops
	parts
)

// Shape is the shape of the part's series. The degrees were chosen where the
// residual against the ITU's values stops being worth the bytes; the generator
// prints it.
func (p Part) Shape() climate.Shape {
	const onlyWithTheSun = 99 // a drift cost that leaves local time alone
	switch p {
	case PartFoF2:
		return climate.Shape{Layers: 2, Seasons: 3, Hours: 5, Degree: 11, HourCost: 1, DriftCost: 2, Quantum: 0.002}
	case PartM3000:
		return climate.Shape{Layers: 2, Seasons: 2, Hours: 4, Degree: 10, HourCost: 1, DriftCost: 2, Quantum: 0.0005}
	case PartLowDecile, PartHighDecile:
		return climate.Shape{Layers: 2, Seasons: 2, Hours: 4, Degree: 7, HourCost: 1, DriftCost: onlyWithTheSun, Quantum: 0.0005}
	case PartAbsorption:
		return climate.Shape{Layers: 1, Seasons: 2, Degree: 6, DriftCost: onlyWithTheSun, Quantum: 0.02}
	case PartExponent:
		return climate.Shape{Layers: 1, Seasons: 2, Degree: 9, DriftCost: onlyWithTheSun, Quantum: 0.0005}
	case PartAurora:
		return climate.Shape{Layers: 2, Seasons: 2, Hours: 3, Degree: 9, DriftCost: onlyWithTheSun, Quantum: 0.005}
	}
	panic(fmt.Sprintf("ionosphere: no part %d", p))
}

// Climatology is the compact ionosphere: the F2 layer over the earth, continuous
// in place, hour and season, and the tables of spread and absorption.
type Climatology struct{ series [parts]*climate.Series }

// DecodeClimatology reads the parts' series, one after another.
func DecodeClimatology(data []byte) (*Climatology, error) {
	var shapes []climate.Shape
	for p := range parts {
		shapes = append(shapes, p.Shape())
	}
	series, err := climate.DecodeRow(data, shapes...)
	if err != nil {
		return nil, fmt.Errorf("ionosphere: %w", err)
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

// At implements Maps; r12 is capped at 160.
func (c *Climatology) At(t time.Time, r12 float64) F2Map {
	share := min(r12, maxSunspots) / 100
	return &embeddedMap{c.series[PartFoF2].At(t, 1, share), c.series[PartM3000].At(t, 1, share)}
}

type embeddedMap struct{ f2, m3 *climate.Snapshot }

func (m *embeddedMap) F2(p *Place) (foF2Hz, m3000 float64) {
	lon := p.Lon * degree
	// A fitted series may undershoot where the layer is thinnest. The ITU's maps
	// stay above these limits all over the world.
	return 1e6 * max(m.f2.Value(p.SinModip, p.cosLat, lon), 1), max(m.m3.Value(p.SinModip, p.cosLat, lon), 2)
}

// local evaluates a part that depends on latitude, season and local time only,
// and in which north and south differ only by half a year. x is the part's
// measure of unsigned latitude in [-1, 1].
func (c *Climatology) local(p Part, northern bool, t time.Time, localHours, x float64, weights ...float64) float64 {
	if !northern {
		t = t.AddDate(0, 6, 0)
	}
	t = t.UTC()
	at := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC).Add(time.Duration(localHours * float64(time.Hour)))
	return c.series[p].At(at, weights...).Value(x, 1, 0)
}

// LatitudeMeasure is the x of the parts that depend on unsigned latitude in degrees.
func LatitudeMeasure(lat float64) float64 { return math.Abs(lat)/45 - 1 }

// AbsorptionMeasure is the x of PartAbsorption, whose table ends at 70 degrees,
// and of PartExponent, for latitude or modified dip in degrees.
func AbsorptionMeasure(lat float64) float64 { return min(math.Abs(lat), 70)/35 - 1 }

// AuroraMeasure is the x of PartAurora for geomagnetic latitude in degrees.
func AuroraMeasure(lat float64) float64 { return max(math.Abs(lat)-60, -30) / 30 }
