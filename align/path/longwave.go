package path

import (
	"cmp"
	"math"
	"slices"

	"timeball/align/path/groundwave"
	"timeball/align/path/ionosphere"
	"timeball/align/path/landsea"
	"timeball/align/path/noise"
	"timeball/capture/station"
	"timeball/detect/mixture"
)

// On long wave the ground wave and the waves that one or two hops reflect at the
// bottom of the ionosphere (beyond some 2000 km the fewest that stay above the horizon,
// and one more) arrive within a tenth of a millisecond, too near to be
// told apart; an edge shows their sum. With ρ the sky waves' complex amplitudes
// over the ground wave's and D their excess delays, short against the edge, it is
// later than the ground wave's by Re(Σ ρ·D / (1 + Σ ρ)). The phases are anybody's
// guess: a layer that rises by some kilometres turns them by a cycle. So the delay
// is a mixture over the amplitudes and, for each, over the phases alike, as of a layer that
// rests: of one that turns them meanwhile, those that leave little of the sum are heard
// little of, and the delay strays less than this says.

// longSky is the reflecting layer over a path at one instant.
type longSky struct {
	heightM, heightU float64
	fewest           int        // hops that reach so far above the horizon
	levelDB          [2]float64 // of so many and of one more, over the ground wave
	levelU           float64
}

// The field of one hop for 1 kW radiated, dB over 1 uV/m, at longKm and longKHz,
// with the sun at the zenith angles longZenith: computed with the wave-hop method
// of Rec. ITU-R P.684 for 50 degrees north, land, and a medium number of sunspots;
// a noon in summer, one in winter, and night.
var (
	longKm     = []float64{100, 300, 500, 700, 1000, 1500, 2000}
	longKHz    = []float64{40, 60, 77.5, 162}
	longZenith = []float64{26.6, 73.4, 98}
	longField  = [4][3][7]float64{
		{{22, 38, 44, 44, 41, 38, 33}, {45, 51, 51, 49, 46, 43, 38}, {53, 55, 54, 52, 49, 45, 41}},
		{{12, 26, 35, 38, 38, 35, 31}, {39, 46, 47, 47, 45, 41, 37}, {51, 53, 52, 51, 48, 44, 40}},
		{{7, 18, 27, 32, 34, 32, 28}, {35, 42, 44, 44, 43, 40, 35}, {49, 52, 50, 49, 47, 44, 39}},
		{{-5, 2, 6, 10, 12, 12, 6}, {25, 31, 33, 34, 34, 31, 25}, {45, 47, 46, 45, 43, 40, 34}},
	}
	// longHeight is the height of reflection at the same zenith angles, km.
	longHeight = []float64{71, 76, 91}
)

const (
	// A second reflection, which is steeper, and one by the ground: common practice.
	secondHopDB = -12
	// How far a day's height and field stray from the median: common practice. By
	// twilight the layer moves within the hour.
	longHeightU   = 2.5e3
	longTwilightU = 7e3
	longLevelU    = 4
	// By night the field fades within the hour as well, as of many small waves: the
	// level of a Rayleigh distributed amplitude strays by 5.6 dB.
	longNightU = 7
)

// span finds where x lies in the ascending list, as an index and the share of the
// way to the next.
func span(list []float64, x float64) (i int, f float64) {
	x = max(list[0], min(list[len(list)-1], x))
	for i < len(list)-2 && x > list[i+1] {
		i++
	}
	return i, (x - list[i]) / (list[i+1] - list[i])
}

// longTwilight holds while the layer's height changes fast: zenith angles, degrees.
func longTwilight(zenith float64) bool { return zenith > 80 && zenith < 102 }

