// Package path computes how long a tick was under way from a station's antenna
// to the receiver's, and how sure that is.
//
// A shortwave tick travels in hops between the ground and the ionosphere. Which
// hops exist at a given hour (the modes) is the dominating unknown; the height
// of the layer is the next. The delay asked for is that of the earliest arrival
// (a detector times the first), and its distribution is a mixture over the modes
// that may be the first.
package path

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"timeball/align/path/geodesic"
	"timeball/align/path/groundwave"
	"timeball/align/path/ionosphere"
	"timeball/capture/station"
)

// LatLon is a place in degrees, north and east positive.
type LatLon = geodesic.Point

// Request asks for the delay from a station to a place at a time.
type Request struct {
	Station   *station.Station
	CarrierHz float64 // 0: unknown; the station's carriers on the air at the time are mixed
	At        LatLon  // the receiver's antenna
	Time      time.Time
	// Sunspots is the 12-month smoothed sunspot number R12 on the scale used
	// before 2015, which the ionospheric maps belong to; NaN takes
	// DefaultSunspots and widens the interval accordingly.
	Sunspots float64
	LongPath bool            // the long way round the earth
	Maps     ionosphere.Maps // of the F2 layer; nil: the embedded climatology
	Ground   groundwave.Mix  // under a path on long wave; nil: unknown
}

// Mode is one way from the transmitter to the receiver.
type Mode struct {
	Name         string  // number of hops and layer, as 1E, 1Es or 2F2, or ground
	Hops         int     // 0: ground wave
	DelaySeconds float64 // expected delay when this mode is the first
	USeconds     float64 // its standard uncertainty then
	Elevation    float64 // degrees above the horizon
	HeightM      float64 // of the equivalent mirror
	LevelDB      float64 // median, relative to the strongest mode
	MUFHz        float64 // median basic MUF; 0: without limit
	Probability  float64 // chance that the mode is heard, given that the station is
	First        float64 // chance that it is the earliest arrival; these sum to 1

	mode mode
}

// Cause is one contribution to the uncertainty of the delay. The squares of the
// causes' U sum to the square of the prediction's.
type Cause struct {
	Name     string
	USeconds float64
}

// Prediction is the delay of the earliest arrival and what it rests on.
type Prediction struct {
	CarrierHz          float64 // 0 when several carriers are mixed
	DistanceM          float64 // of the first carrier when several are mixed
	GreatCircleSeconds float64 // distance over the speed of light: no arrival can be earlier
	DelaySeconds       float64 // mean of the mixture
	USeconds           float64 // its standard deviation
	CI95               [2]float64
	Modes              []Mode // by delay
	Causes             []Cause
	Sunspots           float64 // R12 the prediction was made for
	SunspotsU          float64 // its standard uncertainty
	// SecondsPerSunspot is how the delay changes with R12.
	SecondsPerSunspot float64
	Note              string // what WithArrivals made of the arrivals
	Contradicted      bool   // they fit no two modes

	mixture mixture
}

// Predict computes the delay. It fails when the request names no carrier of the
// station, a place off the earth or no time, and when no mode is possible.
func Predict(r Request) (Prediction, error) {
	if err := r.check(); err != nil {
		return Prediction{}, err
	}
	if r.Station.LongWave() {
		return predictLongWave(r), nil
	}
	p := Prediction{CarrierHz: r.CarrierHz, Sunspots: r.Sunspots, SunspotsU: givenSunspotsU}
	if math.IsNaN(r.Sunspots) {
		p.Sunspots, p.SunspotsU = DefaultSunspots(r.Time)
	}
	now := newInstant(r.Time, r.Maps, sunspotNodes(p.Sunspots, p.SunspotsU))
	carriers := r.carriers()
	var tally modeTally
	for i, c := range carriers {
		way := newCircuit(LatLon{Lat: c.Lat, Lon: c.Lon}, r.At, r.LongPath)
		if i == 0 {
			p.DistanceM, p.GreatCircleSeconds = way.distanceM, way.distanceM/lightMPerS
		}
		p.GreatCircleSeconds = min(p.GreatCircleSeconds, way.distanceM/lightMPerS)
		skies := now.skies(way)
		share := 1.0
		if len(carriers) > 1 {
			// The carrier was one that could be heard; none is quite impossible.
			share = 0.01
			if c.OnAir(r.Time) {
				share += skies[len(skies)/2].reception(c, r.Station.Depth, DefaultReceiver, now.noiseAt(r.At, DefaultReceiver, c.Hz)).reliability
			}
		}
		p.mixture = tally.appendFirstArrivals(p.mixture, skies, now.nodes, component{weight: share, carrier: i}, c.Hz)
	}
	if !p.mixture.normalise() {
		return Prediction{}, fmt.Errorf("no way from %s to %g,%g is possible at this hour", r.Station.ID, r.At.Lat, r.At.Lon)
	}
	p.summarise()
	p.Modes = tally.modes(p.mixture)
	p.SecondsPerSunspot = (p.mixture.meanOf(len(now.nodes)-1) - p.mixture.meanOf(0)) / (now.nodes[len(now.nodes)-1].r12 - now.nodes[0].r12)
	return p, nil
}

