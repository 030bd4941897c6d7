package ionosphere

import (
	"fmt"
	"math"
	"time"

	"timeball/align/path/geodesic"
)

// Difference tells how far two sources of the F2 layer are apart.
type Difference struct {
	FoF2Hz, M3000           float64 // root mean square
	WorstFoF2Hz, WorstM3000 float64
}

func (d Difference) String() string {
	return fmt.Sprintf("foF2 %.3f MHz RMS (worst %.2f), M(3000)F2 %.4f RMS (worst %.3f)",
		d.FoF2Hz/1e6, d.WorstFoF2Hz/1e6, d.M3000, d.WorstM3000)
}

// Compare takes two sources over the world (points evenly spread by a golden
// spiral), the middles of the months, the hours of the day and R12 0 to 150.
func Compare(a, b Maps) Difference {
	const points = 300
	golden := math.Pi * (3 - math.Sqrt(5))
	var places [points]*Place
	for i := range places {
		lat := math.Asin(1-(2*float64(i)+1)/points) / degree
		places[i] = NewPlace(geodesic.Point{Lat: lat, Lon: math.Remainder(float64(i)*golden, 2*math.Pi) / degree})
	}
	var d Difference
	n := 0.0
	for month := time.January; month <= time.December; month++ {
		for hour := range 24 {
			t := time.Date(2025, month, 15, hour, 30, 0, 0, time.UTC)
			// Sunspot numbers 0, 50, 100 and 150 take turns.
			r12 := float64((hour + int(month)) % 4 * 50)
			mapA, mapB := a.At(t, r12), b.At(t, r12)
			for _, p := range places {
				fA, mA := mapA.F2(p)
				fB, mB := mapB.F2(p)
				d.FoF2Hz += (fA - fB) * (fA - fB)
				d.M3000 += (mA - mB) * (mA - mB)
				d.WorstFoF2Hz = max(d.WorstFoF2Hz, math.Abs(fA-fB))
				d.WorstM3000 = max(d.WorstM3000, math.Abs(mA-mB))
				n++
			}
		}
	}
	d.FoF2Hz, d.M3000 = math.Sqrt(d.FoF2Hz/n), math.Sqrt(d.M3000/n)
	return d
}
