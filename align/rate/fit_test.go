package rate

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"timeball/align/stability"
)

// TestQuietClockIsLeastSquares: without oscillator noise the smoother is the
// weighted least-squares parabola, with its covariance.
func TestQuietClockIsLeastSquares(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(5, 30).Draw(rt, "fixes")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		var nodes []node
		var ts, xs, us []float64
		at := 0.0
		for range n {
			at += 0.2 + 5*rng.Float64()
			u := 1e-4 * (0.5 + rng.Float64())
			x := 0.01 + 3e-5*at + u*rng.NormFloat64()
			nodes = append(nodes, node{t: at, measured: true, x: x, r: u * u, weight: 1})
			ts, xs, us = append(ts, at), append(xs, x), append(us, u)
		}
		end := ts[n-1]
		for i := range ts {
			ts[i] -= end
		}
		c, v, s, err := polynomial(ts, xs, us, 2)
		if err != nil {
			rt.Fatal(err)
		}
		m := newModel(nodes)
		m.prior.dd = 1 // as good as unknown
		_, last := likelihood(nodes, m.prior, noise{})
		for _, p := range []struct {
			what      string
			got, want float64
			u         float64
		}{{"offset", last.x, c[0], math.Sqrt(v[0][0]) / s}, {"rate", last.y, c[1], math.Sqrt(v[1][1]) / s}, {"ageing", last.d, 2 * c[2], 2 * math.Sqrt(v[2][2]) / s}} {
			if math.Abs(p.got-p.want) > 0.01*p.u {
				rt.Fatalf("%s %g, least squares %g ± %g", p.what, p.got, p.want, p.u)
			}
		}
		for _, p := range []struct{ got, want float64 }{{last.xx, v[0][0] / s / s}, {last.yy, v[1][1] / s / s}, {last.dd, 4 * v[2][2] / s / s}} {
			if math.Abs(p.got/p.want-1) > 0.01 {
				rt.Fatalf("variance %g, least squares %g", p.got, p.want)
			}
		}
	})
}

// TestThermometerCalibrationBySmoother: JCGM 100:2008, H.3 once more, through
// the filter: the fit and its extrapolation to 30 °C, taking a day for a degree.
func TestThermometerCalibrationBySmoother(t *testing.T) {
	var nodes []node
	const s = .0035
	for i, c := range calibration.t {
		nodes = append(nodes, node{t: c, measured: true, x: calibration.b[i], r: s * s, weight: 1})
	}
	m := newModel(nodes)
	m.prior.dd = 0 // a straight line
	_, last := likelihood(nodes, m.prior, noise{})
	last.advance(30-26.511, noise{})
	closeTo(t, "slope", last.y, .00218, .002)
	closeTo(t, "u", math.Sqrt(last.yy), .00067, .01)
	closeTo(t, "at 30", last.x, -.1494, .0005)
	closeTo(t, "u", math.Sqrt(last.xx), .0041, .02)
}

