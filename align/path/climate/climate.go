// Package climate holds a quantity that varies over the earth, the hour of the
// day and the season as a short series of waves, and fits one to samples.
//
// A term of the series is
//
//	layer weight · season · cos^|m|(latitude) · P_i(x) · cos or sin(hT + m·longitude)
//
// with T the hour angle of universal time, P_i the Legendre polynomial and x a
// measure of latitude in [-1, 1] (geographic or magnetic). The wave m = h goes
// round with the sun and carries most of the diurnal variation; waves further
// from it need fewer polynomials. The power of the cosine makes every term
// continuous at the poles, so there is no seam anywhere.
package climate

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"
)

// Shape says which terms a series has.
type Shape struct {
	Layers  int // series added with weights given at evaluation
	Seasons int // harmonics of the year
	Hours   int // harmonics of the day
	Degree  int // highest polynomial of the mean wave that follows the sun
	// HourCost and DriftCost are how much lower the highest polynomial is for
	// each harmonic of the day and for each step of m from h.
	HourCost, DriftCost int
	Quantum             float64 // step of a stored coefficient, in units of the quantity
}

// wave is one (h, m) of the series with its highest polynomial.
type wave struct{ h, m, degree int }

func (s Shape) waves() []wave {
	var w []wave
	for h := 0; h <= s.Hours; h++ {
		for m := -s.Degree; m <= s.Degree; m++ {
			drift := m - h
			if drift < 0 {
				drift = -drift
			}
			degree := s.Degree - s.HourCost*h - s.DriftCost*drift
			// Without a diurnal part -m repeats m.
			if degree >= 0 && (h > 0 || m >= 0) {
				w = append(w, wave{h, m, degree})
			}
		}
	}
	return w
}

// seasonTerms is the number of functions of the season.
func (s Shape) seasonTerms() int { return 1 + 2*s.Seasons }

// spatialTerms is the number of coefficients of one layer in one season term:
// a cosine and a sine for every polynomial of every wave.
func (s Shape) spatialTerms() int {
	n := 0
	for _, w := range s.waves() {
		n += 2 * (w.degree + 1)
	}
	return n
}

// Coefficients is the number of coefficients of a series.
func (s Shape) Coefficients() int { return s.Layers * s.seasonTerms() * s.spatialTerms() }

// Series is a fitted quantity.
type Series struct {
	shape Shape
	waves []wave
	// coefficients by layer, season term, wave, polynomial, cosine and sine.
	coefficients []float64
}

// Decode reads the form that Encode writes: little-endian 16-bit multiples of
// the shape's quantum.
func Decode(s Shape, data []byte) (*Series, error) {
	if len(data) != 2*s.Coefficients() {
		return nil, fmt.Errorf("climate series of %d bytes, its shape needs %d", len(data), 2*s.Coefficients())
	}
	c := make([]float64, s.Coefficients())
	for i := range c {
		c[i] = s.Quantum * float64(int16(binary.LittleEndian.Uint16(data[2*i:])))
	}
	return &Series{s, s.waves(), c}, nil
}

// DecodeRow reads series of the given shapes, one after another; what follows
// them is not looked at.
func DecodeRow(data []byte, shapes ...Shape) ([]*Series, error) {
	row := make([]*Series, len(shapes))
	for i, shape := range shapes {
		n := min(2*shape.Coefficients(), len(data))
		s, err := Decode(shape, data[:n])
		if err != nil {
			return nil, fmt.Errorf("part %d: %w", i, err)
		}
		row[i], data = s, data[n:]
	}
	return row, nil
}

// Encode writes the series as Decode reads it. It fails when the quantum is too
// fine for a coefficient.
func (s *Series) Encode() ([]byte, error) {
	data := make([]byte, 0, 2*len(s.coefficients))
	for _, c := range s.coefficients {
		q := math.Round(c / s.shape.Quantum)
		if math.Abs(q) > math.MaxInt16 {
			return nil, fmt.Errorf("coefficient %g does not fit 16 bits in steps of %g", c, s.shape.Quantum)
		}
		data = binary.LittleEndian.AppendUint16(data, uint16(int16(q)))
	}
	return data, nil
}

