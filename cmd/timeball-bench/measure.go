package main

import (
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// outcome is what came of one recording. Times are in seconds.
type outcome struct {
	seed  uint64
	found bool
	// A fix or an offset without a station, or a station named that is not on the air.
	wrong    bool
	err      float64 // measured less true offset; NaN: no fix, or no truth to compare it with
	mean     float64 // the same, had the power-weighted mean of the paths been given as the delay
	u        float64
	bound    float64 // NaN: not known
	held     bool    // the interval holds the truth
	slip     bool
	timedBy  string  // of the first station, by its StationFix
	firstFix float64 // after the start of the recording; NaN: not followed or never
	took     float64
	reason   string // with the stations heard
}

// measure runs one recording through the pipeline. Path and receiver delay are
// given as they are, and for stations that are not on the air some path delay, so
// that no false fix hides behind a path that is not known.
func measure(c class, seed uint64) outcome {
	// No two classes have noise in common, so that what is seen in one is no echo of
	// another.
	h := fnv.New64a()
	io.WriteString(h, c.name)
	r := rand.New(rand.NewPCG(seed, h.Sum64()))
	cfg := c.config(r)
	cfg.Seed = r.Uint64()
	src, err := simulate.New(cfg)
	if err != nil {
		panic(fmt.Sprintf("class %s: %v", c.name, err))
	}
	truth := src.Truth()
	onAir := map[string]simulate.SignalTruth{}
	settings := align.Settings{
		Sunspots:      math.NaN(),
		PathDelays:    map[string]align.Quantity{"": {Value: 10e-3}},
		ReceiverDelay: &align.Quantity{Value: truth.Receiver.GroupDelay},
		Skew:          &align.Quantity{Value: truth.SkewSeconds},
	}
	for _, s := range truth.Signals {
		if s.Station == "" {
			continue
		}
		earliest, _ := delays(s)
		settings.PathDelays[s.Station] = align.Quantity{Value: earliest}
		onAir[s.Station] = s
	}
	settings.Stations = stations(c, onAir, r)
	settings.Named = !c.auto && (!c.free || len(settings.Stations) == 1)
	if s := cfg.Station; s != nil && s.LongWave() {
		// Its edges are those of this recording, and the loop's delay is in them.
		settings.Stations, settings.LoopQ = []*station.Station{s}, &cfg.Receiver.Loop.Q
		if c.untold {
			settings.LoopQ = nil
		}
		if cfg.Receiver.Loop.Q > 0 {
			settings.ReceiverDelay.Value = cfg.Receiver.DelaySeconds
		}
	}
	if c.named != "" {
		settings.Stations = []*station.Station{onLongWave(c.named, r)}
	}
	if c.at != nil {
		settings.At, settings.PathDelays = c.at, nil
	}
	began := time.Now()
	f, firstFix := run(src, settings, c.live)
	o := outcome{seed: seed, err: math.NaN(), bound: bound(cfg), firstFix: firstFix, took: time.Since(began).Seconds(), found: f.Verdict == align.Found}
	if f.Why != nil {
		o.reason = fmt.Sprintf("%T%+v", f.Why, f.Why)
	}
	for _, s := range f.Stations {
		o.reason += fmt.Sprintf(" %s at %.1f Hz", s.ID, s.ToneHz)
		if _, ok := onAir[s.ID]; !ok {
			o.wrong = true
		}
	}
	if len(onAir) == 0 && (o.found || f.Offset != nil) {
		o.wrong = true
	}
	if !o.found || len(onAir) == 0 {
		return o
	}
	d := *f.Offset - truth.Marker.Offset
	o.err = d - math.Round(d)
	o.u = *f.U
	lo, hi := f.CI95[0]-*f.Offset+o.err, f.CI95[1]-*f.Offset+o.err
	o.held = lo <= 0 && 0 <= hi
	excess := 0.0
	for _, s := range onAir {
		earliest, mean := delays(s)
		excess += (mean - earliest) / float64(len(onAir))
	}
	o.mean = o.err - excess
	if len(f.Stations) > 0 {
		o.timedBy = f.Stations[0].TimedBy
	}
	if cfg.Station != nil {
		o.slip = min(math.Abs(o.err), math.Abs(o.mean)) > 0.25/cfg.Station.ToneHz
	}
	return o
}

// run measures src to its end. Live, it also tells when a display would first
// have shown a fix.
func run(src *simulate.Source, settings align.Settings, live bool) (f align.Fix, firstFix float64) {
	a, err := align.NewAttempt(src.Info(), settings)
	if err != nil {
		panic(err)
	}
	process, firstFix := a.Process, math.NaN()
	if live {
		l := align.NewLive(a)
		process = func(b *capture.Block) {
			if s, ok := l.Process(b); ok && s.Verdict == align.Found && math.IsNaN(firstFix) {
				firstFix = s.T
			}
		}
	}
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return a.Fix(), firstFix
		}
		if err != nil {
			panic(err)
		}
		process(&b)
	}
}

