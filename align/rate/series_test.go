package rate

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"timeball/align/stability"
)

func closeTo(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

// calibration is the thermometer calibration of JCGM 100:2008, H.3.
var calibration = struct{ t, b []float64 }{
	[]float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511},
	[]float64{-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160},
}

// TestThermometerCalibration: JCGM 100:2008, H.3, table H.6 and equation
// (H.15): intercept -0.1712(29), slope 0.00218(67), correlation -0.930, s
// 0.0035, and -0.1494(41) extrapolated to 30 °C.
func TestThermometerCalibration(t *testing.T) {
	x := make([]float64, len(calibration.t))
	for i, v := range calibration.t {
		x[i] = v - 20
	}
	c, v, s, err := polynomial(x, calibration.b, nil, 1)
	if err != nil {
		t.Fatal(err)
	}
	at30 := c[0] + 10*c[1]
	u30 := math.Sqrt(v[0][0] + 20*v[0][1] + 100*v[1][1])
	for _, p := range []struct {
		what, format string
		got          float64
		want         string
	}{
		{"intercept", "%.4f", c[0], "-0.1712"}, {"its u", "%.4f", math.Sqrt(v[0][0]), "0.0029"},
		{"slope", "%.5f", c[1], "0.00218"}, {"its u", "%.5f", math.Sqrt(v[1][1]), "0.00067"},
		{"correlation", "%.3f", v[0][1] / math.Sqrt(v[0][0]*v[1][1]), "-0.930"}, {"s", "%.4f", s, "0.0035"},
		{"at 30", "%.4f", at30, "-0.1494"}, {"its u", "%.4f", u30, "0.0041"},
	} {
		if got := fmt.Sprintf(p.format, p.got); got != p.want {
			t.Errorf("%s = %s, published %s", p.what, got, p.want)
		}
	}
}

// regression is a data set of the NIST Statistical Reference Datasets, linear
// regression, with its certified values. Data and values are from memory;
// TestReferenceDatasets confirms that they belong together by solving the
// normal equations in rational numbers.
type regression struct {
	name      string
	rows      string // response, then predictors
	degree    int    // of the polynomial in one predictor; 0: all predictors, linear
	certified []string
	deviation []string // standard deviations of the estimates
	residual  string   // residual standard deviation
	digits    int      // that double precision must reach
}

var regressions = []regression{
	{"Norris", `0.1 0.2
338.8 337.4
118.1 118.2
888.0 884.6
9.2 10.1
228.1 226.5
668.5 666.3
998.5 996.3
449.1 448.6
778.9 777.0
559.2 558.2
0.3 0.4
0.1 0.6
778.1 775.5
668.8 666.9
339.3 338.0
448.9 447.5
10.8 11.6
557.7 556.0
228.3 228.1
998.0 995.8
888.8 887.6
119.6 120.2
0.3 0.3
0.6 0.3
557.6 556.8
339.3 339.1
888.0 887.2
998.5 999.0
778.9 779.0
10.2 11.1
117.6 118.3
228.9 229.2
668.4 669.1
449.2 448.9
0.2 0.5`, 1,
		[]string{"-0.262323073774029", "1.00211681802045"},
		[]string{"0.232818234301152", "0.429796848199937E-03"}, "0.884796396144373", 12},
	{"Pontius", `.11019 150000
.21956 300000
.32949 450000
.43899 600000
.54803 750000
.65694 900000
.76562 1050000
.87487 1200000
.98292 1350000
1.09146 1500000
1.20001 1650000
1.30822 1800000
1.41599 1950000
1.52399 2100000
1.63194 2250000
1.73947 2400000
1.84646 2550000
1.95392 2700000
2.06128 2850000
2.16844 3000000
.11052 150000
.22018 300000
.32939 450000
.43886 600000
.54798 750000
.65739 900000
.76596 1050000
.87474 1200000
.98300 1350000
1.09150 1500000
1.20004 1650000
1.30818 1800000
1.41613 1950000
1.52408 2100000
1.63159 2250000
1.73965 2400000
1.84696 2550000
1.95445 2700000
2.06177 2850000
2.16829 3000000`, 2,
		[]string{"0.673565789473684E-03", "0.732059160401003E-06", "-0.316081871345029E-14"},
		[]string{"0.107938612033077E-03", "0.157817399981659E-09", "0.486652849992036E-16"}, "0.205177424076185E-03", 10},
	{"Longley", `60323 83.0 234289 2356 1590 107608 1947
61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949
61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951
63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953
63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955
67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957
66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959
69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961
70551 116.9 554894 4007 2827 130081 1962`, 0,
		[]string{"-3482258.63459582", "15.0618722713733", "-0.358191792925910E-01", "-2.02022980381683", "-1.03322686717359",
			"-0.511041056535807E-01", "1829.15146461355"},
		[]string{"890420.383607373", "84.9149257747669", "0.334910077722432E-01", "0.488399681651699", "0.214274163161675",
			"0.226073200069370", "455.478499142212"}, "304.854073561965", 8},
}

