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
	"timeball/detect/mixture"
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
	// Ionograms are the F2 layer as measured, which corrects the maps.
	Ionograms []Ionogram
	Ground    groundwave.Mix // under a path on long wave; nil: by the map
}

// Mode is one way from the transmitter to the receiver.
type Mode struct {
	Name         string  // number of hops and layer, as 1E, 1Es, 2F2 or 1E+1F2, or ground
	Hops         int     // 0: ground wave
	DelaySeconds float64 // expected delay when this mode is the first
	USeconds     float64 // its standard uncertainty then
	Elevation    float64 // degrees above the horizon
	HeightM      float64 // mean height of the turning points
	LevelDB      float64 // median, relative to the strongest mode
	MUFHz        float64 // median basic MUF; 0: without limit, or not known
	Probability  float64 // chance that the mode is heard, given that the station is
	First        float64 // chance that it is the earliest arrival; these sum to 1

	kind kind
}

// Cause is one contribution to the uncertainty of the delay. The squares of the
// causes' U sum to the square of the prediction's.
type Cause struct {
	Name     string
	USeconds float64
}

// Prediction is the delay of the earliest arrival and what it rests on.
type Prediction struct {
	CarrierHz          float64         // 0 when several carriers are mixed
	DistanceM          float64         // of the first carrier when several are mixed
	GreatCircleSeconds float64         // distance over the speed of light: no arrival can be earlier
	Delay              mixture.Mixture // a label names the first mode
	DelaySeconds       float64         // its median
	// CI95 are the ends of its shortest set of 95 %, and USeconds the standard
	// uncertainty that goes with them.
	USeconds  float64
	CI95      [2]float64
	Modes     []Mode // by delay
	Causes    []Cause
	Sunspots  float64 // R12 the prediction was made for
	SunspotsU float64 // its standard uncertainty
	// SecondsPerSunspot is how the delay changes with R12.
	SecondsPerSunspot float64
	// What WithArrivals made of the arrivals: Spaced when their spacing told the mode
	// of the first; Stray, the excess in seconds of the last, when they fit no two
	// modes.
	Spaced bool
	Stray  float64
	// IonogramStray is by how many of a day's standard deviations the ionogram furthest
	// from the maps strays from them.
	IonogramStray float64

	// Sea is the share of a path on long wave over sea, by the map; nil: the ground was
	// given, or does not matter.
	Sea *float64
	// Sky is what WithWaves told; nil: nothing.
	Sky *Sky

	days []day
	long *longOver
}

// day is one draw of the ionosphere over one of the carriers' circuits.
type day struct {
	carrier  int
	weight   float64
	sunspots float64
	ways     []arriving
}

// ModelledM is the length of a path in metres beyond which other ways round the earth
// and rays that run along a layer, neither of which is traced, become likely (judgement).
const ModelledM = 9000e3

// days is how many ionospheres are drawn for a prediction: the ends of an
// interval that leave out 2.5 % then rest on some eight of them.
const daysDrawn = 320

// Predict computes the delay. It fails when the request names no carrier of the
// station, a place off the earth or no time.
func Predict(r Request) (Prediction, error) { return predict(r, daysDrawn) }

// predict draws n days.