// TestSmootherAgainstFilters: the smoothed state equals the combination of what
// a filter from each side gives; here against leaving one fix out and
// running the filter alone, for the deleted residual.
func TestSmootherAgainstDeletion(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var nodes []node
	for i := range 12 {
		nodes = append(nodes, node{t: float64(i) + rng.Float64()/2, measured: true, x: 1e-4 * rng.NormFloat64(), r: 1e-8, weight: 1})
	}
	nodes[5].stepX, nodes[5].varX = 2e-4, 1e-8
	nodes[7].stepY, nodes[7].varY = 2e-4, 1e-9
	m := newModel(nodes)
	n := noise{extra: 1e-9, white: 1e-9, walk: 1e-10}
	s := smooth(nodes, m.prior, n)
	for i := range nodes {
		without := append([]node{}, nodes...)
		without[i].measured = false
		w := smooth(without, m.prior, n)
		closeTo(t, "deleted residual", s[i].deleted, nodes[i].x-w[i].x, 1e-6)
		closeTo(t, "its variance", s[i].varDeleted, w[i].xx+nodes[i].variance(n), 1e-6)
		// Score and information are derivatives of the deviance by the step.
		const h = 1e-6
		for _, c := range []struct {
			field       func(nd *node) *float64
			score, info float64
		}{{func(nd *node) *float64 { return &nd.stepX }, s[i].scoreX, s[i].infoX}, {func(nd *node) *float64 { return &nd.stepY }, s[i].scoreY, s[i].infoY}} {
			shifted := append([]node{}, nodes...)
			d0, _ := likelihood(shifted, m.prior, n)
			*c.field(&shifted[i]) += h
			up, _ := likelihood(shifted, m.prior, n)
			*c.field(&shifted[i]) -= 2 * h
			down, _ := likelihood(shifted, m.prior, n)
			if score := -(up - down) / (4 * h); math.Abs(score-c.score) > 1e-4*(math.Abs(c.score)+math.Sqrt(c.info)) {
				t.Errorf("node %d: score %g, by difference %g", i, c.score, score)
			}
			if info := (up - 2*d0 + down) / (2 * h * h); math.Abs(info-c.info) > 1e-3*c.info+1e-6/(h*h) {
				t.Errorf("node %d: information %g, by difference %g", i, c.info, info)
			}
		}
	}
}

func TestUnwrap(t *testing.T) {
	whole := func(n int) *int { return &n }
	when := func(d float64) time.Time { return atDay(d) }
	step := func(d, by float64) Adjustment { return Adjustment{At: when(d), Kind: StepMade, Step: &by} }
	for name, c := range map[string]struct {
		fixes       []Fix
		adjustments []Adjustment
		want        []float64
	}{
		"through half a second": {
			[]Fix{{At: when(0), Offset: .3}, {At: when(1), Offset: .45}, {At: when(2), Offset: -.4}, {At: when(4), Offset: -.1}, {At: when(8), Offset: .5}, {At: when(12), Offset: .1}}, nil,
			[]float64{.3, .45, .6, .9, 1.5, 2.1}},
		"known hands": {
			[]Fix{{At: when(0), Offset: .3, Whole: whole(2)}, {At: when(1), Offset: .45}, {At: when(2), Offset: -.4, Whole: whole(3)}}, nil,
			[]float64{2.3, 2.45, 2.6}},
		"hands known late": {
			[]Fix{{At: when(0), Offset: .3}, {At: when(1), Offset: .45}, {At: when(2), Offset: -.4, Whole: whole(3)}}, nil,
			[]float64{2.3, 2.45, 2.6}},
		"step of a second": {
			[]Fix{{At: when(0), Offset: .3}, {At: when(1), Offset: .31}, {At: when(2), Offset: .12}}, []Adjustment{step(1.5, -1.2)},
			[]float64{.3, .31, -.88}},
		"stopped": {
			[]Fix{{At: when(0), Offset: .4}, {At: when(1), Offset: .5}, {At: when(2), Offset: -.4}}, []Adjustment{{At: when(1.5), Kind: Stopped}},
			[]float64{.4, .5, -.4}},
	} {
		for i, got := range unwrap(c.fixes, c.adjustments) {
			if math.Abs(got-c.want[i]) > 1e-12 {
				t.Errorf("%s: fix %d at %g, want %g", name, i, got, c.want[i])
			}
		}
	}
}

// radio draws uncertainties of the size of shortwave fixes, 0.1 to 0.4 ms.
func radio(rng *rand.Rand) func() float64 {
	return func() float64 { return 1e-4 * math.Pow(4, rng.Float64()) }
}

// coverage simulates clocks of one class and counts how often the 95 %
// intervals hold the truth.
type coverage struct {
	name string
	make func(rng *rand.Rand) *oscillator
	days float64 // of record
	held map[string]int
	runs int
}