// stations are those looked for: those on the air, as a person names them who has
// tuned to them; or, when the class says so, all but the lookalikes. Without a
// station, and with none that the program looks for, every second recording is
// made with a station named that is not there.
func stations(c class, onAir map[string]simulate.SignalTruth, r *rand.Rand) []*station.Station {
	var named, looked []*station.Station
	all := station.Builtin()
	for i := range all {
		if _, ok := onAir[all[i].ID]; ok {
			named = append(named, &all[i])
		}
		if !all[i].Lookalike {
			looked = append(looked, &all[i])
		}
	}
	switch {
	case c.free && r.IntN(2) == 0:
		toned := slices.DeleteFunc(looked, func(s *station.Station) bool { return s.ToneHz == 0 })
		return toned[r.IntN(len(toned)):][:1]
	case c.free || c.auto:
		return looked
	}
	return named
}

// onLongWave is a station by its ID, or any of those on long wave.
func onLongWave(id string, r *rand.Rand) *station.Station {
	if id != "any" {
		return find(id)
	}
	var all []*station.Station
	for i, s := range station.Builtin() {
		if s.LongWave() {
			all = append(all, &station.Builtin()[i])
		}
	}
	return all[r.IntN(len(all))]
}

// delays are those of a signal's earliest path and of the power-weighted mean.
func delays(s simulate.SignalTruth) (earliest, mean float64) {
	sum, total := 0.0, 0.0
	earliest = math.Inf(1)
	for _, p := range s.Paths {
		w := math.Pow(10, p.LevelDB/10)
		sum, total = sum+w*p.DelaySeconds, total+w
		earliest = min(earliest, p.DelaySeconds)
	}
	return earliest, sum / total
}

// bound is the coherent Cramér–Rao bound of the offset, with the clock's rate
// known, from all second marks but those of the minute; NaN where it does not hold.
// σ = 1/(2πf0·√(6000·T·SNR)), with T their tones' time in all and SNR in 3 kHz
// (from σ = 1/(2πf·√(2E/N0)) for a burst far longer than its tone's period).
func bound(c simulate.Config) float64 {
	if c.Station != nil && c.Station.LongWave() && len(c.Paths) == 1 && c.Lightning.PerMinute == 0 {
		// One edge through one pole: √(τ/(depth²·C/N0)); DCF77's phase code, of which a
		// second tells √(τ/(73.7·C/N0)) with its 255 changes by 31.2 degrees.
		ratio := 3000 * math.Pow(10, c.SNRdB/10)
		if c.Station.Keying == station.PhaseRamps {
			// One ramp of 50 ms and 40 rad/s.
			return math.Sqrt(1/(2*0.05*ratio*c.Seconds)) / 40
		}
		inverse := c.Station.Depth * c.Station.Depth
		if c.Station.Phase.Kind == "dcf77" {
			inverse += 73.7
		}
		return math.Sqrt(c.Station.Edge.TauSeconds / (inverse * ratio * c.Seconds))
	}
	if c.Station == nil || c.Receiver.Detector != simulate.Linear || c.Programme != simulate.MarksOnly || len(c.Paths) != 1 || len(c.Others) > 0 {
		return math.NaN()
	}
	sounding := 0.0
	for i := range int(c.Seconds) {
		t := c.Start.Add(time.Duration(i) * time.Second)
		if m, ok := c.Station.MarkAt(t.Minute(), t.Second()); ok && t.Second() != 0 && m.ToneHz == c.Station.ToneHz {
			sounding += m.Length
		}
	}
	return 1 / (2 * math.Pi * c.Station.ToneHz * math.Sqrt(6000*sounding*math.Pow(10, c.SNRdB/10)))
}

