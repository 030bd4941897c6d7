package path

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// evenings is how many evenings and circuits are simulated; 400 and more give the
// figures that ACCURACY.md states.
var evenings = flag.Int("evenings", 2, "simulated evenings; circuits are as many")

// summary is how often truths were held and how wide the intervals were.
type summary struct {
	held, n int
	halves  []float64
}

func (s *summary) add(held bool, half float64) {
	s.n++
	if held {
		s.held++
	}
	s.halves = append(s.halves, half)
}

func (s *summary) median() float64 {
	slices.Sort(s.halves)
	return s.halves[len(s.halves)/2]
}

func (s *summary) share() float64 { return float64(s.held) / float64(s.n) }

// least is the coverage below which n cases are too few to be chance, three
// standard deviations below a true share.
func least(share float64, n int) float64 { return share - 3*math.Sqrt(share*(1-share)/float64(n)) }

func TestEvenings(t *testing.T) {
	for _, c := range []struct {
		name       string
		wide, held float64
	}{{"as assumed", 1, 0.93}, {"half as wide again", 1.5, 0.90}} {
		var by [3]summary
		r := rand.New(rand.NewPCG(7, 18))
		for range *evenings {
			receptions, x, r12, when := simulatedEvening(r, c.wide)
			for n := 1; n <= 3; n++ {
				some := receptions[:n]
				j, err := Solve(JointRequest{Receptions: some, Reference: when, URate: 1e-8, Sunspots: r12})
				if err != nil {
					t.Fatal(err)
				}
				held := false
				for _, part := range j.Offset.Shortest(0.95) {
					held = held || part.Low <= x && x <= part.High
				}
				by[n-1].add(held, j.Half)
			}
		}
		one, two, three := by[0].median(), by[1].median(), by[2].median()
		t.Logf("%s, %d evenings: half of 95 %% in the median %.3f, %.3f and %.3f ms from one, two and three recordings, held %.0f, %.0f and %.0f %%; ratios %.2f and %.2f",
			c.name, by[0].n, 1e3*one, 1e3*two, 1e3*three, 100*by[0].share(), 100*by[1].share(), 100*by[2].share(), two/one, three/one)
		for n, s := range by {
			if s.share() < least(c.held, s.n) {
				t.Errorf("%s: %d recordings hold %.0f %% of %d", c.name, n+1, 100*s.share(), s.n)
			}
		}
		if *evenings >= 100 && (two/one > 0.42 || three/one > 0.31) { // fewer do not tell
			t.Errorf("%s: two recordings leave %.2f of one's interval, three %.2f", c.name, two/one, three/one)
		}
	}
}

func BenchmarkSolve(b *testing.B) {
	receptions, _, r12, when := simulatedEvening(rand.New(rand.NewPCG(7, 18)), 1)
	for range b.N {
		if _, err := Solve(JointRequest{Receptions: receptions, Reference: when, URate: 1e-8, Sunspots: r12}); err != nil {
			b.Fatal(err)
		}
	}
}