// rational reads the rows as exact numbers: response and design matrix.
func (r regression) rational() (response []*big.Rat, design [][]*big.Rat) {
	for row := range strings.SplitSeq(r.rows, "\n") {
		var numbers []*big.Rat
		for _, s := range strings.Fields(row) {
			v, ok := new(big.Rat).SetString(s)
			if !ok {
				panic(s)
			}
			numbers = append(numbers, v)
		}
		terms := []*big.Rat{big.NewRat(1, 1)}
		if r.degree == 0 {
			terms = append(terms, numbers[1:]...)
		}
		for k := range r.degree {
			terms = append(terms, new(big.Rat).Mul(terms[k], numbers[1]))
		}
		response, design = append(response, numbers[0]), append(design, terms)
	}
	return response, design
}

// solveExactly solves the normal equations by elimination.
func solveExactly(response []*big.Rat, design [][]*big.Rat) []*big.Rat {
	n := len(design[0])
	m := make([][]*big.Rat, n)
	for i := range m {
		m[i] = make([]*big.Rat, n+1)
		for k := range m[i] {
			sum := new(big.Rat)
			for row := range design {
				other := response[row]
				if k < n {
					other = design[row][k]
				}
				sum.Add(sum, new(big.Rat).Mul(design[row][i], other))
			}
			m[i][k] = sum
		}
	}
	for i := range n {
		for row := range n {
			if row == i {
				continue
			}
			f := new(big.Rat).Quo(m[row][i], m[i][i])
			for k := range m[row] {
				m[row][k] = new(big.Rat).Sub(m[row][k], new(big.Rat).Mul(f, m[i][k]))
			}
		}
	}
	c := make([]*big.Rat, n)
	for i := range c {
		c[i] = new(big.Rat).Quo(m[i][n], m[i][i])
	}
	return c
}

func TestReferenceDatasets(t *testing.T) {
	for _, r := range regressions {
		t.Run(r.name, func(t *testing.T) {
			response, design := r.rational()
			exact := solveExactly(response, design)
			columns := make([][]float64, len(design[0]))
			x := make([]float64, len(response))
			for i := range response {
				x[i], _ = response[i].Float64()
				for k := range columns {
					v, _ := design[i][k].Float64()
					columns[k] = append(columns[k], v)
				}
			}
			c, v, s, err := leastSquares(columns, x, nil)
			if err != nil {
				t.Fatal(err)
			}
			number := func(s string) float64 {
				v, ok := new(big.Rat).SetString(s)
				if !ok {
					t.Fatal(s)
				}
				f, _ := v.Float64()
				return f
			}
			tolerance := math.Pow10(-r.digits)
			for k := range c {
				e, _ := exact[k].Float64()
				closeTo(t, fmt.Sprintf("exact B%d", k), e, number(r.certified[k]), 1e-14)
				closeTo(t, fmt.Sprintf("B%d", k), c[k], number(r.certified[k]), tolerance)
				closeTo(t, fmt.Sprintf("u(B%d)", k), math.Sqrt(v[k][k]), number(r.deviation[k]), tolerance)
			}
			closeTo(t, "s", s, number(r.residual), tolerance)
		})
	}
}

