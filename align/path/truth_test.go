package path

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"timeball/align/path/ionosphere"
	"timeball/capture/station"
)

// truth is an ionosphere that the program is judged by: rays of its own through
// layers of other shapes (a parabolic F2 layer, a straight F1 ledge, a shallower
// valley), five places along every circuit and one every 1000 km at least, strays wide times as far as assumed.
// Medians, the rule of levels and the correlation in place and time are shared.
type truth struct {
	wide float64
	w    *weather
	z    []float64
	legs []leg
}

// newTruth draws the ionosphere over receptions' circuits, and further places.
func newTruth(r *rand.Rand, wide, r12 float64, receptions []Reception, places ...LatLon) *truth {
	t := &truth{wide: wide}
	var over []*overhead
	for _, x := range receptions {
		request := Request{Station: x.Station, CarrierHz: x.CarrierHz, At: x.At, Time: x.Time}
		c := request.carriers()[0]
		way := request.circuit(c)
		now := newInstant(x.Time, nil, r12)
		l, _ := survey(now, way, c.Hz, nil)
		l.places = nil
		n := max(5, int(math.Ceil(way.distanceM/1000e3)))
		for i := range n {
			l.places = append(l.places, len(over))
			p := way.place(way.distanceM * (float64(i) + 0.5) / float64(n))
			o := newOverhead(p, now)
			if _, exists := ionosphere.FoF1(p, now.sun, r12); !exists {
				o.foF1Hz = 0
			}
			over = append(over, o)
		}
		t.legs = append(t.legs, l)
	}
	for _, p := range places {
		over = append(over, newOverhead(ionosphere.NewPlace(p), newInstant(receptions[0].Time, nil, r12)))
	}
	t.w = newWeather(r12, givenSunspotsU, over, nil)
	t.z = make([]float64, t.w.size())
	for i := range t.z {
		t.z[i] = r.NormFloat64()
	}
	t.wide *= scale(t.z) // now and then a day strays far
	return t
}

// layers is the plasma frequency squared, MHz², over height in km over a place.
func (t *truth) layers(place int) (density func(km float64) float64, peak float64) {
	stray := func(q int) float64 { return t.wide * t.w.field(t.z, q, place) }
	o := t.w.over[place]
	spots := t.w.sunspots(t.z) - t.w.r12
	f := stray(strayFoF2)
	u := o.high
	if f < 0 {
		u = o.low
	}
	passing := t.wide * t.w.field(t.z, passingDensity, place)
	foF2 := max(o.foF2Hz+o.perFoF2*spots, 1e6) * math.Exp(u*f+0.025*passing) / 1e6
	foE := o.foEHz * math.Exp(0.04*stray(strayFoE)) / 1e6
	foF1 := o.foF1Hz / o.foEHz * foE
	m := max(o.m3000+o.perM3000*spots, 2) + 0.13*stray(strayM3000)
	peak = 1490/(m+0.18/(max(foF2/foE, 1.7)-1.4)+0.096*(t.w.r12+spots-25)/150) - 176
	peak = min(max(peak+5*t.wide*t.w.field(t.z, passingHeight, place), 195), 600)
	ym := min(0.30*math.Exp(0.15*stray(strayThickF2)), 0.6) * peak
	hE, yE := max(110+3*stray(strayPeakE), 90), 20*math.Exp(0.15*stray(strayThickE))
	yE = min(yE, hE-lowestTraced) // rays see no more of it
	hF1 := 195 + 8*stray(strayPeakF1)
	return func(km float64) float64 {
		n := max(0, foE*foE*(1-(km-hE)*(km-hE)/(yE*yE)))
		if km > hE {
			n = max(n, 0.97*foE*foE)
			if foF1 > foE {
				share := min(1, (km-hE)/(hF1-hE))
				n = max(n, foE*foE*0.97+(foF1*foF1-0.97*foE*foE)*share)
			}
		}
		if d := (min(km, peak) - peak) / ym; d > -1 {
			n = max(n, foF2*foF2*(1-d*d))
		}
		return n
	}, peak
}

// wave is one ray's hop: ground distance, group path and turning point, km.
type wave struct{ ground, group, top float64 }

const (
	raysTraced   = 200
	lowestTraced = 60.0 // km
)

func elevationTraced(i int) float64 { return (0.4 + 0.43*float64(i)) * math.Pi / 180 }