// longSkyAt is the layer over a path of a ground wave with the given field.
func longSkyAt(hz, distanceM, zenith, groundDB float64) longSky {
	f, ff := span(longKHz, hz/1e3)
	z, fz := span(longZenith, zenith)
	s := longSky{heightM: 1e3 * (longHeight[z] + fz*(longHeight[z+1]-longHeight[z])), heightU: longHeightU, levelU: longLevelU}
	s.fewest = fewestHops(distanceM, longestHop(s.heightM, 0))
	hops := float64(s.fewest)
	d, fd := span(longKm, distanceM/1e3/hops)
	level := 0.0
	for i, wf := range []float64{1 - ff, ff} {
		for j, wz := range []float64{1 - fz, fz} {
			for k, wd := range []float64{1 - fd, fd} {
				level += wf * wz * wd * longField[f+i][z+j][d+k]
			}
		}
	}
	// Every hop after the first has a reflection more, and all spread out.
	level += (hops-1)*secondHopDB - 20*math.Log10(hops)
	if longTwilight(zenith) {
		s.heightU = longTwilightU
	}
	if fade := min(1, max(0, (zenith-80)/18)); fade > 0 {
		s.levelU += fade * (longNightU - longLevelU)
	}
	// A short vertical antenna sends less at an elevation, by its cosine, and so it
	// receives.
	one, two := hop{distanceM / hops, s.heightM}, hop{distanceM / (hops + 1), s.heightM}
	second := 40*math.Log10(math.Cos(two.elevation())/math.Cos(one.elevation())) - 20*math.Log10((hops+1)*two.pathM()/(hops*one.pathM()))
	s.levelDB = [2]float64{level - groundDB, level - groundDB + second + secondHopDB}
	return s
}

// excess is by how much hops by the layer are later than the ground wave, s, and
// how that grows with its height, s/m.
func (s longSky) excess(hops int, distanceM float64) (seconds, perMetre float64) {
	n := float64(hops)
	at := func(heightM float64) float64 { return (n*hop{distanceM / n, heightM}.pathM() - distanceM) / lightMPerS }
	return at(s.heightM), (at(s.heightM+500) - at(s.heightM-500)) / 1000
}

// longNodes stand for the normal distribution of a level: equally spaced, so that waves
// as strong as the ground wave, whose sum comes at half their excess whatever the phase,
// count for no more than they should.
var longNodes = func() (nodes [9]struct{ z, weight float64 }) {
	for i := range nodes {
		z := 0.6 * float64(i-len(nodes)/2)
		nodes[i].z, nodes[i].weight = z, 0.6/math.Sqrt(2*math.Pi)*math.Exp(-z*z/2)
	}
	return nodes
}()

// phasor is a phase that a sky wave may have against the ground wave.
type phasor struct{ sin, cos float64 }

// longPhases are those of the first hop, so close that a sum which vanishes is met as often
// as it should be, and secondPhases those of the second.
var longPhases, secondPhases = phasors(64), phasors(16)

func phasors(n int) []phasor {
	all := make([]phasor, n)
	for i := range all {
		all[i].sin, all[i].cos = math.Sincos(2 * math.Pi * (float64(i) + 0.5) / float64(n))
	}
	return all
}

// longSum is what the waves make of an edge for certain phases, and with what weight.
type longSum struct {
	weight  float64
	late    float64 // after the ground wave, s
	heightU float64 // standard deviation of that by the layer's height
	sky     bool    // the first hop is stronger than the ground wave
}

// sums gives the sums of the waves for all levels and the given phases of the first hop and
// of the second, and the part of their standard deviation that comes from the layer's height.
func (s longSky) sums(distanceM float64, first, second []phasor) (all []longSum, heightU float64) {
	d1, grow1 := s.excess(s.fewest, distanceM)
	d2, grow2 := s.excess(s.fewest+1, distanceM)
	all = make([]longSum, 0, len(longNodes)*len(first)*len(second))
	var total, height float64
	for _, node := range longNodes {
		r1 := math.Pow(10, (s.levelDB[0]+node.z*s.levelU)/20)
		r2 := math.Pow(10, (s.levelDB[1]+node.z*s.levelU)/20)
		for _, one := range first {
			for _, two := range second {
				x, y := 1+r1*one.cos+r2*two.cos, r1*one.sin+r2*two.sin // of the sum
				power := x*x + y*y
				share1 := r1 * (one.cos*x + one.sin*y) / power
				share2 := r2 * (two.cos*x + two.sin*y) / power
				u := math.Abs(share1*grow1+share2*grow2) * s.heightU
				total += node.weight
				// By power, for about a sum that vanishes no mean square is to be had.
				height += node.weight * power / (1 + r1*r1 + r2*r2) * u * u
				all = append(all, longSum{node.weight, share1*d1 + share2*d2, u, r1 > 1})
			}
		}
	}
	for i := range all {
		all[i].weight /= total
	}
	return all, math.Sqrt(height / total)
}

