// Command timeball-bench judges the estimator: it measures simulated recordings,
// whose truth the estimator does not see, class by class, and prints how far
// off it is and how often its interval holds the truth.
package main

import (
	"encoding/csv"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"runtime"
	"slices"
	"sync"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

func main() {
	pattern := flag.String("class", ".", "regular expression that chooses classes by name")
	seeds := flag.Int("n", 40, "recordings a class")
	out := flag.String("csv", "", "file for one row a class")
	verbose := flag.Bool("v", false, "print every recording")
	first := flag.Uint64("seed", 1, "first seed")
	flag.Parse()
	chosen := regexp.MustCompile(*pattern)
	var w *csv.Writer
	if *out != "" {
		f, err := os.Create(*out)
		if err != nil {
			fmt.Fprintln(os.Stderr, "timeball-bench:", err)
			os.Exit(1)
		}
		defer f.Close()
		w = csv.NewWriter(f)
		defer w.Flush()
		w.Write(header)
	}
	fmt.Println(summaryHeader)
	for _, c := range classes() {
		if !chosen.MatchString(c.name) {
			continue
		}
		s := judge(c, *seeds, *first, *verbose)
		fmt.Println(s)
		if w != nil {
			w.Write(s.row())
		}
	}
}

// outcome is what came of one recording.
type outcome struct {
	seed      uint64
	found     bool
	err       float64 // measured less true offset, s
	mean      float64 // the same against the power-weighted mean of the paths
	u         float64
	held      bool // the interval holds the truth
	paths     int
	reason    string  // with the stations heard
	seconds   float64 // of processor time
	wrongName bool
}

// measure runs one recording through the pipeline.
func measure(c class, seed uint64) outcome {
	r := rand.New(rand.NewPCG(seed, 0x7ba11))
	cfg := c.config(r)
	cfg.Seed = seed
	src, err := simulate.New(cfg)
	if err != nil {
		panic(fmt.Sprintf("class %s: %v", c.name, err))
	}
	truth := src.Truth()
	// The delay of a station that does not send is given too: a false fix must not hide behind an unknown path.
	settings := align.Settings{Sunspots: math.NaN(), PathDelays: map[string]align.Quantity{"": {}}, Skew: &align.Quantity{Value: truth.SkewSeconds}}
	all := station.Builtin()
	for i := range all {
		if !all[i].Lookalike {
			settings.Stations = append(settings.Stations, &all[i])
		}
	}
	settings.ReceiverDelay = &align.Quantity{Value: truth.Receiver.GroupDelay}
	o := outcome{seed: seed}
	for _, s := range truth.Signals {
		if s.Station == "" {
			continue
		}
		earliest := math.Inf(1)
		for _, p := range s.Paths {
			earliest = min(earliest, p.DelaySeconds)
		}
		settings.PathDelays[s.Station] = align.Quantity{Value: earliest}
	}
	start := time.Now()
	a, err := align.NewAttempt(src.Info(), settings)
	if err != nil {
		panic(err)
	}
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			panic(err)
		}
		a.Process(&b)
	}
	f := a.Fix()
	o.seconds = time.Since(start).Seconds()
	o.reason = f.Reason
	for _, s := range f.Stations {
		o.reason += fmt.Sprintf(" %s at %.1f Hz", s.ID, s.ToneHz)
	}
	if f.Verdict != align.Found {
		return o
	}
	o.found = true
	if truth.Marker == nil {
		return o
	}
	d := *f.Offset - truth.Marker.Offset
	o.err = d - math.Round(d)
	o.u = *f.U
	lo, hi := f.CI95[0]-*f.Offset+o.err, f.CI95[1]-*f.Offset+o.err
	o.held = lo <= 0 && 0 <= hi
	o.mean = o.err
	if len(truth.Signals) > 0 {
		sum, total, earliest := 0.0, 0.0, math.Inf(1)
		for _, p := range truth.Signals[0].Paths {
			w := math.Pow(10, p.LevelDB/10)
			sum, total = sum+w*p.DelaySeconds, total+w
			earliest = min(earliest, p.DelaySeconds)
		}
		o.mean -= sum/total - earliest
	}
	if len(f.Stations) > 0 {
		o.paths = len(f.Stations[0].Arrivals)
		o.wrongName = len(truth.Signals) == 0 || f.Stations[0].ID != truth.Signals[0].Station && len(truth.Signals) < 2
	}
	return o
}