// instant is the ionosphere of the whole earth at one time, for one sunspot
// number or several.
type instant struct {
	time  time.Time
	sun   ionosphere.Sun
	nodes []sunspotNode
	f2    []ionosphere.F2Map // by node
}

func newInstant(t time.Time, maps ionosphere.Maps, nodes []sunspotNode) instant {
	if maps == nil {
		maps = ionosphere.Embedded()
	}
	now := instant{time: t, sun: ionosphere.SunAt(t), nodes: nodes}
	for _, n := range nodes {
		now.f2 = append(now.f2, maps.At(t, n.r12))
	}
	return now
}

// skies are the ionosphere over a circuit, one for each sunspot number.
func (now instant) skies(way *circuit) []*sky {
	skies := make([]*sky, len(now.nodes))
	for i, n := range now.nodes {
		skies[i] = way.sky(now.time, now.f2[i], now.sun, n.r12)
	}
	return skies
}

// FirstMode is the name of the mode most likely to be the earliest arrival, and
// the chance that it is.
func (p Prediction) FirstMode() (name string, chance float64) {
	first, chance := p.mixture.likeliest()
	return first.String(), chance
}

// summarise computes delay, uncertainty, interval and causes from the mixture.
func (p *Prediction) summarise() {
	p.DelaySeconds = p.mixture.mean()
	p.Causes = p.mixture.causes()
	p.USeconds = p.mixture.deviation()
	p.CI95 = [2]float64{p.mixture.quantile(0.025, p.GreatCircleSeconds), p.mixture.quantile(0.975, p.GreatCircleSeconds)}
}

// A mode is taken to be heard when it is no more than audibleDB below the
// strongest: the arrival finder does not see weaker ones under the fading of
// stronger ones. The standard deviations are those of the difference of two
// levels from its median: common practice.
const (
	audibleDB    = 12
	skyLevelU    = 9
	groundLevelU = 3
)

// heard is the chance that a mode is present and strong enough to be found.
func (c candidate) heard(referenceDB float64) float64 {
	u := float64(skyLevelU)
	if c.layer == ground {
		u = groundLevelU
	}
	return c.chance * normalCDF((c.levelDB-referenceDB+audibleDB)/u)
}

// strongestDB is the level of the strongest mode, less for one that is seldom there.
func strongestDB(all []candidate) float64 {
	best := math.Inf(-1)
	for _, c := range all {
		best = max(best, c.levelDB+20*math.Log10(max(c.chance, 1e-9)))
	}
	return best
}

// appendFirstArrivals adds to the mixture which mode may come first over all
// sunspot numbers and days, and counts the modes. choice carries the weight and
// the carrier.
func (t *modeTally) appendFirstArrivals(m mixture, skies []*sky, nodes []sunspotNode, choice component, frequencyHz float64) mixture {
	// Levels are judged against the strongest mode of the median ionosphere.
	middle := len(skies) / 2
	median := skies[middle].candidates(frequencyHz, 1)
	reference := strongestDB(median)
	t.note(median, reference)
	for i, s := range skies {
		for day, z := range dayNodes {
			all := s.candidates(frequencyHz, s.foF2Ratio(z))
			t.note(all, reference)
			slices.SortFunc(all, func(a, b candidate) int { return cmp.Compare(a.pathM, b.pathM) })
			weight := choice.weight * nodes[i].weight / float64(len(dayNodes))
			// A mode is the first when it is heard and none before it is.
			left := weight
			for _, c := range all {
				heard := c.heard(reference)
				if heard == 0 {
					continue
				}
				part := component{weight: left * heard, mean: c.delaySeconds(), scatter: c.scatterSeconds, carrier: choice.carrier, mode: c.mode, r12: i, day: day}
				part.height, part.mirror = s.spread(c)
				m = append(m, part)
				left -= part.weight
				t.heard[c.mode] += weight * heard
			}
			t.any += weight - left
		}
	}
	return m
}

// spread gives the standard deviations of a mode's delay in seconds that come
// from the height of its layer on one day and from taking the layer for a mirror.
func (s *sky) spread(c candidate) (height, mirror float64) {
	if c.layer == ground {
		return 0, 1e-6 // of the ground's conductivity and relief: common practice
	}
	// Heights of E, sporadic E and F1: common practice. The F2 layer's M factor
	// strays by 0.15 from its monthly median, and its height accordingly.
	heightU := map[layer]float64{layerE: 8e3, sporadic: 7e3, layerF1: 25e3}[c.layer]
	if c.layer == layerF2 {
		heightU = 1490e3 * 0.15 / (s.f2[0].m3000 * s.f2[0].m3000)
	}
	// Errors of all hops have the same cause and add up in full. A mirror differs
	// from exact rays through an F layer by 0.15 ms RMS a hop; the E layer is thin.
	mirrorU := 0.15e-3
	if c.layer == layerE || c.layer == sporadic {
		mirrorU = 0.02e-3
	}
	return c.secondsPerMetre(s.distanceM) * heightU, float64(c.hops) * mirrorU
}