// readings are what the delay of an edge may be whose ground wave takes groundSeconds;
// heightU is the part of its standard deviation that comes from the layer's height.
func (s longSky) readings(distanceM, groundSeconds, groundU float64) (all []reading, heightU float64) {
	sums, heightU := s.sums(distanceM, longPhases, secondPhases)
	for _, sum := range sums {
		p := possibility{weight: sum.weight, mean: groundSeconds + sum.late, u: math.Hypot(sum.heightU, groundU)}
		if sum.sky {
			p.first.d = uint8(s.fewest)
		}
		all = append(all, reading{p, nil})
	}
	return all, heightU
}

// siteU is how well a long-wave antenna's place stands for where its wave starts,
// and a ray for the wave near a layer, s: common practice.
const siteU = 1e-6

// longGround is a carrier's ground wave over a path: its delay with u, s, and its
// field. It is the same at all hours.
type longGround struct {
	seconds, u, fieldDB float64
	sea                 *float64 // share of the path, by the map; nil: the ground was given
}

// newLongGround takes sea and land as the map has them where mix is nil, and any land
// for the latter.
func newLongGround(mix groundwave.Mix, hz float64, way *circuit) longGround {
	g := longGround{u: siteU}
	if mix == nil {
		sea := landsea.SeaShare(way.from, way.azimuth, way.distanceM)
		g.sea = &sea
		g.u = math.Hypot(siteU, (1-sea)*groundwave.AnyLand.Spread(hz, way.distanceM))
		mix = groundwave.AnyLand.WithSea(sea)
	}
	g.seconds, g.fieldDB = mix.Delay(hz, way.distanceM), mix.FieldDB(hz, way.distanceM)
	return g
}

// predictLongWave is Predict for stations on long wave.
func predictLongWave(r Request) Prediction {
	c := r.carriers()[0]
	way := newCircuit(LatLon{Lat: c.Lat, Lon: c.Lon}, r.At, r.LongPath)
	p := Prediction{CarrierHz: c.Hz, Sunspots: r.Sunspots, SunspotsU: givenSunspotsU} // of no account here
	if math.IsNaN(r.Sunspots) {
		p.Sunspots, p.SunspotsU = DefaultSunspots(r.Time)
	}
	p.DistanceM, p.GreatCircleSeconds = way.distanceM, way.distanceM/lightMPerS
	p.long = newLongOver(ionosphere.SunAt(r.Time), c.Hz, way, newLongGround(r.Ground, c.Hz, way))
	sky, under := p.long.sky, p.long.ground
	p.Sea = under.sea
	base, groundU := under.seconds, under.u
	all, heightU := sky.readings(way.distanceM, base, groundU)
	// Where the sum nearly vanishes delays are far apart, each of little weight, and a part
	// of all that decides the interval. What a sum of waves shows may be earlier than any of
	// them.
	p.state(gathered(all, max(siteU, math.Hypot(heightU, groundU)/2), 0), heightU, groundU)
	stronger := p.long.stronger()
	p.Modes = []Mode{{Name: mode{}.String(), DelaySeconds: base, USeconds: groundU, Probability: 1, First: 1 - stronger, LevelDB: min(0, -sky.levelDB[0])}}
	for i, level := range sky.levelDB {
		hops := sky.fewest + i
		excess, grow := sky.excess(hops, way.distanceM)
		m := Mode{
			Name: mode{layerD, hops}.String(), Hops: hops, DelaySeconds: base + excess, USeconds: math.Hypot(groundU, grow*sky.heightU),
			Elevation: hop{way.distanceM / float64(hops), sky.heightM}.elevation() * 180 / math.Pi, HeightM: sky.heightM,
			LevelDB: level - max(0, sky.levelDB[0]), Probability: normalCDF((level + audibleDB) / sky.levelU), kind: kind{d: uint8(hops)},
		}
		if i == 0 {
			m.First = stronger
		}
		if m.Probability >= leastProbability {
			p.Modes = append(p.Modes, m)
		}
	}
	slices.SortFunc(p.Modes, func(a, b Mode) int { return cmp.Compare(a.DelaySeconds, b.DelaySeconds) })
	return p
}

