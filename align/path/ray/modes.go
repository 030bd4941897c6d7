package ray

import "math"

// Mode is one way of a wave over a circuit.
type Mode struct {
	Hops      int
	By        [F2 + 1]int // number of hops by each layer
	High      bool        // the high (Pedersen) ray
	GroupM    float64
	Elevation float64 // radians
	HeightM   float64 // mean height of the turning points
	SpreadM2  float64 // power per unit of area is that radiated into a unit of solid angle over this
}

const (
	// MostHops are traced.
	MostHops = 8
	// Hops whose turning points at neighbouring elevations jump by more than this
	// belong to different layers, m.
	jumpM = 30e3
	// A hop between two places whose layers lie further apart than this is taken
	// at the nearer one, m.
	apartM = 60e3
)

// Circuit adds up hops over places evenly spread along a circuit.
type Circuit struct {
	DistanceM float64
	Places    int // middles of equal parts of the circuit
	// Fan gives the hops over one of them, in order; without the F1 ledge for hops that
	// Ledge denies: the end of a layer is a step, which does not lie at the nearest place.
	Fan   func(place int, ledge bool) Fan
	Ledge func(hops, hop int) bool // nil: all have it
}

// reach is a number of hops at one elevation.
type reach struct {
	groundM, groupM, topM float64
	by                    [F2 + 1]int
	ok                    bool
}

// Modes lists the ways in which a ray of some hops comes down at the end of the
// circuit.
func (c Circuit) Modes() []Mode {
	var all []Mode
	tallies := make([]reach, len(starts))
	for n, found := 1, 0; n <= MostHops && found < 5; n++ {
		if c.DistanceM/float64(n) > 4600e3 { // the longest hop there is, at 500 km (geometry)
			continue
		}
		before := len(all)
		c.hops(n, tallies)
		for i := 1; i < len(tallies); i++ {
			low, high := tallies[i-1], tallies[i]
			if !low.ok || !high.ok || low.by != high.by || math.Abs(low.topM-high.topM) > jumpM {
				continue
			}
			d := high.groundM - low.groundM
			share := (c.DistanceM - low.groundM) / d
			if !(share >= 0 && share < 1) {
				continue
			}
			step := starts[i].elevation - starts[i-1].elevation
			b := starts[i-1].elevation + share*step
			sinB, cosB := math.Sincos(b)
			// Floors: a ray's neighbours never meet quite in one point.
			spread := max(math.Abs(d)/step, 0.05*earthRadiusM) * max(sinB, 0.05) *
				earthRadiusM * max(math.Abs(math.Sin(c.DistanceM/earthRadiusM)), 0.01) / cosB
			all = append(all, Mode{
				Hops: n, By: low.by, High: d > 0, Elevation: b, SpreadM2: spread,
				GroupM: low.groupM + share*(high.groupM-low.groupM), HeightM: low.topM + share*(high.topM-low.topM),
			})
		}
		if len(all) > before {
			found++
		}
	}
	return all
}

// hops adds up n hops of each ray.
func (c Circuit) hops(n int, sums []reach) {
	for i := range sums {
		sums[i] = reach{ok: true}
	}
	for h := range n {
		ledge := c.Ledge == nil || c.Ledge(n, h)
		// Where the hop's middle stands among those of the equal parts.
		at := (float64(h)+0.5)/float64(n)*float64(c.Places) - 0.5
		left := min(max(int(math.Floor(at)), 0), c.Places-1)
		share := min(max(at-float64(left), 0), 1)
		lefts := c.Fan(left, ledge)
		rights := lefts
		if share > 0 && left+1 < c.Places {
			rights = c.Fan(left+1, ledge)
		}
		for i := range sums {
			a, b := &lefts[i], &rights[i]
			near := a
			if share > 0.5 {
				near = b
			}
			sum := &sums[i]
			if near.Layer == None {
				sum.ok = false
				continue
			}
			if a.Layer != b.Layer || math.Abs(a.TopM-b.TopM) > apartM {
				a, b = near, near
			}
			sum.groundM += a.GroundM + share*(b.GroundM-a.GroundM)
			sum.groupM += a.GroupM + share*(b.GroupM-a.GroupM)
			sum.topM += (a.TopM + share*(b.TopM-a.TopM)) / float64(n)
			sum.by[near.Layer]++
		}
	}
}
