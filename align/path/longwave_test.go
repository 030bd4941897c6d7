package path

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/align/path/groundwave"
	"timeball/capture/station"
)

// Excess delays of one hop by the geometry of Rec. ITU-R P.684, for known paths of a
// 77.5 kHz station by day and by night, computed by another hand.
func TestLongWaveExcess(t *testing.T) {
	for _, tt := range []struct{ km, heightKm, us float64 }{
		{273, 70, 117}, {273, 90, 185}, {380, 70, 90}, {1073, 70, 49}, {1073, 90, 74}, {500, 90, 116}, {100, 65, 215},
	} {
		got, perMetre := longSky{heightM: tt.heightKm * 1e3}.excess(1, tt.km*1e3)
		if math.Abs(got*1e6-tt.us) > 1.5 {
			t.Errorf("%g km at %g km: %.1f us, want %g", tt.km, tt.heightKm, got*1e6, tt.us)
		}
		if perMetre <= 0 {
			t.Errorf("%g km: a higher layer is no later", tt.km)
		}
	}
	if got, _ := (longSky{heightM: 90e3}).excess(2, 1000e3); math.Abs(got*1e6-231) > 1.5 {
		t.Errorf("two hops over 1000 km: %.1f us, want 231", got*1e6)
	}
}

// A sky wave of half the ground wave's amplitude shifts an edge by −1 to +1/3 of its
// excess, and over the phases by nothing in the mean.
func TestLongWaveMixture(t *testing.T) {
	s := longSky{heightM: 90e3, levelDB: [2]float64{20 * math.Log10(0.5), -200}}
	d, _ := s.excess(1, 500e3)
	all, _ := s.readings(500e3, 0, 0)
	m := gathered(all, siteU, 0)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, c := range m {
		lo, hi = min(lo, c.Mean/d), max(hi, c.Mean/d)
	}
	if lo < -1 || lo > -0.98 || hi > 1.0/3 || hi < 0.33 {
		t.Errorf("shifts from %.3f to %.3f of the excess, want -1 to 1/3", lo, hi)
	}
	if got := m.Mean() / d; math.Abs(got) > 1e-3 {
		t.Errorf("mean shift %.4f of the excess, want 0", got)
	}
}

// Of layers drawn at random, at rest, the interval without marks holds 95 %, by day and by
// night, near and far; of those that turn the first hop's phase by two radians meanwhile,
// more. Each edge is the mean, by power, of the sums of ground wave and two hops.
func TestLongWaveHolds(t *testing.T) {
	const n = 4000
	for _, hour := range []int{0, 12} {
		for _, lon := range []float64{6.1, 3.4, 2.03} {
			p := longPathAt(t, lon, hour)
			for _, turn := range []float64{0, 2} {
				r := rand.New(rand.NewPCG(3, uint64(hour)))
				held := 0
				for range n {
					layer, stray := p.long.sky, p.long.sky.levelU*r.NormFloat64()
					layer.heightM += layer.heightU * r.NormFloat64()
					first, second := 2*math.Pi*r.Float64(), 2*math.Pi*r.Float64()
					var power, moment float64
					const steps = 8
					for i := range steps {
						x := turn * (float64(i)/(steps-1) - 0.5)
						sum, late := complex(1, 0), complex(0, 0)
						for k, phase := range []float64{first + x, second + 2*x} {
							d, _ := layer.excess(layer.fewest+k, p.DistanceM)
							wave := cmplx.Rect(math.Pow(10, (layer.levelDB[k]+stray)/20), phase)
							sum += wave
							late += wave * complex(d, 0)
						}
						power += real(sum * cmplx.Conj(sum))
						moment += real(late * cmplx.Conj(sum))
					}
					delay := p.long.ground.seconds + moment/power + p.long.ground.u*r.NormFloat64()
					if delay >= p.CI95[0] && delay <= p.CI95[1] {
						held++
					}
				}
				share := float64(held) / n
				t.Logf("%.0f km at %d h, turned by %g: held %.1f %% of %.0f us", p.DistanceM/1e3, hour, turn, 100*share, 1e6*(p.CI95[1]-p.CI95[0]))
				if share < 0.935 || turn == 0 && share > 0.97 {
					t.Errorf("%.0f km at %d h, turned by %g: held %.3f", p.DistanceM/1e3, hour, turn, share)
				}
			}
		}
	}
}