func predict(r Request, n int) (Prediction, error) {
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
	now := newInstant(r.Time, r.Maps, p.Sunspots)
	carriers := r.carriers()
	n = max(n/len(carriers), min(n, 80))
	mufs := map[string]float64{}
	for i, c := range carriers {
		way := r.circuit(c)
		if i == 0 {
			p.DistanceM, p.GreatCircleSeconds = way.distanceM, way.distanceM/lightMPerS
		}
		p.GreatCircleSeconds = min(p.GreatCircleSeconds, way.distanceM/lightMPerS)
		median := now.sky(way)
		for _, m := range median.candidates(c.Hz) {
			mufs[m.mode.String()] = m.mufHz
		}
		share := 1.0
		if len(carriers) > 1 {
			// The carrier was one that could be heard; none is quite impossible.
			share = 0.01
			if c.OnAir(r.Time) {
				share += median.reception(c, r.Station.Depth, DefaultReceiver, now.noiseAt(r.At, DefaultReceiver, c.Hz)).reliability
			}
		}
		l, over := survey(now, way, c.Hz, nil)
		over, told := observe(over, r.Ionograms, func(t time.Time) instant { return newInstant(t, r.Maps, p.Sunspots) }, r.Time)
		w := newWeather(p.Sunspots, p.SunspotsU, over, told)
		p.IonogramStray = max(p.IonogramStray, w.furthest())
		drawn := make([]day, n)
		each(n, func(k int) {
			z := make([]float64, w.size())
			draw(z, k)
			drawn[k] = day{i, share / float64(n), w.sunspots(z), w.arrivals(&l, z)}
		})
		p.days = append(p.days, drawn...)
		if len(carriers) == 1 { // of a mixture it is no help
			p.SecondsPerSunspot = w.perSunspot(&l)
		}
	}
	p.summarise(nil, gatherWithin)
	for i := range p.Modes {
		p.Modes[i].MUFHz = mufs[p.Modes[i].Name]
	}
	return p, nil
}

// circuit is the way from a carrier's antenna. Both directions are one.
func (r Request) circuit(c station.Carrier) *circuit {
	from, to := LatLon{Lat: c.Lat, Lon: c.Lon}, r.At
	if !r.LongPath && before(to, from) {
		from, to = to, from
	}
	return newCircuit(from, to, r.LongPath)
}

// perSunspot is how the expected delay changes with R12, two standard uncertainties to
// either side: on the same days but for the sunspots. A single day's delay leaps where a
// mode comes or goes.
func (w *weather) perSunspot(l *leg) float64 {
	const n = daysDrawn / 8
	var sum, moment [n][2]float64
	each(n, func(k int) {
		z := make([]float64, w.size())
		draw(z, k)
		for side := range 2 {
			z[0] = float64(4*side - 2)
			for _, p := range firsts(w.arrivals(l, z)) {
				sum[k][side] += p.weight
				moment[k][side] += p.weight * p.mean
			}
		}
	})
	expected := func(side int) float64 {
		var weight, all float64
		for k := range n {
			weight, all = weight+sum[k][side], all+moment[k][side]
		}
		return all / weight
	}
	return (expected(1) - expected(0)) / (4 * w.uR12)
}

// WithArrivals takes in the arrivals that a recording tells apart, the earliest
// first: readings that fit their spacing and strength gain weight. One without power, of
// which there is no level, tells nothing.
func (p Prediction) WithArrivals(heard []Heard) Prediction {
	heard = slices.DeleteFunc(slices.Clone(heard), func(h Heard) bool { return math.IsInf(h.LevelDB, 0) || math.IsNaN(h.LevelDB) })
	if len(p.days) == 0 || len(heard) == 0 {
		return p
	}
	before := p
	p.Modes = slices.Clone(p.Modes)
	strays := p.summarise(heard, gatherWithin)
	switch {
	case len(heard) == 1:
	case strays > 0.5:
		p = before
		p.summarise(heard[:1], gatherWithin) // what fits nothing tells nothing of the first
		p.Stray = heard[len(heard)-1].Excess
	default:
		p.Spaced = true
	}
	return p
}

// reading is a possibility on one of the days.
type reading struct {
	possibility
	day *day
}

// summarise computes what is stated from the days and what was heard, readings gathered
// within so many seconds, and returns the chance that some of what was heard is stray.
func (p *Prediction) summarise(heard []Heard, within float64) (strays float64) {
	var all []reading
	total := 0.0
	for i := range p.days {
		d := &p.days[i]
		for _, e := range explain(d.ways, heard) {
			e.weight *= d.weight
			e.mean, e.u = notBefore(e.mean, e.u, p.GreatCircleSeconds)
			total += e.weight
			all = append(all, reading{e, d})
		}
	}
	for i := range all {
		all[i].weight /= total
		if all[i].strays > 0 {
			strays += all[i].weight
		}
	}
	p.Delay = gathered(all, within, 10*negligible)
	p.DelaySeconds = max(p.GreatCircleSeconds, p.Delay.Median())
	hull := p.Delay.Hull(0.95)
	p.CI95 = [2]float64{max(p.GreatCircleSeconds, hull.Low), hull.High}
	p.USeconds = (p.CI95[1] - p.CI95[0]) / 2 / mixture.Coverage(math.Inf(1))
	p.Causes = causes(all, p.USeconds)
	p.listModes(all)
	return strays
}

