package envelope

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"timeball/detect/kaiser"
)

// air makes windows of a receiver's audio from the physics: a full carrier and its
// upper sideband over fading paths, a filter, a detector, an audio chain. It shares
// nothing with the package's own waveforms.
type air struct {
	seed       uint64
	seconds    int
	delays     []float64 // s, of paths of equal power
	spreadHz   float64   // twice the standard deviation of the Doppler spectrum
	snrDB      float64   // of the tone against the noise in 3 kHz of audio
	detector   Detector
	highPassHz float64 // of the second order
	lowPassHz  float64
	rate       float64 // at which the marks drift, s/s
}

const airRate = 48000.0 // Hz

// fading is a complex Gaussian process of unit power with a Gaussian spectrum, at
// the middle of each second: a sum of many waves of random frequency.
type fading struct{ hz, phase []float64 }

func newFading(rng *rand.Rand, spread float64) fading {
	const waves = 200
	f := fading{make([]float64, waves), make([]float64, waves)}
	for i := range f.hz {
		f.hz[i], f.phase[i] = rng.NormFloat64()*spread/2, 2*math.Pi*rng.Float64()
	}
	return f
}

func (f fading) at(t float64) complex128 {
	var z complex128
	for i, hz := range f.hz {
		z += cmplx.Rect(1, 2*math.Pi*hz*t+f.phase[i])
	}
	return z / complex(math.Sqrt(float64(len(f.hz))), 0)
}

// analytic is the analytic signal of a mark of 1 kHz and 300 ms that starts at
// sample 24000 of 48000.
var analytic = func() []complex128 {
	const n = 48000
	x := make([]complex128, n)
	for i := range 14400 {
		x[24000+i] = complex(math.Sin(2*math.Pi*1000*float64(i)/airRate), 0)
	}
	fft := fourier.NewCmplxFFT(n)
	s := fft.Coefficients(nil, x)
	for k := range s {
		switch {
		case k > n/2:
			s[k] = 0
		case k > 0:
			s[k] *= 2
		}
		s[k] /= n
	}
	return fft.Sequence(nil, s)
}()

// raw returns the audio at 8 kHz of each second from 12 ms before to 24 ms after
// lag zero, and the group delay of its chain at 1 kHz.
func (a *air) raw() (audio [][]float64, delay float64) {
	rng := rand.New(rand.NewPCG(a.seed, 77))
	var paths []fading
	for range a.delays {
		paths = append(paths, newFading(rng, a.spreadHz))
	}
	const before, after, settle = 0.012, 0.024, 0.030
	n := int((settle + before + after + 0.004) * airRate)
	// Power of the tone is 1/2 at unit carrier; noise in phase has that density.
	sigma := math.Sqrt(0.5 / math.Pow(10, a.snrDB/10) * airRate / 2 / 3000)
	lp := window(191, 5000/airRate)
	down := window(191, 4000/airRate)
	for s := range a.seconds {
		t := float64(s)
		// The carrier alone is around it.
		half := len(lp) / 2
		reAll, imAll := make([]float64, n+2*half), make([]float64, n+2*half)
		re, im := reAll[half:half+n], imAll[half:half+n]
		for p, d := range a.delays {
			d += a.rate * (t - float64(a.seconds-1)/2)
			g0, g1 := paths[p].at(t), paths[p].at(t+float64(n)/airRate)
			// Windowed sinc between samples.
			at := 24000 - (settle+before+d)*airRate
			k := math.Floor(at)
			var between [16]complex128
			for j := range between {
				x := at - k - float64(j-7)
				between[j] = complex((0.5+0.5*math.Cos(math.Pi*x/8.5))*kaiser.Sinc(x), 0)
			}
			for i := range re {
				var m complex128
				for j, w := range between {
					m += w * analytic[int(k)+i+j-7]
				}
				g := g0 + (g1-g0)*complex(float64(i)/float64(n), 0)
				z := g * (1 + m) / complex(math.Sqrt(float64(len(a.delays))), 0)
				re[i], im[i] = re[i]+real(z), im[i]+imag(z)
			}
		}
		var carrier complex128
		for p := range paths {
			carrier += paths[p].at(t) / complex(math.Sqrt(float64(len(paths))), 0)
		}
		for i := range re {
			re[i] += sigma * rng.NormFloat64()
			im[i] += sigma * rng.NormFloat64()
		}
		for i := range half {
			reAll[i], imAll[i] = real(carrier), imag(carrier)
			reAll[half+n+i], imAll[half+n+i] = real(carrier), imag(carrier)
		}
		beat := cmplx.Rect(1, 2*math.Pi*rng.Float64())
		y := make([]float64, n)
		for i := range y {
			c := complex(floats.Dot(lp, reAll[i:i+len(lp)]), floats.Dot(lp, imAll[i:i+len(lp)]))
			switch a.detector {
			case Diode:
				y[i] = cmplx.Abs(c)
			case Synchronous:
				y[i] = real(c * cmplx.Conj(carrier) / complex(cmplx.Abs(carrier), 0))
			case Product:
				y[i] = real(c * beat)
			}
		}
		a.chain(y)
		out := make([]float64, int((before+after)*8000))
		for i := range out {
			at := int(settle*airRate) + 6*i
			for k, w := range down {
				out[i] += w * y[at+k-len(down)/2]
			}
		}
		audio = append(audio, out)
	}
	h := a.response()
	const step = 0.5
	return audio, -cmplx.Phase(h(1000+step)/h(1000-step)) / (2 * math.Pi * 2 * step)
}