func classes() []*coverage {
	clock := func(rng *rand.Rand) *oscillator {
		return &oscillator{offset: 0.02 * rng.NormFloat64(), y: 3e-9 * rng.NormFloat64(), ageing: 3e-11 * rng.NormFloat64(), rng: rng}
	}
	return []*coverage{
		{name: "white FM", days: 120, make: func(rng *rand.Rand) *oscillator { o := clock(rng); o.white = 1e-9; return o }},
		{name: "flicker FM", days: 120, make: func(rng *rand.Rand) *oscillator { o := clock(rng); o.flicker = 5e-10; return o }},
		{name: "random walk FM", days: 120, make: func(rng *rand.Rand) *oscillator { o := clock(rng); o.walk = 3e-10; return o }},
		{name: "quiet, year", days: 365, make: func(rng *rand.Rand) *oscillator { o := clock(rng); o.walk = 1e-12; return o }},
		{name: "short", days: 30, make: func(rng *rand.Rand) *oscillator { o := clock(rng); o.white, o.walk = 2e-10, 1e-10; return o }},
	}
}

func (c *coverage) simulate(t testing.TB, runs int) {
	c.held, c.runs = map[string]int{}, runs
	for run := range runs {
		rng := rand.New(rand.NewPCG(uint64(run), 77))
		o := c.make(rng)
		o.run(int(c.days) + 61)
		fixes := o.sparse(0, c.days, 3, radio(rng))
		fit, err := Analyse(fixes, nil)
		if err != nil {
			t.Fatal(err)
		}
		end := fixes[len(fixes)-1].At.Sub(start).Hours() / 24
		turns := math.Round(fit.Fixes[0].X - o.at(0))
		for _, p := range []struct {
			what  string
			ahead float64
		}{{"offset", 0}, {"+7 d", 7}, {"+30 d", 30}, {"+60 d", 60}} {
			x, u := fit.Forecast(atDay(end + p.ahead))
			if math.Abs(x-turns-o.at(end+p.ahead)) <= Coverage*u {
				c.held[p.what]++
			}
		}
		if math.Abs(fit.Ageing-o.ageing) <= Coverage*fit.UAgeing {
			c.held["ageing"]++
		}
		if len(fit.Changes) == 0 {
			c.held["no step found"]++
		}
	}
}

// TestIntervalsHoldTruth, reduced; BenchmarkIntervalsHoldTruth does the full
// number.
func TestIntervalsHoldTruth(t *testing.T) {
	const runs = 40
	for _, c := range classes() {
		c.simulate(t, runs)
		t.Logf("%-15s %v", c.name, c.held)
		for what, n := range c.held {
			// Four standard errors of 40 runs below 95 %.
			if n < 33 {
				t.Errorf("%s: %s held in %d of %d", c.name, what, n, runs)
			}
		}
	}
}

func BenchmarkIntervalsHoldTruth(b *testing.B) {
	const runs = 1000
	for _, c := range classes() {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				c.simulate(b, runs)
			}
			for what, n := range c.held {
				b.ReportMetric(100*float64(n)/runs, "%/"+strings.ReplaceAll(what, " ", "_"))
			}
		})
	}
}