// judge measures n recordings of a class, jobs at a time, but for those that are kept.
func judge(c class, kept *outcomes, n, jobs int, first uint64) summary {
	results := make([]outcome, max(1, n/max(1, c.sparse)))
	if n == 0 {
		results = nil
	}
	var wg sync.WaitGroup
	next := make(chan int)
	for range jobs {
		wg.Go(func() {
			for i := range next {
				results[i] = kept.measure(c, first+uint64(i))
			}
		})
	}
	for i := range results {
		next <- i
	}
	close(next)
	wg.Wait()
	return summarise(c.name, results)
}

// summary is what the recordings of a class have in common. Times are in seconds.
type summary struct {
	name                          string
	outcomes                      []outcome
	fixes, wrong, slips           int
	timed, held                   int // fixes whose truth is known; those whose interval holds it
	bias, rms, rmsMean            float64
	p50, p95, p99                 float64 // of the error's size
	u                             float64 // mean
	bound                         float64 // NaN: not known
	earliest, only, mean          int     // timed, by what they are the time of
	firstFix, firstFix95, in20, s float64 // NaN: not followed; in20: share of all within 20 s
}

func summarise(name string, outcomes []outcome) summary {
	s := summary{name: name, outcomes: outcomes, firstFix: math.NaN(), firstFix95: math.NaN(), in20: math.NaN()}
	var size, first []float64
	for _, o := range outcomes {
		s.s += o.took / float64(len(outcomes))
		s.bound += o.bound * o.bound / float64(len(outcomes))
		if o.wrong {
			s.wrong++
		}
		if !math.IsNaN(o.firstFix) {
			first = append(first, o.firstFix)
		}
		if o.found {
			s.fixes++
		}
		if math.IsNaN(o.err) {
			continue
		}
		s.timed++
		if o.slip {
			s.slips++
		}
		if o.held {
			s.held++
		}
		switch o.timedBy {
		case align.EarliestArrival:
			s.earliest++
		case align.OnlyArrival:
			s.only++
		case align.PowerWeightedMean:
			s.mean++
		}
		s.bias += o.err
		s.rms += o.err * o.err
		s.rmsMean += o.mean * o.mean
		s.u += o.u
		size = append(size, math.Abs(o.err))
	}
	s.bound = math.Sqrt(s.bound)
	k := float64(s.timed)
	s.bias, s.u, s.rms, s.rmsMean = s.bias/k, s.u/k, math.Sqrt(s.rms/k), math.Sqrt(s.rmsMean/k)
	slices.Sort(size)
	s.p50, s.p95, s.p99 = quantile(size, 0.5), quantile(size, 0.95), quantile(size, 0.99)
	if len(first) > 0 {
		slices.Sort(first)
		s.firstFix, s.firstFix95 = quantile(first, 0.5), quantile(first, 0.95)
		within, _ := slices.BinarySearch(first, 20)
		s.in20 = float64(within) / float64(len(outcomes))
	}
	return s
}

// quantile of sorted values; NaN when there are none.
func quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(len(sorted)-1, int(p*float64(len(sorted))))]
}

func (o outcome) String() string {
	return fmt.Sprintf("  seed %d: found %v, wrong %v, error %.1f us, to the mean %.1f us, u %.1f us, held %v, slip %v, %s, first fix %.0f s, %s",
		o.seed, o.found, o.wrong, o.err*1e6, o.mean*1e6, o.u*1e6, o.held, o.slip, o.timedBy, o.firstFix, o.reason)
}
