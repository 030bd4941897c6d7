package path

import (
	"cmp"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"timeball/align/path/geodesic"
	"timeball/align/path/ionosphere"
	"timeball/align/path/ray"
)

// leg is one circuit on one frequency at one time.
type leg struct {
	distanceM, hz float64
	places        []int // of the weather, along the circuit
	ledge         ledge
	sporadicE     sporadicE
	// Of the losses, means along the circuit.
	absorption, gyroHz, absorbingHz, auroraDB float64
	ground                                    candidate
	hasGround                                 bool
}

// ledge tells, by number of hops less one and hop, whether the F1 ledge exists where
// the hop is reflected: it ends at an angle of the sun, and is taken at every hop's own
// point.
type ledge [ray.MostHops][]bool

// mostApartM is how far the places of a long circuit may lie from each other: as far
// as those of one of 4500 km. Over as much the sun's height changes by 13 degrees.
const mostApartM = 1500e3

func ledgeOver(now instant, way *circuit) (l ledge) {
	for n := range l {
		for h := range n + 1 {
			_, exists := ionosphere.FoF1(way.place(way.distanceM*(float64(h)+0.5)/float64(n+1)), now.sun, now.r12)
			l[n] = append(l[n], exists)
		}
	}
	return l
}

// survey lays a leg out; its places are appended to over.
func survey(now instant, way *circuit, hz float64, over []*overhead) (leg, []*overhead) {
	l := leg{distanceM: way.distanceM, ledge: ledgeOver(now, way)}
	n := max(5, int(math.Ceil(way.distanceM/mostApartM)))
	switch {
	case way.distanceM < 1000e3:
		n = 1
	case way.distanceM < 4500e3:
		n = 3
	}
	for i := range n {
		p := way.place(way.distanceM * (float64(i) + 0.5) / float64(n))
		l.places = append(l.places, len(over))
		over = append(over, newOverhead(p, now))
	}
	r12 := now.r12
	for _, i := range l.places {
		o := over[i]
		p := ionosphere.NewPlace(o.at)
		l.absorption += ionosphere.Absorption(p, now.time, now.sun) / float64(n)
		l.gyroHz += p.LongitudinalGyroHz / float64(n)
		l.absorbingHz += ionosphere.FoE(p, now.sun, r12) / float64(n)
	}
	mid := way.place(way.distanceM / 2)
	hours := now.sun.LocalHours(mid.Point)
	l.sporadicE = sporadicEAt(mid, now.sun, hours)
	l.auroraDB = ionosphere.AuroralLoss(mid, now.time, hours, min(way.distanceM, 3000e3))
	return l.on(hz), over
}

// on is the leg on another frequency.
func (l leg) on(hz float64) leg {
	l.hz = hz
	l.ground, l.hasGround = groundWave(l.distanceM, hz)
	return l
}

// kind names a mode: hops by each layer.
type kind struct {
	d, e, sporadic, f1, f2 uint8 // d: of long wave alone
	high, scatter          bool
}

func (k kind) hops() int { return int(k.d) + int(k.e) + int(k.sporadic) + int(k.f1) + int(k.f2) }

// String is the usual name of a mode, as 1E, 1Es, 2F2 or 1E+1F2; the high ray of
// two is marked.
func (k kind) String() string {
	if k.scatter {
		return "scatter"
	}
	if k.hops() == 0 {
		return "ground"
	}
	var parts []string
	for _, m := range []mode{{layerD, int(k.d)}, {layerE, int(k.e)}, {sporadic, int(k.sporadic)}, {layerF1, int(k.f1)}, {layerF2, int(k.f2)}} {
		if m.hops > 0 {
			parts = append(parts, m.String())
		}
	}
	name := strings.Join(parts, "+")
	if k.high {
		name += " high"
	}
	return name
}

// arriving is one way by which a tick may come on a day drawn.
type arriving struct {
	kind      kind
	delay, u  float64 // s
	seen      float64 // chance that it is found
	levelDB   float64 // below the strongest
	elevation float64 // radians
	heightM   float64
}