// window is a windowed-sinc low-pass filter with its corner at so many cycles a sample.
func window(n int, corner float64) []float64 {
	w := make([]float64, n)
	sum := 0.0
	for i := range w {
		x := float64(i - n/2)
		w[i] = 2 * corner
		if x != 0 {
			w[i] = math.Sin(2*math.Pi*corner*x) / (math.Pi * x)
		}
		w[i] *= 0.54 + 0.46*math.Cos(2*math.Pi*x/float64(n+1))
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

// chain passes y through high-pass and low-pass filters of the second order.
func (a *air) chain(y []float64) {
	run := func(b, c [3]float64) {
		var x1, x2, y1, y2 float64
		x1, x2 = y[0], y[0]
		y1 = y[0] * (b[0] + b[1] + b[2]) / (c[0] + c[1] + c[2])
		y2 = y1
		for i, v := range y {
			o := (b[0]*v + b[1]*x1 + b[2]*x2 - c[1]*y1 - c[2]*y2) / c[0]
			x1, x2, y1, y2 = v, x1, o, y1
			y[i] = o
		}
	}
	if a.highPassHz > 0 {
		k := math.Tan(math.Pi * a.highPassHz / airRate)
		run([3]float64{1, -2, 1}, [3]float64{1 + math.Sqrt2*k + k*k, 2 * (k*k - 1), 1 - math.Sqrt2*k + k*k})
	}
	if a.lowPassHz > 0 {
		k := math.Tan(math.Pi * a.lowPassHz / airRate)
		run([3]float64{k * k, 2 * k * k, k * k}, [3]float64{1 + math.Sqrt2*k + k*k, 2 * (k*k - 1), 1 - math.Sqrt2*k + k*k})
	}
}

func (a *air) response() func(hz float64) complex128 {
	return func(hz float64) complex128 {
		h := complex(1, 0)
		if a.highPassHz > 0 {
			s := complex(0, hz/a.highPassHz)
			h *= s * s / (1 + complex(math.Sqrt2, 0)*s + s*s)
		}
		if a.lowPassHz > 0 {
			s := complex(0, hz/a.lowPassHz)
			h *= 1 / (1 + complex(math.Sqrt2, 0)*s + s*s)
		}
		return h
	}
}

// given is the chain as it is told to the fit, its high-pass filter's corner off.
func (a *air) given(off float64) Chain {
	low := func(hz, by float64) complex128 {
		if a.lowPassHz == 0 {
			return 1
		}
		s := complex(0, hz/a.lowPassHz*math.Exp(-by))
		return 1 / (1 + complex(math.Sqrt2, 0)*s + s*s)
	}
	const small = 1e-3
	c := Chain{
		Pairs: []float64{math.Sqrt2}, CornerHz: a.highPassHz * off, Rest: func(hz float64) complex128 { return low(hz, 0) },
		RestTurn: cmplx.Log(low(1000, small)/low(1000, -small)) / (2 * small),
		Sure:     [2]float64{400, 400},
	}
	c.Delay = func(high, rest float64) float64 {
		h := func(hz float64) complex128 {
			s := complex(0, hz/c.CornerHz*math.Exp(-high))
			return s * s / (1 + complex(math.Sqrt2, 0)*s + s*s) * low(hz, rest)
		}
		const step = 0.5
		return -cmplx.Phase(h(1000+step)/h(1000-step)) / (4 * math.Pi * step)
	}
	return c
}
