package align

import (
	"io"
	"math"
	"testing"
	"time"

	"timeball/align/path"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/tick/timing"
)

// markedAttempt is an attempt that has heard a marker and no station.
func markedAttempt(t *testing.T, s Settings) *Attempt {
	t.Helper()
	src, err := simulate.New(simulate.Config{Seconds: 12, Rate: 8000, Marker: &simulate.Marker{}})
	if err != nil {
		t.Fatal(err)
	}
	a, err := NewAttempt(src.Info(), s)
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for {
		if err := src.Read(&b); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		a.Process(&b)
	}
	if a.marker < 0 {
		t.Fatalf("no marker: %+v", a.why)
	}
	return a
}

// arrivalsOf are ticks of a perfect clock over a span, heard over a path whose
// delay runs as the function says: the least-squares line through them.
func arrivalsOf(s *station.Station, span int, delay func(second float64) float64) *timing.Arrival {
	mid := float64(span-1) / 2
	var sum, products, squares float64
	for n := range span {
		d := delay(float64(n))
		sum += d
		products += (float64(n) - mid) * d
		squares += (float64(n) - mid) * (float64(n) - mid)
	}
	lag, rate := sum/float64(span), products/squares
	const u = 1e-6
	return &timing.Arrival{
		Station: s, ToneHz: s.ToneHz, Ref: mid, Lag: lag, Rate: rate, DoF: 100, Ticks: span, Expected: span,
		Alternatives: []timing.Alternative{{Lag: lag, Rate: rate, VarLag: u * u, VarRate: u * u / squares * float64(span), Probability: 1}},
		Paths:        []timing.Path{{}},
	}
}

// sanDiego hears WWV through a winter's sunrise.
var (
	sanDiego = path.LatLon{Lat: 32.70, Lon: -117.25}
	predawn  = time.Date(2026, 12, 21, 13, 20, 0, 0, time.UTC)
)

func atSanDiego(t *testing.T) Settings {
	return Settings{
		Stations: []*station.Station{aStation(t, "wwv")}, Named: true, CarrierHz: 5e6, At: &sanDiego, Start: predawn, Sunspots: 100,
		ReceiverDelay: &Quantity{}, Skew: &Quantity{},
	}
}