// years simulates years of a fix every few days with three trims, logged with
// their nominal size or only in divisions, a logged and an unlogged phase step,
// an unlogged trim, bad fixes and weeks without reception, and counts what was
// right of each.
func years(t testing.TB, runs int) (good map[string]int) {
	good = map[string]int{}
	for run := range runs {
		rng := rand.New(rand.NewPCG(uint64(run), 5))
		const division = 2.5e-10 // clockwise raises
		o := &oscillator{offset: .03, y: 4e-9, ageing: -1.5e-11, walk: 2e-11, white: 1e-10, rng: rng,
			steps: []truth{{60.2, -.0305}, {250.7, .02}},
			trims: []truth{{60.2, -12 * division}, {150.4, 6 * division}, {200.1, 4e-9}, {300.3, -10 * division}}}
		o.run(365 + 61)
		fixes := o.sparse(0, 365, 2.5, radio(rng))
		bad := map[int]bool{}
		for len(bad) < 5 {
			i := 3 + rng.IntN(len(fixes)-6)
			if !bad[i] && !bad[i-1] && !bad[i+1] {
				bad[i] = true
				fixes[i].Offset += 0.004 + .01*rng.Float64()
			}
		}
		p := func(v float64) *float64 { return &v }
		adjustments := []Adjustment{
			{At: atDay(60.2), Kind: StepMade, Step: p(-.03)},
			{At: atDay(60.2), Kind: Trimmed, Trim: p(-12 * 2.4e-10), Divisions: p(-12)},
			{At: atDay(150.4), Kind: Trimmed, Divisions: p(6)},
			{At: atDay(300.3), Kind: Trimmed, Divisions: p(-10)},
		}
		fit, err := Analyse(fixes, adjustments)
		if err != nil {
			t.Fatal(err)
		}
		named := 0
		for i, f := range fit.Fixes {
			if f.Outlier && bad[i] {
				named++
			}
			if f.Outlier && !bad[i] {
				good["falsely named"]++
			}
		}
		if named == 5 {
			good["outliers named"]++
		}
		found := map[AdjustmentKind]int{}
		for _, c := range fit.Changes {
			if !c.Found {
				continue
			}
			found[c.Kind]++
			if c.Kind == StepMade && !c.From.After(atDay(250.7)) && !c.At.Before(atDay(250.7)) && math.Abs(c.Step-.02) <= Coverage*c.UStep {
				good["step found"]++
			}
			if c.Kind == Trimmed && c.From.Before(atDay(200.1+4)) && c.At.After(atDay(200.1-4)) && math.Abs(c.Trim-4e-9) <= Coverage*c.UTrim {
				good["trim found"]++
			}
		}
		if found[StepMade] == 1 && found[Trimmed] == 1 {
			good["nothing else found"]++
		}
		end := fixes[len(fixes)-1].At.Sub(start).Hours() / 24
		for what, ahead := range map[string]float64{"offset": 0, "+30 d": 30, "+60 d": 60} {
			x, u := fit.Forecast(atDay(end + ahead))
			if math.Abs(x-o.at(end+ahead)) <= Coverage*u {
				good[what]++
			}
		}
		if math.Abs(fit.Ageing-o.ageing) <= Coverage*fit.UAgeing {
			good["ageing"]++
		}
		if dial := LearnDial(adjustments, fit); math.Abs(dial.Division-division) <= Coverage*dial.U && dial.U < division/5 {
			good["dial"]++
		}
	}
	return good
}

// TestYear, reduced; BenchmarkYear does the full number.
func TestYear(t *testing.T) {
	const runs = 20
	good := years(t, runs)
	t.Logf("of %d years: %v", runs, good)
	for what, least := range map[string]int{"outliers named": 18, "step found": 17, "trim found": 15, "nothing else found": 17,
		"offset": 17, "+30 d": 17, "+60 d": 17, "ageing": 17, "dial": 16} {
		if good[what] < least {
			t.Errorf("%s: %d of %d", what, good[what], runs)
		}
	}
	if n := good["falsely named"]; n > 3 {
		t.Errorf("%d good fixes were named outliers", n)
	}
}

func BenchmarkYear(b *testing.B) {
	const runs = 400
	var good map[string]int
	for b.Loop() {
		good = years(b, runs)
	}
	for what, n := range good {
		b.ReportMetric(100*float64(n)/runs, "%/"+strings.ReplaceAll(what, " ", "_"))
	}
}