const (
	// A mode is found when it is no more than audibleDB below the strongest, give
	// or take fading, and sometimes not for all its strength: common practice.
	audibleDB, seenAtBest, fadingDB = 12, 0.85, 6
	// faintDB below the strongest a mode is left out.
	faintDB = 30
	// Modes nearer than this come as one tick (what the finder parts at best), at
	// their power-weighted mean.
	together = 0.2e-3
	// What a traced delay is out by: once, and for each hop (the two magneto-ionic
	// rays, layers inside layers and the shape of the profile; judgement). LaBahn
	// and Rose measured 25 to 175 µs inside a mode, travelling disturbances included.
	uTrace, uTraceHop = 30e-6, 35e-6
	// Where no way exists what is heard is scattered, later and smeared, and far
	// weaker: the chance that a tick is timed by it (judgement).
	scatterSeen, scatterLate, uScatter = 0.03, 0.75e-3, 0.5e-3
)

// arrivals are the ways of a leg on a day drawn, by delay.
func (w *weather) arrivals(l *leg, z []float64) []arriving {
	z = w.told(z)
	fans := make([][2]ray.Fan, len(l.places))
	circuit := ray.Circuit{
		DistanceM: l.distanceM, Places: len(l.places),
		Ledge: func(hops, hop int) bool { return l.ledge[hops-1][hop] },
		Fan: func(place int, ledge bool) ray.Fan {
			fan := &fans[place][0]
			if !ledge {
				fan = &fans[place][1]
			}
			if *fan == nil {
				p := w.profile(z, l.places[place])
				if !ledge {
					p.FoF1 = 0
				}
				*fan = p.Fan(l.hz)
			}
			return *fan
		},
	}
	middle := l.places[len(l.places)/2]
	wide := scale(z)
	loss := math.Exp(uAbsorption * wide * w.field(z, strayAbsorption, middle))
	var all []arriving
	add := func(k kind, groupM, elevation, heightM, levelDB, u float64) {
		all = append(all, arriving{kind: k, delay: groupM / lightMPerS, u: u, elevation: elevation, heightM: heightM, levelDB: levelDB})
	}
	if l.hasGround {
		add(kind{}, l.ground.pathM, 0, 0, l.ground.levelDB, 1e-6) // of the ground's conductivity and relief: common practice
	}
	for _, m := range circuit.Modes() {
		k := kind{e: uint8(m.By[ray.E]), f1: uint8(m.By[ray.F1]), f2: uint8(m.By[ray.F2]), high: m.High}
		add(k, m.GroupM, m.Elevation, m.HeightM, w.levelDB(l, z, m.Elevation, m.SpreadM2, m.Hops, loss), math.Sqrt(uTrace*uTrace+float64(m.Hops)*uTraceHop*uTraceHop))
	}
	all = w.appendSporadic(all, l, z, middle, loss)
	if len(all) == 0 {
		p := w.profile(z, middle)
		n := float64(fewestHops(l.distanceM, longestHop(p.PeakF2, minimumElevation)))
		h := hop{l.distanceM / n, p.PeakF2}
		add(kind{scatter: true}, n*h.pathM()+scatterLate*lightMPerS, h.elevation(), p.PeakF2, 0, uScatter)
		all[0].seen = scatterSeen
		return all
	}
	best := math.Inf(-1)
	for _, a := range all {
		best = max(best, a.levelDB)
	}
	all = slices.DeleteFunc(all, func(a arriving) bool { return a.levelDB < best-faintDB })
	slices.SortFunc(all, func(a, b arriving) int { return cmp.Compare(a.delay, b.delay) })
	all = merged(all, together)
	for i := range all {
		a := &all[i]
		a.levelDB -= best
		a.seen = seenAtBest * normalCDF((a.levelDB+audibleDB)/fadingDB)
	}
	return all
}