// By day at 400 km the ground wave rules and the delay is known to some microseconds
// in summer; by night the sky wave is nearly as strong (PTB's account of the reach of
// DCF77: ground wave inside 500 km, both alike from 600 to 1100 km).
func TestPredictLongWave(t *testing.T) {
	s, _ := station.Find("dcf77")
	land, err := groundwave.Parse("land")
	if err != nil {
		t.Fatal(err)
	}
	predict := func(month time.Month, hour int) Prediction {
		p, err := Predict(Request{Station: s, At: LatLon{Lat: 50.4, Lon: 3.4}, Time: time.Date(2026, month, 21, hour, 0, 0, 0, time.UTC), Sunspots: math.NaN(), Ground: land})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	noon, night := predict(time.June, 12), predict(time.June, 0)
	if u := noon.USeconds; u > 6e-6 {
		t.Errorf("summer noon: u = %.1f us", u*1e6)
	}
	if u := night.USeconds; u < 60e-6 || u > 150e-6 {
		t.Errorf("night: u = %.1f us", u*1e6)
	}
	// Primary and secondary delay: 403.2 km in air, and 2.7 us over land by group.
	want := noon.DistanceM*groundwave.Index/lightMPerS + 2.7e-6
	if math.Abs(noon.DelaySeconds-want) > 1e-6 {
		t.Errorf("summer noon: %.2f us, want %.2f", noon.DelaySeconds*1e6, want*1e6)
	}
	if name, _ := noon.FirstMode(); name != "ground" {
		t.Errorf("summer noon by %s", name)
	}
	slots, err := Outlook(OutlookRequest{Stations: []station.Station{*s}, At: LatLon{Lat: 50.4, Lon: 3.4}, From: time.Date(2026, 6, 21, 0, 0, 0, 0, time.UTC), Hours: 24, Sunspots: math.NaN(), Receiver: DefaultReceiver})
	if err != nil {
		t.Fatal(err)
	}
	if s := slots[12]; s.Hearing != Likely || s.Mode != "ground" || s.Twilight {
		t.Errorf("noon: %+v", s)
	}
	if s := slots[3]; !s.Twilight || s.Steady {
		t.Errorf("dawn: %+v", s)
	}
}

// Where a hop would leave below the horizon there are more of them: nothing comes
// faster than light.
func TestLongWaveBeyondTheHorizon(t *testing.T) {
	all := station.Builtin()
	wwvb := &all[slices.IndexFunc(all, func(s station.Station) bool { return s.ID == "wwvb" })]
	for _, at := range []LatLon{{Lat: 50.2, Lon: -5.6}, {Lat: 20, Lon: -157}, {Lat: -38, Lon: 145}} {
		p, err := Predict(Request{Station: wwvb, At: at, Time: time.Date(2026, 3, 14, 8, 0, 0, 0, time.UTC), Sunspots: 80})
		if err != nil {
			t.Fatal(err)
		}
		if p.CI95[0] < p.GreatCircleSeconds {
			t.Errorf("%v: from %g s, light %g s", at, p.CI95[0], p.GreatCircleSeconds)
		}
		for _, m := range p.Modes {
			if m.Elevation < 0 || m.DelaySeconds < p.GreatCircleSeconds {
				t.Errorf("%v: %+v", at, m)
			}
		}
	}
}

// Why the interval of a long-wave edge may begin before light: through a receiver's
// filter a sky wave that weakens the sum makes the edge's middle early. Keyed carriers
// through one pole of 1 ms, added up in full, against the formula of first order.
func TestEdgeOfSumIsEarly(t *testing.T) {
	const pole, excess, rho = 1e-3, 0.1e-3, -0.4
	field := func(t float64) float64 {
		rise := func(t float64) float64 { return 1 - math.Exp(-max(0, t)/pole) }
		return rise(t) + rho*rise(t-excess)
	}
	middle := func(f func(float64) float64, end float64) float64 {
		low, high := 0.0, 10*pole
		for range 50 {
			if mid := (low + high) / 2; f(mid) < end/2 {
				low = mid
			} else {
				high = mid
			}
		}
		return low
	}
	alone := pole * math.Ln2
	near(t, "the sum's middle after the ground wave's", middle(field, 1+rho)-alone, rho*excess/(1+rho), 8e-6) // D/2τ of it is of second order
}

// An outlook's delay, by half the phases each and by quantiles, is within a twentieth of u,
// which nobody sees, of that by all phases, and u within a twentieth likewise. The mixture's
// shortest set, where it has parts, may be shorter or longer by a fifth.
func TestLongWaveInBrief(t *testing.T) {
	for _, hour := range []int{0, 12} {
		for _, lon := range []float64{6.1, 3.4, 2.03, -5.6} {
			p := longPathAt(t, lon, hour)
			seconds, u := p.long.inBrief(briefPhases, briefSecond)
			all, uAll := p.long.inBrief(longPhases, secondPhases)
			if math.Abs(seconds-all) > uAll/20 || math.Abs(u/uAll-1) > 0.05 {
				t.Errorf("%g east, %d h: %.3f u off all phases', u is %.3f of theirs", lon, hour, (seconds-all)/uAll, u/uAll)
			}
			if math.Abs(seconds-p.DelaySeconds) > p.USeconds/20 || math.Abs(u/p.USeconds-1) > 0.2 {
				t.Errorf("%g east, %d h: %.3f u off the mixture, u is %.3f of its", lon, hour, (seconds-p.DelaySeconds)/p.USeconds, u/p.USeconds)
			}
		}
	}
}