// rays traces hops over a place by the trapezium rule in the root of the height
// below the turning point.
func (t *truth) rays(place int, mhz float64) []wave {
	const r0 = earthRadiusM / 1e3
	density, peak := t.layers(place)
	const from, dz = lowestTraced, 1.0
	n := int((peak-from)/dz) + 1
	mu2 := make([]float64, n+1)
	for i := range mu2 {
		mu2[i] = 1 - density(from+float64(i)*dz)/(mhz*mhz)
	}
	out := make([]wave, raysTraced)
	for j := range out {
		b := elevationTraced(j)
		k := r0 * math.Cos(b)
		square := func(i int) float64 { r := r0 + from + float64(i)*dz; return r*r*mu2[i] - k*k }
		gamma := math.Acos(k / (r0 + from))
		ground, group := gamma-b, (r0+from)*math.Sin(gamma)-r0*math.Sin(b)
		q := square(0)
		for i := 1; i <= n; i++ {
			next := square(i)
			r := r0 + from + (float64(i)-0.5)*dz
			slope := (next - q) / dz
			// ∫dz/√q for q straight over the step.
			w := 2 * (math.Sqrt(max(next, 0)) - math.Sqrt(q)) / slope
			if slope == 0 {
				w = dz / math.Sqrt(q)
			}
			ground += k * w / r
			group += w * r
			if next <= 0 {
				out[j] = wave{2 * r0 * ground, 2 * group, from + float64(i)*dz - dz*next/(next-q)}
				break
			}
			q = next
		}
	}
	return out
}

// arrivals lists what comes over a leg: delay in s, level in dB.
func (t *truth) arrivals(leg int) []arriving {
	l := &t.legs[leg]
	var fans [][]wave
	for _, p := range l.places {
		fans = append(fans, t.rays(p, l.hz/1e6))
	}
	loss := math.Exp(uAbsorption * t.wide * t.w.field(t.z, strayAbsorption, l.places[len(l.places)/2]))
	var all []arriving
	if l.hasGround {
		all = append(all, arriving{delay: l.ground.pathM / lightMPerS, levelDB: l.ground.levelDB})
	}
	for n := 1; n <= 9; n++ {
		var previous wave
		var high bool
		for j := range raysTraced {
			var sum wave
			ok := true
			for h := range n {
				at := (float64(h)+0.5)/float64(n)*float64(len(fans)) - 0.5
				left := min(max(int(math.Floor(at)), 0), len(fans)-2)
				share := min(max(at-float64(left), 0), 1)
				a, b := fans[left][j], fans[left+1][j]
				near := a
				if share > 0.5 {
					near = b
				}
				if near.top == 0 {
					ok = false
					break
				}
				if a.top == 0 || b.top == 0 || math.Abs(a.top-b.top) > 50 {
					a, b = near, near
				}
				sum.ground += a.ground + share*(b.ground-a.ground)
				sum.group += a.group + share*(b.group-a.group)
				sum.top += (a.top + share*(b.top-a.top)) / float64(n)
			}
			if d := l.distanceM / 1e3; ok && high && math.Abs(sum.top-previous.top) < 25 && (previous.ground-d)*(sum.ground-d) <= 0 {
				share := (d - previous.ground) / (sum.ground - previous.ground)
				if sum.ground == previous.ground {
					share = 0.5
				}
				b := elevationTraced(j-1) + share*(elevationTraced(j)-elevationTraced(j-1))
				slope := math.Abs(sum.ground-previous.ground) * 1e3 / (elevationTraced(j) - elevationTraced(j-1))
				spread := max(slope, 0.05*earthRadiusM) * max(math.Sin(b), 0.05) * earthRadiusM * max(math.Abs(math.Sin(l.distanceM/earthRadiusM)), 0.01) / math.Cos(b)
				all = append(all, arriving{
					kind: kind{f2: uint8(n)}, delay: 1e3 * (previous.group + share*(sum.group-previous.group)) / lightMPerS,
					levelDB: t.w.levelDB(l, t.z, b, spread, n, loss),
				})
			}
			previous, high = sum, ok
		}
	}
	all = t.w.appendSporadic(all, l, t.z, l.places[len(l.places)/2], loss)
	if len(all) == 0 {
		return nil
	}
	best := slices.MaxFunc(all, func(a, b arriving) int { return cmp.Compare(a.levelDB, b.levelDB) }).levelDB
	all = slices.DeleteFunc(all, func(a arriving) bool { return a.levelDB < best-faintDB })
	for i := range all {
		all[i].levelDB -= best
	}
	slices.SortFunc(all, func(a, b arriving) int { return cmp.Compare(a.delay, b.delay) })
	return merged(all, together)
}