// appendSporadic adds a thin layer of sporadic E where it reflects the frequency.
func (w *weather) appendSporadic(all []arriving, l *leg, z []float64, middle int, loss float64) []arriving {
	chance := normalCDF(w.field(z, straySporadic, middle))
	foEsHz := 5e6 + 1e6*math.Log2(float64(l.sporadicE)/chance)
	if foEsHz < 3e6 {
		return all
	}
	heightM := sporadicEHeightM + uSporadicHeightM*w.field(z, straySporadicHeight, middle)
	first := fewestHops(l.distanceM, longestHop(heightM, minimumElevation))
	for n := first; n < first+3; n++ {
		h := hop{l.distanceM / float64(n), heightM}
		if l.hz*math.Cos(h.incidence(heightM)) >= foEsHz {
			continue
		}
		path := float64(n) * h.pathM()
		level := w.levelDB(l, z, h.elevation(), path*path, n, loss) - sporadicLossDB*float64(n)
		all = append(all, arriving{
			kind: kind{sporadic: uint8(n)}, delay: path / lightMPerS, levelDB: level, elevation: h.elevation(), heightM: heightM,
			u: math.Sqrt(uTrace*uTrace + float64(n)*uTraceHop*uTraceHop),
		})
	}
	return all
}

// levelDB is the field of a mode in dB above 1 µV/m for 1 kW into a short
// vertical antenna: the losses of Rec. ITU-R P.533-14, the spreading of the rays.
func (w *weather) levelDB(l *leg, z []float64, elevation, spreadM2 float64, hops int, loss float64) float64 {
	n, mhz := float64(hops), l.hz/1e6
	cosB := math.Cos(elevation)
	sinI := earthRadiusM * cosB / (earthRadiusM + eHeightM)
	cosI := math.Sqrt(1 - sinI*sinI)
	absorbed := n * loss * (1 + 0.0067*w.sunspots(z)) * l.absorption * ionosphere.Penetration(l.hz*cosI/l.absorbingHz) /
		(math.Pow(mhz+l.gyroHz/1e6, 2) * cosI)
	const other = 8.72 // losses the method does not name
	return 136.6 - 32.45 - 10*math.Log10(spreadM2/1e6) + 20*math.Log10(max(cosB, 0.05)) - absorbed - 2*(n-1) - l.auroraDB - other - groundCutDB(elevation)
}

// merged joins arrivals, which are in order, that lie too close to be parted.
func merged(all []arriving, within float64) []arriving {
	out := all[:0]
	for i := 0; i < len(all); {
		j, strongest := i, i
		var power, moment float64
		for ; j < len(all) && all[j].delay-all[i].delay < within; j++ {
			p := math.Pow(10, all[j].levelDB/10)
			power, moment = power+p, moment+p*(all[j].delay-all[i].delay)
			if all[j].levelDB > all[strongest].levelDB {
				strongest = j
			}
		}
		a := all[strongest]
		if j > i+1 {
			// Fading moves the mean about between the two.
			a.u = math.Hypot(a.u, min(0.3*(all[j-1].delay-all[i].delay), 0.12e-3))
			a.delay = all[i].delay + moment/power
			a.levelDB = 10 * math.Log10(power)
		}
		out = append(out, a)
		i = j
	}
	return out
}

// draw fills z for particle i; the same every time.
func draw(z []float64, i int) {
	r := rand.New(rand.NewPCG(0x7469636b, uint64(i)))
	for k := range z {
		z[k] = r.NormFloat64()
	}
}

// each calls f for 0 to n-1, on all processors; one that is done takes the next.
func each(n int, f func(i int)) {
	var group sync.WaitGroup
	var next atomic.Int64
	for range min(runtime.GOMAXPROCS(0), n) {
		group.Go(func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				f(int(i))
			}
		})
	}
	group.Wait()
}

// before orders the ends of a circuit, so that both directions are one.
func before(a, b geodesic.Point) bool { return a.Lat < b.Lat || a.Lat == b.Lat && a.Lon < b.Lon }
