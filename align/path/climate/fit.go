package climate

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/mat"
)

// Site is a place of the fit.
type Site struct {
	X      float64 // the latitude measure the series uses, [-1, 1]
	CosLat float64
	Lon    float64 // radians
	Weight float64 // of the squared residual: the area the site stands for
}

// Fit finds the series of the given shape that is nearest to the samples in
// weighted least squares. sample returns one layer's value at a site and an
// instant; instants must be the same hours, evenly spaced over the day, on days
// evenly spaced over the year, so that season and hour separate from place; the
// season of a day's samples is that of its noon.
func Fit(shape Shape, sites []Site, days []time.Time, hours int, sample func(layer int, at time.Time, site int) float64) (*Series, error) {
	series := &Series{shape, shape.waves(), make([]float64, shape.Coefficients())}
	spatial := shape.spatialTerms()
	project, err := seasonProjection(shape.Seasons, days)
	if err != nil {
		return nil, err
	}
	// Project the samples on season and hour: fields[(layer, season)][h] has a
	// cosine and a sine part at every site.
	fields := make([][][]pair, shape.Layers*shape.seasonTerms())
	for i := range fields {
		fields[i] = make([][]pair, shape.Hours+1)
		for h := range fields[i] {
			fields[i][h] = make([]pair, len(sites))
		}
	}
	for d, day := range days {
		for k := range hours {
			at := day.Add(time.Duration(k) * 24 * time.Hour / time.Duration(hours))
			hour, _ := angles(at)
			for layer := range shape.Layers {
				for site := range sites {
					v := sample(layer, at, site) / float64(hours)
					for h := range shape.Hours + 1 {
						c, s := 2*math.Cos(float64(h)*hour), 2*math.Sin(float64(h)*hour)
						if h == 0 {
							c = 1
						}
						for season := range shape.seasonTerms() {
							f := &fields[layer*shape.seasonTerms()+season][h][site]
							f.cos += v * c * project.At(season, d)
							f.sin += v * s * project.At(season, d)
						}
					}
				}
			}
		}
	}
	at := 0
	for h := range shape.Hours + 1 {
		terms := 0
		for _, w := range series.waves {
			if w.h == h {
				terms += 2 * (w.degree + 1)
			}
		}
		solution, err := fitHarmonic(series.waves, h, terms, sites, shape.Degree, fields)
		if err != nil {
			return nil, err
		}
		for i := range fields {
			for j := range terms {
				series.coefficients[i*spatial+at+j] = solution.At(j, i)
			}
		}
		at += terms
	}
	return series, nil
}

// seasonProjection is the least-squares inverse of the season functions on days.
func seasonProjection(harmonics int, days []time.Time) (*mat.Dense, error) {
	n := 1 + 2*harmonics
	a := mat.NewDense(len(days), n, nil)
	for d, day := range days {
		_, year := angles(day.Add(12 * time.Hour))
		a.SetRow(d, seasonFunctions(harmonics, year))
	}
	var inverse mat.Dense
	identity := mat.NewDiagDense(len(days), nil)
	for i := range days {
		identity.SetDiag(i, 1)
	}
	if err := inverse.Solve(a, identity); err != nil {
		return nil, fmt.Errorf("%d days do not fix %d functions of the season: %w", len(days), n, err)
	}
	return &inverse, nil
}

// fitHarmonic solves for the spatial coefficients of one harmonic of the day,
// a column for each field. Every site gives an equation for the cosine part and,
// but for the daily mean, one for the sine part.
func fitHarmonic(waves []wave, h, terms int, sites []Site, degree int, fields [][][]pair) (*mat.Dense, error) {
	parts := 2
	if h == 0 {
		parts = 1
	}
	a := mat.NewDense(parts*len(sites), terms, nil)
	b := mat.NewDense(parts*len(sites), len(fields), nil)
	for site, s := range sites {
		root := math.Sqrt(s.Weight)
		p := legendre(nil, degree, s.X)
		col := 0
		for _, w := range waves {
			if w.h != h {
				continue
			}
			sinM, cosM := math.Sincos(float64(w.m) * s.Lon)
			scale := root * math.Pow(s.CosLat, math.Abs(float64(w.m)))
			for i := 0; i <= w.degree; i++ {
				a.Set(parts*site, col, scale*p[i]*cosM)
				a.Set(parts*site, col+1, scale*p[i]*sinM)
				if parts == 2 {
					a.Set(2*site+1, col, -scale*p[i]*sinM)
					a.Set(2*site+1, col+1, scale*p[i]*cosM)
				}
				col += 2
			}
		}
		for i := range fields {
			b.Set(parts*site, i, root*fields[i][h][site].cos)
			if parts == 2 {
				b.Set(2*site+1, i, root*fields[i][h][site].sin)
			}
		}
	}
	// A little ridge leaves the terms that no site sees (the sine of m = 0) at zero.
	var normal, right mat.Dense
	normal.Mul(a.T(), a)
	right.Mul(a.T(), b)
	trace := 0.0
	for i := range terms {
		trace += normal.At(i, i)
	}
	for i := range terms {
		normal.Set(i, i, normal.At(i, i)+1e-9*trace/float64(terms))
	}
	var x mat.Dense
	if err := x.Solve(&normal, &right); err != nil {
		return nil, fmt.Errorf("harmonic %d of the day is not fixed by the samples: %w", h, err)
	}
	return &x, nil
}

// Residual is the weighted root mean square of the series less the samples, and
// the largest difference, over all layers.
func (s *Series) Residual(sites []Site, days []time.Time, hours int, sample func(layer int, at time.Time, site int) float64) (rms, worst float64) {
	sum, total := 0.0, 0.0
	for layer := range s.shape.Layers {
		weights := make([]float64, s.shape.Layers)
		weights[layer] = 1
		for _, day := range days {
			for k := range hours {
				at := day.Add(time.Duration(k) * 24 * time.Hour / time.Duration(hours))
				snapshot := s.At(at, weights...)
				for i, site := range sites {
					e := snapshot.Value(site.X, site.CosLat, site.Lon) - sample(layer, at, i)
					sum += site.Weight * e * e
					total += site.Weight
					worst = max(worst, math.Abs(e))
				}
			}
		}
	}
	return math.Sqrt(sum / total), worst
}