func TestWeightsOfLeastSquares(t *testing.T) {
	// A row of uncertainty u counts as 1/u² rows: by construction.
	once, _, _, err := polynomial([]float64{0, 1, 2, 3}, []float64{1, 3, 2, 5}, []float64{1, 0.5, 1, 1}, 1)
	if err != nil {
		t.Fatal(err)
	}
	four, _, _, err := polynomial([]float64{0, 1, 1, 1, 1, 2, 3}, []float64{1, 3, 3, 3, 3, 2, 5}, nil, 1)
	if err != nil {
		t.Fatal(err)
	}
	for k := range once {
		closeTo(t, "coefficient", once[k], four[k], 1e-12)
	}
	if _, _, _, err := polynomial([]float64{1, 1, 1}, []float64{1, 2, 3}, nil, 1); err == nil {
		t.Error("a line through one time was accepted")
	}
}

// published are the nine- and the thousand-point frequency records of NIST SP
// 1065, clause 12.4.
func published() (nbs, nist []float64) {
	n := int64(1234567890)
	for range 1000 {
		nist = append(nist, float64(n)/2147483647)
		n = 16807 * n % 2147483647
	}
	return []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}, nist
}

// TestPublishedSlopes: NIST SP 1065, clause 12.4, tables 29 to 31: mean, linear
// slope and intercept (index from 1) of the frequency records. Drift by a parabola
// through phase: least squares in rational numbers (Python 3, fractions).
func TestPublishedSlopes(t *testing.T) {
	nbs, nist := published()
	for _, c := range []struct {
		y                                    []float64
		mean, slope, intercept, fromParabola string
	}{
		{nbs, "7.888889e+02", "-1.020000e+01", "8.398889e+02", "-5.560606e+00"},
		{nist, "4.897745e-01", "6.490910e-06", "4.865258e-01", "6.914848e-06"},
	} {
		s, err := AnalyseFrequency(c.y, 1)
		if err != nil {
			t.Fatal(err)
		}
		slope := s.Ageing / day
		intercept := s.Y - slope*float64(len(c.y)+1)/2
		p, err := AnalysePhase(stability.PhaseFromFrequency(c.y, 1), 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range []struct {
			what string
			got  float64
			want string
		}{{"mean", s.Y, c.mean}, {"slope", slope, c.slope}, {"intercept", intercept, c.intercept}, {"parabola", p.Ageing / day, c.fromParabola}} {
			if got := fmt.Sprintf("%.6e", v.got); got != v.want {
				t.Errorf("%d values, %s = %s, published %s", len(c.y), v.what, got, v.want)
			}
		}
	}
}

// TestSeriesUncertainty: for white frequency noise the uncertainty of the mean
// rate is s/√n and that of the slope s√12/n^1.5 (derived: the variances of mean and slope of n equally spaced values).
func TestSeriesUncertainty(t *testing.T) {
	_, nist := published()
	s, err := AnalyseFrequency(nist, 1)
	if err != nil {
		t.Fatal(err)
	}
	const sd = .2884664 // SP 1065, table 31
	if s.Noise != stability.WhiteFM {
		t.Errorf("noise %v", s.Noise)
	}
	closeTo(t, "u(y)", s.UY, sd/math.Sqrt(1000), .3)
	closeTo(t, "u(ageing)", s.UAgeing/day, sd*math.Sqrt(12)/math.Pow(1000, 1.5), .3)
}