// Snapshot is a series at one instant.
type Snapshot struct {
	degree int
	// byOrder[|m|] holds the factors of P_i·cos(|m|·longitude) and of P_i·sin(|m|·longitude).
	byOrder [][]pair
}

type pair struct{ cos, sin float64 }

// At adds the layers with the given weights at an instant. It panics when the
// number of weights is not that of the layers.
func (s *Series) At(t time.Time, weights ...float64) *Snapshot {
	if len(weights) != s.shape.Layers {
		panic(fmt.Sprintf("climate: %d weights for %d layers", len(weights), s.shape.Layers))
	}
	hour, year := angles(t)
	seasons := seasonFunctions(s.shape.Seasons, year)
	snap := &Snapshot{degree: s.shape.Degree}
	for _, w := range s.waves {
		order := max(w.m, -w.m)
		for len(snap.byOrder) <= order {
			snap.byOrder = append(snap.byOrder, make([]pair, 0, s.shape.Degree+1))
		}
	}
	spatial := s.shape.spatialTerms()
	at := 0
	for _, w := range s.waves {
		order, sign := w.m, 1.0
		if w.m < 0 {
			order, sign = -w.m, -1
		}
		sinT, cosT := math.Sincos(float64(w.h) * hour)
		into := snap.byOrder[order]
		if len(into) < w.degree+1 {
			into = into[:w.degree+1]
			snap.byOrder[order] = into
		}
		for i := 0; i <= w.degree; i++ {
			var a, b float64
			for layer, weight := range weights {
				for season, f := range seasons {
					k := (layer*len(seasons)+season)*spatial + at
					a += weight * f * s.coefficients[k]
					b += weight * f * s.coefficients[k+1]
				}
			}
			// a cos(hT+mλ) + b sin(hT+mλ), gathered by cos and sin of |m|λ.
			into[i].cos += a*cosT + b*sinT
			into[i].sin += sign * (b*cosT - a*sinT)
			at += 2
		}
	}
	return snap
}

// Value is the quantity at latitude measure x in [-1, 1], geographic latitude
// (by its cosine) and longitude in radians.
func (s *Snapshot) Value(x, cosLat, lon float64) float64 {
	var store [16]float64
	p := legendre(store[:0], s.degree, x)
	sin1, cos1 := math.Sincos(lon)
	sinM, cosM, power := 0.0, 1.0, 1.0
	sum := 0.0
	for _, terms := range s.byOrder {
		var c, d float64
		for i, t := range terms {
			c += p[i] * t.cos
			d += p[i] * t.sin
		}
		sum += power * (c*cosM + d*sinM)
		sinM, cosM = sinM*cos1+cosM*sin1, cosM*cos1-sinM*sin1
		power *= cosLat
	}
	return sum
}

// legendre appends P_0 to P_n of x to p.
func legendre(p []float64, n int, x float64) []float64 {
	p = append(p, 1, x)
	for i := 2; i <= n; i++ {
		k := float64(i)
		p = append(p, ((2*k-1)*x*p[i-1]-(k-1)*p[i-2])/k)
	}
	return p[:n+1]
}

// angles are the hour angle of universal time and the angle of the year, radians.
func angles(t time.Time) (hour, year float64) {
	t = t.UTC()
	seconds := float64(t.Hour()*3600 + t.Minute()*60 + t.Second())
	return 2 * math.Pi * seconds / 86400, 2 * math.Pi * (float64(t.YearDay()-1) + seconds/86400) / 365.25
}

// seasonFunctions are 1, cos S, sin S, cos 2S, sin 2S and so on.
func seasonFunctions(harmonics int, year float64) []float64 {
	f := []float64{1}
	for k := 1; k <= harmonics; k++ {
		s, c := math.Sincos(float64(k) * year)
		f = append(f, c, s)
	}
	return f
}