// TestStabilityOfFixes: daily fixes of a clock with white frequency noise well
// above the radio's give that noise back; with a silent clock they lie on the
// floor.
func TestStabilityOfFixes(t *testing.T) {
	for _, c := range []struct {
		name  string
		white float64
	}{{"clock", 3e-8}, {"radio", 0}} {
		rng := rand.New(rand.NewPCG(9, 9))
		o := &oscillator{y: 2e-9, white: c.white, rng: rng, steps: []truth{{100.4, .05}}}
		o.run(400)
		var fixes []Fix
		for d := 0.0; d < 400; d++ {
			if d < 50 || d > 60 { // weeks missed
				fixes = append(fixes, o.fix(d+float64(rng.IntN(5))/24, 2e-4))
			}
		}
		by := .05
		fit, err := Analyse(fixes, []Adjustment{{At: atDay(100.4), Kind: StepMade, Step: &by}})
		if err != nil {
			t.Fatal(err)
		}
		s := fit.Stability()
		if s.Cells < 390 || s.Filled < s.Cells-12 || math.Abs(s.Spacing/day-1) > .1 {
			t.Errorf("%s: grid of %g d, %d of %d", c.name, s.Spacing/day, s.Filled, s.Cells)
		}
		seen := map[string]bool{}
		for _, d := range s.Deviations {
			if d.EDF < 10 || (d.Kind != "oadev" && d.Kind != "ohdev" && d.Kind != "mdev") {
				continue
			}
			seen[string(d.Kind)] = true
			want := stability.Floor(d.Kind, 2e-4, s.Spacing, d.M)
			if c.white > 0 {
				want = c.white / math.Sqrt(d.Tau/day) * map[stability.Kind]float64{stability.OADEV: 1, stability.OHDEV: 1, stability.MDEV: math.Sqrt(.5)}[d.Kind]
				if d.Kind == stability.MDEV && d.M == 1 {
					want *= math.Sqrt2 // SP 1065: at m = 1 MDEV is ADEV, then falls to 1/√2 of it
				}
			}
			if math.Abs(d.Value/want-1) > .35 {
				t.Errorf("%s: %s at %.0f d: %g, want %g", c.name, d.Kind, d.Tau/day, d.Value, want)
			}
		}
		if len(seen) != 3 {
			t.Errorf("%s: only %v", c.name, seen)
		}
	}
}

func BenchmarkAnalyse(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	o := &oscillator{y: 2e-9, white: 1e-10, walk: 2e-11, rng: rng}
	o.run(370)
	const n = 100000
	fixes := make([]Fix, n)
	for i := range fixes {
		fixes[i] = o.fix(float64(i)*365/n, 2e-4)
		fixes[i].At = atDay(float64(i) * 365 / n)
	}
	for b.Loop() {
		fit, err := Analyse(fixes, nil)
		if err != nil {
			b.Fatal(err)
		}
		fit.Stability()
	}
	b.ReportMetric(float64(n*b.N)/b.Elapsed().Seconds(), "fixes/s")
}

// TestWrongSignIsFound: a step logged the wrong way round is corrected by one
// that was not logged, of twice its size, and named.
func TestWrongSignIsFound(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	o := &oscillator{y: 1e-9, white: 1e-10, rng: rng, steps: []truth{{50.2, -.012}}}
	o.run(100)
	wrong := .012
	fit, err := Analyse(o.sparse(0, 100, 2, radio(rng)), []Adjustment{{At: atDay(50.2), Kind: StepMade, Step: &wrong}})
	if err != nil {
		t.Fatal(err)
	}
	var total float64
	found := false
	for _, c := range fit.Changes {
		total += c.Step
		found = found || c.Found
	}
	if !found || math.Abs(total+.012) > 1e-3 {
		t.Errorf("changes %+v", fit.Changes)
	}
}

// TestDaysOfAnotherPath: two bad fixes in a row shortly before weeks without
// reception, between trims of unknown size, are outliers, not a step there and
// another one back.
func TestDaysOfAnotherPath(t *testing.T) {
	right := 0
	const runs = 20
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 6))
		o := &oscillator{y: 3e-9, walk: 2e-11, white: 1e-10, rng: rng, trims: []truth{{60.5, -6e-9}, {150.5, 6e-9}}}
		o.run(201)
		u := radio(rng)
		bad := map[int64]bool{}
		var fixes []Fix
		for d := 0.0; d < 200; d += 2 {
			if d >= 100 && d < 126 {
				continue
			}
			f := o.fix(d, u())
			if f.ID = int64(d); d == 94 || d == 96 {
				f.Offset += .002 + .001*rng.Float64()
				bad[f.ID] = true
			}
			fixes = append(fixes, f)
		}
		turned := -8.0
		fit, err := Analyse(fixes, []Adjustment{{At: atDay(60.5), Kind: Trimmed, Divisions: &turned}, {At: atDay(150.5), Kind: Trimmed, Divisions: &turned}})
		if err != nil {
			t.Fatal(err)
		}
		named := 0
		for _, f := range fit.Fixes {
			if f.Outlier && bad[f.ID] {
				named++
			}
		}
		if named == 2 && len(fit.Changes) == 2 {
			right++
		}
	}
	t.Logf("right in %d of %d", right, runs)
	if right < runs-2 {
		t.Errorf("right in %d of %d", right, runs)
	}
}