func computed(t *testing.T, s Settings, at time.Time) path.Prediction {
	t.Helper()
	p, err := path.Predict(path.Request{Station: s.Stations[0], CarrierHz: s.CarrierHz, At: *s.At, Time: at, Sunspots: s.Sunspots})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Two hours of ticks of a perfect clock arrive as the computed delay has it,
// which moves with the sun: the offset must come out as nothing, and so must the
// rate. Without following it the delay's own movement would show in both.
func TestTimeOfDayIsFollowed(t *testing.T) {
	s := atSanDiego(t)
	a := markedAttempt(t, s)
	const span = 7200
	var every [span/600 + 1]float64
	for i := range every {
		every[i] = computed(t, s, predawn.Add(time.Duration(i)*600*time.Second)).DelaySeconds
	}
	arr := arrivalsOf(s.Stations[0], span, func(second float64) float64 {
		i := min(int(second/600), len(every)-2)
		return every[i] + (every[i+1]-every[i])*(second/600-float64(i))
	})
	moved := every[len(every)-1] - every[0]
	if math.Abs(moved) < 100e-6 {
		t.Fatalf("the delay moves by %g s only", moved)
	}
	o := a.stationOffset(arr, a.rate, 0, span-1, predawn)
	// Modes take over from each other meanwhile, which a straight line follows by half.
	if x := o.measured.Median(); math.Abs(x) > 0.5*math.Abs(moved) {
		t.Errorf("offset %g s of a perfect clock, the delay moved by %g s", x, moved)
	}
	if y, u := o.rate.Median(), o.rate.U(); math.Abs(y) > 2*u || math.Abs(y) > 0.3*math.Abs(moved)/span {
		t.Errorf("rate %g ± %g of a perfect clock, the delay moved by %g a second", y, u, moved/span)
	}
	if d := o.fix.Path.Drift; d*moved <= 0 {
		t.Errorf("drift %g, the delay moved by %g s", d, moved)
	}
}

// The causes of a computed delay's uncertainty are told, and make it whole.
func TestCausesAreTold(t *testing.T) {
	s := atSanDiego(t)
	a := markedAttempt(t, s)
	o := a.stationOffset(arrivalsOf(s.Stations[0], 121, func(float64) float64 { return 5e-3 }), a.rate, 0, 120, predawn)
	sum := 0.0
	for _, c := range o.fix.Path.Causes {
		sum += c.U * c.U
	}
	if u := o.fix.Path.U; math.Abs(math.Sqrt(sum)/u-1) > 1e-6 {
		t.Errorf("u = %g s, its causes make %g s", u, math.Sqrt(sum))
	}
	if how, _ := o.lines[len(o.lines)-1].Known.(PathComputed); len(how.From) == 0 || how.From[0].Cause != "mode" {
		t.Errorf("the budget says %+v", how)
	}
	if p := o.fix.Path; p.Delay <= p.GreatCircle || p.GreatCircle < 4.6e-3 {
		t.Errorf("delay %g s, along the ground %g s", p.Delay, p.GreatCircle)
	}
}

// A clock that gains what a path might drift is not known to gain.
func TestDriftIsInTheBudget(t *testing.T) {
	s := atSanDiego(t)
	a := markedAttempt(t, s)
	const span = 7200
	arr := arrivalsOf(s.Stations[0], span, func(second float64) float64 { return 5e-3 + 1e-7*second })
	o := a.stationOffset(arr, a.rate, 0, span-1, predawn)
	if o.drift < 10e-6 {
		t.Errorf("u from the drift is %g s", o.drift)
	}
	f := Fix{SampleClock: &SampleClock{PPMvsMarker: new(float64)}}
	a.combine(&f, []stationOffset{o})
	sum, named := 0.0, false
	for _, l := range f.Budget {
		sum += l.U * l.U
		named = named || l.Source == "path drift wwv"
	}
	// u is that of the shortest 95 % set, which for modes that lie apart is up to a
	// third wider than the root of the sum of squares.
	if ratio := math.Sqrt(sum) / *f.U; !named || ratio < 0.7 || ratio > 1.15 {
		t.Errorf("u = %g s, the budget's lines make %g s: %+v", *f.U, math.Sqrt(sum), f.Budget)
	}
	given := s
	given.PathDelays = map[string]Quantity{"wwv": {Value: 5e-3, U: 1e-4}}
	a.settings = given
	if o := a.stationOffset(arr, a.rate, 0, span-1, predawn); o.drift != 0 {
		t.Errorf("a delay as given drifts by %g s", o.drift)
	}
}

// Arrivals as far apart as two modes of the path make these surer; arrivals no
// modes can be apart are said to contradict them, and make nothing surer.
func TestArrivalsAreUsed(t *testing.T) {
	s := atSanDiego(t)
	s.Start = time.Date(2026, 4, 14, 4, 0, 0, 0, time.UTC)
	s.Sunspots = 120
	a := markedAttempt(t, s)
	delays := map[string]float64{}
	for _, m := range computed(t, s, s.Start).Modes {
		delays[m.Name] = m.DelaySeconds
	}
	heard := func(paths ...timing.Path) stationOffset {
		arr := arrivalsOf(s.Stations[0], 121, func(float64) float64 { return 5e-3 })
		arr.Paths = append(arr.Paths, paths...)
		return a.stationOffset(arr, a.rate, 0, 120, s.Start)
	}
	one := heard()
	two := heard(timing.Path{ExcessSeconds: delays["2F2"] - delays["1F2"], UExcess: 30e-6})
	if two.fix.Path.U >= one.fix.Path.U || len(two.notices) > 0 || two.lines[len(two.lines)-1].Known.(PathComputed).BySpacing == 0 {
		t.Errorf("u = %g s with the spacing, %g s without; %q, %+v", two.fix.Path.U, one.fix.Path.U, two.notices, two.lines)
	}
	odd := heard(timing.Path{ExcessSeconds: 9e-3, UExcess: 30e-6})
	if odd.fix.Path.U < one.fix.Path.U || len(odd.notices) == 0 {
		t.Errorf("u = %g s with an impossible spacing, %g s without; notice %+v", odd.fix.Path.U, one.fix.Path.U, odd.notices)
	}
}

// A carrier that is not known widens the delay.
func TestUnknownCarrierWidens(t *testing.T) {
	s := atSanDiego(t)
	a := markedAttempt(t, s)
	arr := arrivalsOf(s.Stations[0], 121, func(float64) float64 { return 5e-3 })
	known := a.stationOffset(arr, a.rate, 0, 120, predawn)
	s.CarrierHz = 0
	a = markedAttempt(t, s)
	if any := a.stationOffset(arr, a.rate, 0, 120, predawn); any.fix.Path.U <= known.fix.Path.U {
		t.Errorf("u = %g s on any carrier, %g s on 5 MHz", any.fix.Path.U, known.fix.Path.U)
	}
}

// Two stations heard together check each other: a difference beyond what they
// claim is said and widens the fix, which holds both; one within it is no matter.
func TestStationsHeardTogetherCheckEachOther(t *testing.T) {
	s := Settings{
		Stations: []*station.Station{aStation(t, "wwv"), aStation(t, "chu")}, Named: true, Sunspots: math.NaN(),
		PathDelays:    map[string]Quantity{"wwv": {Value: 5e-3, U: 0.2e-3}, "chu": {Value: 12e-3, U: 0.2e-3}},
		ReceiverDelay: &Quantity{}, Skew: &Quantity{},
	}
	a := markedAttempt(t, s)
	together := func(mistake float64) Fix {
		var found []stationOffset
		for i, of := range s.Stations {
			lag := s.PathDelays[of.ID].Value - of.AdvanceSeconds + float64(i)*mistake
			found = append(found, a.stationOffset(arrivalsOf(of, 121, func(float64) float64 { return lag }), a.rate, 0, 120, time.Time{}))
		}
		f := Fix{SampleClock: &SampleClock{PPMvsMarker: new(float64)}}
		a.combine(&f, found)
		return f
	}
	agree, apart := together(0.2e-3), together(2e-3)
	if len(agree.Notices) > 0 || *agree.U > 0.2e-3 {
		t.Errorf("stations that agree: u = %g s, %+v", *agree.U, agree.Notices)
	}
	if len(apart.Notices) != 1 || apart.Notices[0].(Disagreement).Chi2 < 1 {
		t.Errorf("stations 2 ms apart: %+v", apart.Notices)
	}
	if ci := *apart.CI95; ci[0] > 0 || ci[1] < 2e-3 {
		t.Errorf("the interval %v does not hold what either says", ci)
	}
}