// secondsPerMetre is how the delay of a mode grows with the height of its layer.
func (c candidate) secondsPerMetre(distanceM float64) float64 {
	n := float64(c.hops)
	const step = 1e3
	return (n*hop{distanceM / n, c.heightM + step}.pathM() - c.pathM) / (step * lightMPerS)
}

// dayNodes stand for the spread of foF2 from day to day: the middles of seven
// equally likely parts of the normal distribution.
var dayNodes = [...]float64{-1.4652, -0.7916, -0.3661, 0, 0.3661, 0.7916, 1.4652}

// foF2Ratio is the day's foF2 over the median at z standard deviations, which
// differ below and above it; the deciles lie at 1.2816.
func (s *sky) foF2Ratio(z float64) float64 {
	if z < 0 {
		return 1 + z*(1-s.low)/1.2816
	}
	return 1 + z*(s.high-1)/1.2816
}

// modeTally collects what the prediction says of each mode.
type modeTally struct {
	heard map[mode]float64 // weight with which the mode is heard
	any   float64          // weight with which some mode is
	seen  []candidate      // each mode once, of the median ionosphere if it is there
	best  float64          // strongest level, of the first carrier
}

// note keeps the geometry and level of modes not seen before.
func (t *modeTally) note(all []candidate, referenceDB float64) {
	if t.heard == nil {
		t.heard, t.best = map[mode]float64{}, referenceDB
	}
	for _, c := range all {
		if _, known := t.heard[c.mode]; !known {
			t.heard[c.mode] = 0
			t.seen = append(t.seen, c)
		}
	}
}

// leastProbability is the smallest chance for which a mode is listed.
const leastProbability = 0.005

// modes lists the modes that may be heard, by delay.
func (t *modeTally) modes(m mixture) []Mode {
	var list []Mode
	for _, c := range t.seen {
		mode := Mode{
			Name: c.mode.String(), Hops: c.hops, Elevation: c.elevation * 180 / math.Pi, HeightM: c.heightM,
			LevelDB: c.levelDB - t.best, MUFHz: c.mufHz, Probability: min(1, t.heard[c.mode]/t.any),
			DelaySeconds: c.delaySeconds(), mode: c.mode,
		}
		if mode.Probability >= leastProbability {
			mode.update(m)
			list = append(list, mode)
		}
	}
	slices.SortFunc(list, func(a, b Mode) int { return cmp.Compare(a.DelaySeconds, b.DelaySeconds) })
	return list
}

// update takes the mode's chance to be the first, and its delay then, from a mixture.
func (m *Mode) update(all mixture) {
	m.First = 0
	var own mixture
	for _, c := range all {
		if c.mode == m.mode {
			own = append(own, c)
			m.First += c.weight
		}
	}
	if own.normalise() {
		m.DelaySeconds, m.USeconds = own.mean(), own.deviation()
	}
}

// carriers are those the request leaves open; a hertz is within rounding.
func (r Request) carriers() []station.Carrier {
	if r.CarrierHz == 0 {
		return r.Station.Carriers
	}
	return slices.DeleteFunc(slices.Clone(r.Station.Carriers), func(c station.Carrier) bool { return math.Abs(c.Hz-r.CarrierHz) >= 1 })
}

func (r Request) check() error {
	switch {
	case !onEarth(r.At):
		return errPlace(r.At)
	case r.Time.IsZero():
		return errors.New("the time is not known, so neither is the ionosphere: give the time of the recording")
	case len(r.Station.Carriers) == 0:
		return fmt.Errorf("station %s has no carrier in the table", r.Station.ID)
	case r.Sunspots < 0:
		return fmt.Errorf("sunspot number %g is below zero", r.Sunspots)
	case len(r.carriers()) == 0:
		return UnknownCarrierError{r.Station, r.CarrierHz}
	}
	return nil
}

// UnknownCarrierError says that a station does not use a carrier.
type UnknownCarrierError struct {
	Station   *station.Station
	CarrierHz float64
}

func (e UnknownCarrierError) Error() string {
	var known []string
	for _, c := range e.Station.Carriers {
		known = append(known, strconv.FormatFloat(c.Hz/1e6, 'f', -1, 64))
	}
	return fmt.Sprintf("station %s has no carrier on %s MHz: choose one of %s MHz", e.Station.ID,
		strconv.FormatFloat(e.CarrierHz/1e6, 'f', -1, 64), strings.Join(known, ", "))
}

func onEarth(p LatLon) bool { return math.Abs(p.Lat) <= 90 && math.Abs(p.Lon) <= 360 }

func errPlace(p LatLon) error {
	return fmt.Errorf("place %g,%g is not on the earth: give latitude -90 to 90 and longitude -180 to 180 degrees", p.Lat, p.Lon)
}