// received draws what a receiver tells apart of a leg's arrivals: up to three, each
// now and then missed, timed to 10 to 30 µs and strayed by what hops do not share;
// one recording in twenty has one that is nothing, and one in twenty comes by a way
// round. ok is false when none is left.
// first is the delay of the earliest itself.
func (t *truth) received(r *rand.Rand, leg int) (timed, u, first float64, heard []Heard, ok bool) {
	type seen struct{ delay, levelDB float64 }
	var all []seen
	late := 0.0
	if r.Float64() < lateShare {
		late = lateBy * r.ExpFloat64()
	}
	for _, a := range t.arrivals(leg) {
		if a.kind.hops() > 0 {
			a.delay += late
		}
		if a.levelDB+fadingDB*r.NormFloat64() < -audibleDB || r.Float64() < 0.1 {
			continue
		}
		sway := 25e-6 * t.wide * math.Sqrt(float64(a.kind.hops()))
		all = append(all, seen{a.delay + sway*r.NormFloat64(), a.levelDB + uHeardDB/2*r.NormFloat64()})
	}
	if len(all) == 0 {
		return 0, 0, 0, nil, false
	}
	first = all[0].delay
	u = 10e-6 + 20e-6*r.Float64()
	for i := range all {
		all[i].delay += u * r.NormFloat64()
	}
	if r.Float64() < 0.05*t.wide {
		all = append(all, seen{all[0].delay + 0.3e-3 + 5e-3*r.Float64(), -10 * r.Float64()})
	}
	slices.SortFunc(all, func(a, b seen) int { return cmp.Compare(b.levelDB, a.levelDB) })
	all = all[:min(len(all), 3)]
	slices.SortFunc(all, func(a, b seen) int { return cmp.Compare(a.delay, b.delay) })
	for _, s := range all {
		heard = append(heard, Heard{Excess: s.delay - all[0].delay, U: u, LevelDB: s.levelDB})
	}
	heard[0].U = 0
	return all[0].delay, u, first, heard, true
}

// eveningPlaces are those that simulated evenings are heard at.
var eveningPlaces = []LatLon{{Lat: 42.36, Lon: -71.06}, {Lat: 32.7, Lon: -117.2}, {Lat: 51.5, Lon: -0.1}, {Lat: 52.5, Lon: 13.4}, {Lat: 35.7, Lon: 139.7}, {Lat: 21.3, Lon: -157.9}, {Lat: -33.9, Lon: 151.2}}

// simulatedEvening draws up to three recordings, eight minutes apart, of carriers
// that outlook expects to be heard, by a clock that is x out at the last.
func simulatedEvening(r *rand.Rand, wide float64) (receptions []Reception, x, r12 float64, when time.Time) {
	for {
		at := eveningPlaces[r.IntN(len(eveningPlaces))]
		when = time.Date(2026, time.Month(1+3*r.IntN(4)), 15, r.IntN(24), 0, 0, 0, time.UTC)
		r12 = 30 + 70*float64(r.IntN(2))
		now := newInstant(when, nil, r12)
		var choices []Reception
		for _, id := range []string{"wwv", "wwvh", "chu", "rwm", "bpm"} {
			s, _ := station.Find(id)
			for _, c := range s.Carriers {
				request := Request{Station: s, CarrierHz: c.Hz, At: at, Time: when}
				way := request.circuit(c)
				if !c.OnAir(when) || way.distanceM > 9000e3 || now.sky(way).reception(c, s.Depth, DefaultReceiver, now.noiseAt(at, DefaultReceiver, c.Hz)).reliability < 0.5 {
					continue
				}
				choices = append(choices, Reception{Station: s, CarrierHz: c.Hz, At: at})
			}
		}
		if len(choices) < 3 {
			continue
		}
		r.Shuffle(len(choices), func(i, j int) { choices[i], choices[j] = choices[j], choices[i] })
		choices = choices[:3]
		for i := range choices {
			choices[i].Time = when.Add(time.Duration(i) * 8 * time.Minute)
		}
		t := newTruth(r, wide, r12, choices)
		x = 1e-3 * r.NormFloat64()
		y := 1e-8 * r.NormFloat64()
		for i := range choices {
			c := choices[i]
			timed, u, _, heard, ok := t.received(r, i)
			if ok {
				c.Offset, c.U, c.Heard = x+y*c.Time.Sub(choices[2].Time).Seconds()+timed, u, heard
				receptions = append(receptions, c)
			}
		}
		if len(receptions) == 3 {
			return receptions, x, r12, choices[2].Time
		}
		receptions = nil
	}
}