// judge measures n recordings of a class on all cores.
func judge(c class, n int, first uint64, verbose bool) summary {
	results := make([]outcome, n)
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.NumCPU() {
		wg.Go(func() {
			for i := range next {
				results[i] = measure(c, first+uint64(i))
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	if verbose {
		for _, o := range results {
			fmt.Printf("  seed %d: found %v, error %.1f µs, u %.1f, held %v, paths %d, %s\n", o.seed, o.found, o.err*1e6, o.u*1e6, o.held, o.paths, o.reason)
		}
	}
	return summarise(c, results)
}

// summary is a row of the table.
type summary struct {
	class                        class
	n, fixes, held, slips, wrong int
	bias, rms, rmsMean           float64
	p50, p95, p99                float64
	u                            float64
	bound                        float64
	seconds                      float64
	two                          int
}

func summarise(c class, results []outcome) summary {
	s := summary{class: c, n: len(results), bound: c.bound}
	var abs []float64
	for _, o := range results {
		s.seconds += o.seconds / float64(len(results))
		if !o.found {
			continue
		}
		s.fixes++
		if o.wrongName {
			s.wrong++
		}
		if math.Abs(o.err) > 0.25e-3 && c.config != nil {
			s.slips++
		}
		if o.held {
			s.held++
		}
		if o.paths > 1 {
			s.two++
		}
		s.bias += o.err
		s.rms += o.err * o.err
		s.rmsMean += o.mean * o.mean
		s.u += o.u
		abs = append(abs, math.Abs(o.err))
	}
	if s.fixes > 0 {
		k := float64(s.fixes)
		s.bias /= k
		s.u /= k
		s.rms = math.Sqrt(s.rms / k)
		s.rmsMean = math.Sqrt(s.rmsMean / k)
		slices.Sort(abs)
		at := func(p float64) float64 { return abs[min(len(abs)-1, int(p*k))] }
		s.p50, s.p95, s.p99 = at(0.5), at(0.95), at(0.99)
	}
	return s
}

const summaryHeader = "class                             n fixes wrong |   bias    rms rms-mean   p50    p95    p99      u  µs | /CRB | held %        | >.25ms two | s"

func (s summary) String() string {
	ratio := "   -"
	if s.bound > 0 {
		ratio = fmt.Sprintf("%5.2f", s.rms/s.bound)
	}
	held, band := 0.0, 0.0
	if s.fixes > 0 {
		held = float64(s.held) / float64(s.fixes)
		band = 1.96 * math.Sqrt(0.95*0.05/float64(s.fixes))
	}
	return fmt.Sprintf("%-32s %3d %4d %4d | %7.2f %7.2f %7.2f %7.2f %7.2f %7.2f %7.2f | %s | %5.1f ± %4.1f | %4d %4d | %.2f",
		s.class.name, s.n, s.fixes, s.wrong, s.bias*1e6, s.rms*1e6, s.rmsMean*1e6, s.p50*1e6, s.p95*1e6, s.p99*1e6, s.u*1e6, ratio, 100*held, 100*band, s.slips, s.two, s.seconds)
}

var header = []string{"class", "recordings", "fixes", "wrong_station", "bias_us", "rms_us", "rms_to_mean_path_us", "p50_us", "p95_us", "p99_us", "mean_u_us", "crb_us", "held", "over_250us", "two_paths"}

func (s summary) row() []string {
	us := func(x float64) string { return fmt.Sprintf("%.3f", x*1e6) }
	return []string{
		s.class.name, fmt.Sprint(s.n), fmt.Sprint(s.fixes), fmt.Sprint(s.wrong), us(s.bias), us(s.rms), us(s.rmsMean), us(s.p50), us(s.p95), us(s.p99),
		us(s.u), us(s.bound), fmt.Sprint(s.held), fmt.Sprint(s.slips), fmt.Sprint(s.two),
	}
}