// longOver is what the waves over a path on long wave are predicted from.
type longOver struct {
	sky       longSky
	ground    longGround
	distanceM float64
	zenith    float64 // of the sun over the middle of the path, degrees
}

func newLongOver(sun ionosphere.Sun, hz float64, way *circuit, under longGround) *longOver {
	zenith := sun.Zenith(way.place(way.distanceM/2).Point) * 180 / math.Pi
	return &longOver{longSkyAt(hz, way.distanceM, zenith, under.fieldDB), under, way.distanceM, zenith}
}

// stronger is the chance that the first sky wave is stronger than the ground wave.
func (l *longOver) stronger() float64 { return normalCDF(l.sky.levelDB[0] / l.sky.levelU) }

// Of half the phases each an outlook makes its delay (TestLongWaveInBrief).
var briefPhases, briefSecond = phasors(len(longPhases) / 2), phasors(len(secondPhases) / 2)

// inBrief is the delay with u by quantiles of the sums.
func (l *longOver) inBrief(first, second []phasor) (seconds, u float64) {
	all, heightU := l.sky.sums(l.distanceM, first, second)
	slices.SortFunc(all, func(a, b longSum) int { return cmp.Compare(a.late, b.late) })
	shares := [3]float64{0.025, 0.5, 0.975}
	var at [len(shares)]float64
	below, k := 0.0, 0
	for _, sum := range all {
		for below += sum.weight; k < len(at) && below >= shares[k]; k++ {
			at[k] = sum.late
		}
	}
	return l.ground.seconds + at[1], math.Hypot((at[2]-at[0])/2/mixture.Coverage(math.Inf(1)), math.Hypot(heightU, l.ground.u))
}

// longCauses split the uncertainty of a delay on long wave.
func longCauses(u, heightU, groundU float64) []Cause {
	causes := []Cause{{"sky wave's phase", math.Sqrt(max(0, u*u-heightU*heightU-groundU*groundU))}, {"layer height", heightU}, {"ground", groundU}}
	return slices.DeleteFunc(causes, func(c Cause) bool { return c.USeconds < 1e-9 })
}

// fillLongWave is fill for a carrier on long wave. Its ratio of signal to noise is
// that of the carrier, in 3 kHz.
func (slot *Slot) fillLongWave(now instant, c station.Carrier, way *circuit, under longGround, r Receiver, external noise.Figure) {
	over := newLongOver(now.sun, c.Hz, way, under)
	// Field in 1 Hz of the noise that a short vertical antenna picks up, dB over
	// 1 uV/m (Rec. ITU-R P.372, eq. 7).
	noiseDB := external.MedianDB + 20*math.Log10(c.Hz/1e6) - 95.5
	slot.SNRdB = under.fieldDB + max(0, over.sky.levelDB[0]) + powerDB(c) + r.AntennaDBi - noiseDB - 10*math.Log10(audioBandwidthHz)
	slot.Reliability = reliability(slot.SNRdB-r.RequiredSNR, 0.5, false, external)
	slot.Hearing = hearing(slot.Reliability)
	slot.SunElevation = 90 - over.zenith
	slot.Twilight = longTwilight(over.zenith)
	slot.Steady = !slot.Twilight
	if slot.Hearing < Maybe {
		return
	}
	slot.DelaySeconds, slot.USeconds = over.inBrief(briefPhases, briefSecond)
	slot.Mode, slot.ModeShare = mode{}.String(), 1-over.stronger()
	if slot.ModeShare < 0.5 {
		slot.Mode, slot.ModeShare = mode{layerD, over.sky.fewest}.String(), 1-slot.ModeShare
	}
}