// notBefore is a normal distribution cut off below least: mean and standard
// deviation of what is left.
func notBefore(mean, u, least float64) (float64, float64) {
	a := (least - mean) / u
	if a < -4 {
		return mean, u
	}
	if a > 5 {
		return least + u/a, u / a // the tail's, which is exponential
	}
	h := math.Exp(-a*a/2) / math.Sqrt(2*math.Pi) / normalCDF(-a)
	return mean + u*h, u * math.Sqrt(max(1e-6, 1+a*h-h*h))
}

// gatherWithin is less than what a traced delay is out by, s.
const gatherWithin = 60e-6

// gathered joins readings of one first mode whose delays lie close together, and drops those
// that together weigh no more than the least.
func gathered(all []reading, close, least float64) mixture.Mixture {
	type bin struct {
		first kind
		late  bool
		at    int
	}
	index := map[bin]int{}
	var sums []struct{ weight, mean, square float64 }
	var m mixture.Mixture
	for _, r := range all {
		within := close
		if r.late {
			within = lateBy
		}
		k := bin{r.first, r.late, int(math.Floor(r.mean / within))}
		i, known := index[k]
		if !known {
			i = len(m)
			index[k] = i
			m = append(m, mixture.Component{Mean: r.mean, DoF: math.Inf(1), Label: r.first.String() + " first"})
			sums = append(sums, struct{ weight, mean, square float64 }{})
		}
		d := r.mean - m[i].Mean
		s := &sums[i]
		s.weight += r.weight
		s.mean += r.weight * d
		s.square += r.weight * (d*d + r.u*r.u)
	}
	for i, s := range sums {
		d := s.mean / s.weight
		m[i].Mean += d
		m[i].U = math.Sqrt(max(0, s.square/s.weight-d*d))
		m[i].Weight = s.weight
	}
	m = slices.DeleteFunc(m, func(c mixture.Component) bool { return c.Weight <= least })
	m.Normalise()
	return m
}

// causes splits the variance of the readings (law of total variance): carrier,
// mode, what goes with the sunspot number, the rest of the days, and what is left
// inside. They are scaled to u, which is not quite the standard deviation.
func causes(all []reading, u float64) []Cause {
	type group struct{ weight, mean, square, spots, spots2, product float64 }
	byMode := map[kind]*group{}
	byCarrier := map[int]*group{}
	var whole group
	inside, late := 0.0, 0.0
	mean := 0.0
	for _, r := range all {
		mean += r.weight * r.mean
	}
	add := func(g *group, r reading) {
		d, s := r.mean-mean, r.day.sunspots
		g.weight += r.weight
		g.mean += r.weight * d
		g.square += r.weight * d * d
		g.spots += r.weight * s
		g.spots2 += r.weight * s * s
		g.product += r.weight * s * d
	}
	var modes []kind
	for _, r := range all {
		if r.late {
			late += r.weight * r.u * r.u
		} else {
			inside += r.weight * r.u * r.u
		}
		if byMode[r.first] == nil {
			byMode[r.first] = &group{}
			modes = append(modes, r.first)
		}
		if byCarrier[r.day.carrier] == nil {
			byCarrier[r.day.carrier] = &group{}
		}
		add(byMode[r.first], r)
		add(byCarrier[r.day.carrier], r)
		add(&whole, r)
	}
	between := 0.0
	for i := range len(byCarrier) {
		if g := byCarrier[i]; g != nil {
			between += g.mean * g.mean / g.weight
		}
	}
	mode, spots := -between, 0.0
	for _, k := range modes {
		g := byMode[k]
		mode += g.mean * g.mean / g.weight
		if v := g.spots2 - g.spots*g.spots/g.weight; v > 1e-9 {
			c := g.product - g.spots*g.mean/g.weight
			spots += c * c / v
		}
	}
	mode = max(0, mode)
	days := max(0, whole.square-between-mode-spots)
	list := []Cause{{"carrier", between}, {"mode", mode}, {"sunspot number", spots}, {"day-to-day ionosphere", days}, {"scatter sideways", late}, {"rays inside a mode", inside}}
	sum := 0.0
	for _, c := range list {
		sum += c.USeconds
	}
	for i := range list {
		list[i].USeconds = u * math.Sqrt(max(0, list[i].USeconds/sum))
	}
	return slices.DeleteFunc(list, func(c Cause) bool { return c.USeconds < 1e-9 })
}

