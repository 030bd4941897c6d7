package path

import "math"

// f2Layer is what the formulas of the F2 layer need at one control point.
type f2Layer struct {
	foF2Hz, m3000, foEHz, gyroHz float64
}

// simpleHeightM is the mirror height of Rec. ITU-R P.533-14, equation 2.
func (l f2Layer) simpleHeightM() float64 {
	return 1e3 * min(1490/l.m3000-176, 500)
}

// longestHopM is dmax of equation 5, uncapped, and b of equation 6.
func (l f2Layer) longestHopM() (dmaxM, b float64) {
	x := max(l.foF2Hz/l.foEHz, 2)
	b = l.m3000 - 0.124 + (l.m3000*l.m3000-4)*(0.0215+0.005*math.Sin(7.854/x-1.9635))
	x2 := x * x
	dmaxKm := 4780 + (12610+2140/x2-49720/(x2*x2)+688900/(x2*x2*x2))*(1/b-0.303)
	return 1e3 * dmaxKm, b
}

// mufHz is the basic MUF of a hop over hopM of ground (P.533-14, equations 3 to
// 6). The lowest mode of a path takes no hop beyond 4000 km into account.
func (l f2Layer) mufHz(hopM float64, lowest bool) float64 {
	dmaxM, b := l.longestHopM()
	if lowest {
		dmaxM = min(dmaxM, longestF2HopM)
	}
	factor := func(d float64) float64 {
		z := 1 - 2*d/dmaxM
		return 0.74 + z*(-0.591+z*(-0.424+z*(-0.090+z*(0.088+z*(0.181+z*0.096)))))
	}
	d := min(hopM, dmaxM)
	return (1+factor(d)/factor(3000e3)*(b-1))*l.foF2Hz + l.gyroHz/2*(1-d/dmaxM)
}

// mirrorHeightM is the height of the mirror that gives the delay of a hop over
// hopM of ground at frequencyHz: the lesser of the piecewise height of P.533-14
// section 5.1 and of equation 2. Against exact rays through parabolic layers that
// choice is nearest: 0.15 ms RMS a hop, where either alone has 0.25 and 0.31.
func (l f2Layer) mirrorHeightM(hopM, frequencyHz, r12 float64) float64 {
	return min(l.piecewiseHeightM(hopM, frequencyHz, r12), l.simpleHeightM())
}

func (l f2Layer) piecewiseHeightM(hopM, frequencyHz, r12 float64) float64 {
	ratio := l.foF2Hz / l.foEHz
	y := max(ratio, 1.8)
	deltaM := 0.18/(y-1.4) + 0.096*(min(r12, 160)-25)/150
	height := 1490/(l.m3000+deltaM) - 316
	d := hopM / 1e3
	xr := frequencyHz / l.foF2Hz
	var km float64
	switch {
	case ratio <= 3.33:
		j := 16.07 + y*(-16.13+y*(5.863-0.7126*y))
		u := 8e-5*(height-80)*(1+11*math.Pow(y, -2.2)) + 1.2e-3*height*math.Pow(y, -3.6)
		km = 115 + height*j + u*d
	case xr >= 1:
		e := 0.6 + xr*(-0.7506+xr*(0.6870-0.09707*xr))
		f := 1.21 + 0.2*xr
		if xr <= 1.71 {
			f = -10.91 + xr*(33.50+xr*(-32.03+xr*(12.95-1.862*xr)))
		}
		// The term 90.47·xr keeps g continuous with 0 and with its last branch.
		g := 19.25
		if xr <= 3.7 {
			g = -44.73 + xr*(90.47+xr*(-63.15+xr*(19.50-2.102*xr)))
		}
		a := (d - (160 + (height+43)*g)) / (height + 140)
		base := 140 + (height-47)*e
		rise := 150 + (height-17)*f - base
		km = base + rise
		if rise >= 0 && a >= 0 {
			km = base + rise*math.Pow(2.4, -a)
		}
	default:
		z := max(xr, 0.1)
		e := 0.1936 + z*(0.00583+0.1906*z)
		base := 151 + (height-47)*e
		f := 0.162 + z*(0.883+0.645*z)
		rise := 141 + (height-24)*f - base
		km = base + rise
		if rise >= 0 {
			df := min(0.115*d/(z*(height+140)), 0.65)
			km = base + rise*(1+df*(-0.378+df*(-8.834+df*(15.75-7.535*df))))
		}
	}
	return 1e3 * min(km, 800)
}