// TestAnyRecordGivesNumbers: few fixes, at one time or far apart, with whatever
// was logged between, give finite results with an uncertainty.
func TestAnyRecordGivesNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var fixes []Fix
		at := 0.0
		for range rapid.IntRange(2, 12).Draw(t, "fixes") {
			at += rapid.SampledFrom([]float64{0, 1e-5, .01, 1, 30, 400}).Draw(t, "gap")
			fixes = append(fixes, Fix{At: atDay(at), Offset: rapid.Float64Range(-.499, .5).Draw(t, "offset"), U: rapid.SampledFrom([]float64{1e-9, 1e-4, 1e-2}).Draw(t, "u")})
		}
		if !fixes[len(fixes)-1].At.After(fixes[0].At) {
			return
		}
		var adjustments []Adjustment
		for range rapid.IntRange(0, 4).Draw(t, "adjustments") {
			v := rapid.Float64Range(-2, 2).Draw(t, "size")
			trim := v * 1e-8
			a := Adjustment{At: atDay(rapid.Float64Range(-1, at+10).Draw(t, "at"))}
			switch a.Kind = rapid.SampledFrom([]AdjustmentKind{StepMade, Trimmed, Stopped, Moved, Dial, Temperature, Noted}).Draw(t, "kind"); a.Kind {
			case StepMade:
				a.Step = &v
			case Trimmed:
				if a.Divisions = &v; v > 0 {
					a.Trim = &trim
				}
			case Dial:
				a.Trim = &trim
			}
			adjustments = append(adjustments, a)
		}
		fit, err := Analyse(fixes, adjustments)
		if err != nil {
			t.Fatal(err)
		}
		x, u := fit.Forecast(fit.Epoch.AddDate(0, 1, 0))
		for i, v := range []float64{fit.Offset, fit.Y, fit.Ageing, fit.UOffset, fit.UY, fit.UAgeing, x, u} {
			if v-v != 0 || (i >= 3 && i < 6 && !(v > 0)) {
				t.Fatalf("result %d is %g", i, v)
			}
		}
		fit.Stability()
		if rapid.IntRange(0, 3).Draw(t, "advised") > 0 { // advice looks years ahead: every fourth record is enough
			return
		}
		if a := Advise(fit, adjustments, .01, 24*time.Hour, fit.Epoch); a.Next.Before(fit.Epoch) || a.Trim-a.Trim != 0 {
			t.Fatalf("advice %+v", a)
		}
	})
}

// Whatever the last fix is, advice is for the present: nothing lies in the past.
func TestAdviceIsForNow(t *testing.T) {
	start := time.Date(2026, 1, 1, 18, 0, 0, 0, time.UTC)
	var fixes []Fix
	for day := range 60 {
		fixes = append(fixes, Fix{At: start.AddDate(0, 0, day), Offset: 1e-3 * float64(day), U: 1e-4})
	}
	fit, err := Analyse(fixes, nil)
	if err != nil {
		t.Fatal(err)
	}
	now := fit.Epoch.AddDate(0, 2, 0)
	a := Advise(fit, nil, 10e-3, 90*24*time.Hour, now)
	x, _ := fit.Forecast(now)
	if a.Now != now || a.Offset != x || a.Next.Before(now) || a.Leaves == nil || a.Leaves.Before(now) || a.LeavesEarliest.Before(now) {
		t.Errorf("now %v, offset %v (expected %v), next %v, leaves %v, earliest %v", a.Now, a.Offset, x, a.Next, a.Leaves, a.LeavesEarliest)
	}
	if a := Advise(fit, nil, 10e-3, 90*24*time.Hour, start); a.Now != fit.Epoch {
		t.Errorf("advice for %v, before the last fix", a.Now)
	}
}