// FirstMode is the name of the mode most likely to be the earliest arrival, and
// the chance that it is.
func (p Prediction) FirstMode() (name string, chance float64) {
	for _, m := range p.Modes {
		if m.First > chance {
			name, chance = m.Name, m.First
		}
	}
	return name, chance
}

// leastProbability is the smallest chance for which a mode is listed.
const leastProbability = 0.005

// listModes lists the modes that may be heard, by delay.
func (p *Prediction) listModes(all []reading) {
	mufs := map[kind]float64{}
	for _, m := range p.Modes {
		mufs[m.kind] = m.MUFHz
	}
	var list []*Mode
	index := map[kind]*Mode{}
	mode := func(k kind) *Mode {
		m := index[k]
		if m == nil {
			m = &Mode{Name: k.String(), Hops: k.hops(), MUFHz: mufs[k], kind: k}
			index[k] = m
			list = append(list, m)
		}
		return m
	}
	// A day counts by how well it explains what was heard.
	belief := map[*day]float64{}
	straight := map[*Mode]float64{}
	for _, r := range all {
		belief[r.day] += r.weight
		m := mode(r.first)
		m.First += r.weight
		if !r.late { // scattered sideways it is no mode's delay
			straight[m] += r.weight
			m.DelaySeconds += r.weight * r.mean
			m.USeconds += r.weight * (r.mean*r.mean + r.u*r.u)
		}
	}
	for m, weight := range straight {
		m.DelaySeconds /= weight
		m.USeconds = math.Sqrt(max(0, m.USeconds/weight-m.DelaySeconds*m.DelaySeconds))
	}
	sums := map[kind]float64{}
	delays := map[kind]float64{}
	for i := range p.days {
		d := &p.days[i]
		for _, a := range d.ways {
			m := mode(a.kind)
			w := belief[d]
			sums[a.kind] += w
			delays[a.kind] += w * a.delay
			m.Probability += w * a.seen
			m.Elevation += w * a.elevation * 180 / math.Pi
			m.HeightM += w * a.heightM
			m.LevelDB += w * a.levelDB
		}
	}
	p.Modes = p.Modes[:0:0]
	for _, m := range list {
		n := sums[m.kind]
		if n > 0 {
			m.Elevation, m.HeightM, m.LevelDB = m.Elevation/n, m.HeightM/n, m.LevelDB/n
			if m.First == 0 {
				m.DelaySeconds = delays[m.kind] / n
			}
		}
		m.Probability = min(1, m.Probability)
		if m.Probability >= leastProbability || m.First >= leastProbability {
			p.Modes = append(p.Modes, *m)
		}
	}
	slices.SortFunc(p.Modes, func(a, b Mode) int { return cmp.Compare(a.DelaySeconds, b.DelaySeconds) })
}

// instant is the ionosphere of the whole earth at one time.
type instant struct {
	time time.Time
	sun  ionosphere.Sun
	r12  float64
	f2   ionosphere.F2Map // monthly medians at r12
	// For the slope of the medians, which is straight up to 160: at R12 0 and 100.
	quiet, active ionosphere.F2Map
}

func newInstant(t time.Time, maps ionosphere.Maps, r12 float64) instant {
	if maps == nil {
		maps = ionosphere.Embedded()
	}
	return instant{t, ionosphere.SunAt(t), r12, maps.At(t, r12), maps.At(t, 0), maps.At(t, 100)}
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
