package find

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// everySecond is noise of unit variance at 8 kHz with sounds in it that begin some
// way into each second; sound tells a value of the second's t later.
func everySecond(seconds int, seed uint64, sound func(second int, t float64) float64) *audio.Stream {
	const rate, at = 8000, 0.3171
	r := rand.New(rand.NewPCG(seed, 23))
	x := make([]float32, seconds*rate)
	for i := range x {
		x[i] = float32(r.NormFloat64())
		second := math.Floor(float64(i) / steadySecond)
		if t := (float64(i)-second*steadySecond)/rate - at; t >= 0 {
			x[i] += float32(sound(int(second), t))
		}
	}
	s := audio.NewStream(rate, len(x))
	s.Process(0, x)
	return s
}

// heard runs a finder over s of the station that is named, or of all of a tone of
// their own, and returns what is taken for a station.
func heard(s *audio.Stream, seconds int64, named string) []Heard {
	var all, looked []*station.Station
	builtin := station.Builtin()
	for i := range builtin {
		if st := &builtin[i]; st.ToneHz > 0 && !st.Lookalike {
			all = append(all, st)
			if st.ID == named || named == "" {
				looked = append(looked, st)
			}
		}
	}
	f := NewFinder(s, steadyBase{}, Request{Stations: looked, Named: named != "", Table: all})
	f.Start(0)
	f.Advance(seconds)
	return f.Heard()
}

// amplitude is that of a sound of a given energy ∫x² for unit amplitude, s, that
// gives so many times the noise's density in all seconds together (E/N0).
func amplitude(ratio, energy float64, seconds int) float64 {
	const density = 2.0 / 8000 // one-sided, of unit variance at 8 kHz
	return math.Sqrt(ratio * density / (energy * float64(seconds)))
}

// What rings when struck is no tick, though the station of its pitch be named, whether it barely stands out of the noise or
// far, is on the pitch or off it, dull or sharp. (Small parts of clocks ring for some
// milliseconds: common practice.)
func TestRingsAreRefused(t *testing.T) {
	const seconds = 50
	nearest := map[float64]string{1: "wwv", 1.2: "wwvh", 1.8: "hla"} // by kHz
	for i, c := range []struct{ hz, decay, rise float64 }{
		{1000, 2e-3, 0}, {1000, 4e-3, 0}, {1000, 8e-3, 0}, {1000, 3e-3, 1e-3}, {1000, 4e-3, 0.5e-3},
		{960, 4e-3, 0}, {1045.3, 3e-3, 0.3e-3}, {1200, 4e-3, 0}, {1170, 5e-3, 0}, {1800, 3e-3, 0},
	} {
		for _, ratio := range []float64{40, 80, 1e3} {
			a := amplitude(ratio, c.decay/4, seconds)
			s := everySecond(seconds, uint64(i), func(_ int, t float64) float64 {
				if t > 0.1 {
					return 0
				}
				v := a * math.Exp(-t/c.decay) * math.Sin(2*math.Pi*c.hz*t)
				if c.rise > 0 {
					v *= 1 - math.Exp(-t/c.rise)
				}
				return v
			})
			if h := heard(s, seconds, nearest[math.Round(c.hz/200)/5]); len(h) > 0 {
				t.Errorf("a ring at %g Hz that dies away in %g ms and rises in %g ms, E/N0 %g, is taken for %s", c.hz, c.decay*1e3, c.rise*1e3, ratio, h[0].Station.ID)
			}
		}
	}
}

// Ticks about as weak as those rings, of which seven in eight are heard, are a station's, by one path or by two.
func TestTicksAreNoRings(t *testing.T) {
	wwv := station.Builtin()[0]
	for i, c := range []struct {
		seconds      int
		ratio        float64
		later, level float64 // of a second path
	}{
		{100, 100, 0, 0}, {100, 120, 1.3e-3, 0.8}, {100, 300, 5e-3, 0.4}, {100, 300, 2.25e-3, -0.7}, {100, 1e4, 0, 0},
		{15, 200, 0, 0}, // before any minute mark
	} {
		a := amplitude(c.ratio, 5e-3/2, c.seconds)
		s := everySecond(c.seconds, uint64(i), func(second int, t float64) float64 {
			m, _ := wwv.MarkAt(7, (second+20)%60)
			v := 0.0
			for _, p := range []struct{ t, level float64 }{{t, 1}, {t - c.later, c.level}} {
				if p.t >= 0 && p.t < m.Length {
					v += a * p.level * math.Sin(2*math.Pi*wwv.ToneHz*p.t)
				}
			}
			return v
		})
		h := heard(s, int64(c.seconds), wwv.ID)
		if len(h) != 1 || h[0].Station.ID != wwv.ID {
			t.Errorf("%s: heard %v", fmt.Sprintf("%+v", c), h)
		}
	}
}
