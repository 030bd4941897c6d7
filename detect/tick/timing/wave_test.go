package timing

import (
	"math"
	"testing"
)

// The beat in closed form is the square of the difference of two bursts behind the
// chain, of one tone or of two, and its derivatives are those of small steps.
func TestBeatIsTheSquare(t *testing.T) {
	const rate, n, start = 8000, 140, -56.3
	f := newFilter(Shape{ToneHz: 1000, Seconds: 5e-3}, rate)
	s := f.shaper(chain{high: corner{kind{2, 0}, 150}, low: corner{kind{2, 0}, 2800}})
	other := newFilter(Shape{ToneHz: 1200, Seconds: 5e-3}, rate).sent()
	for _, c := range []struct {
		spacing float64 // of the last they do not overlap
		second  *sent
	}{{1.2, s.sent}, {8, s.sent}, {23.7, s.sent}, {44, s.sent}, {0.3, other}, {17.2, other}, {44, other}} {
		spacing := c.spacing
		got := s.beat(s.sent, c.second, spacing, start, n)
		late := spacing * waveFine
		second := shaper{filter: c.second.filter}
		w := wave{shaper: s, spectrum: s.inTime(s.burst()*rate*waveFine+late, func(at float64) float64 {
			d := s.mark(at) - second.mark(at-late)
			return d * d
		})}
		largest := 0.0
		for _, v := range w.column(value) {
			largest = max(largest, math.Abs(v))
		}
		const small = 1e-4
		wider := s.beat(s.sent, c.second, spacing+small, start, n)
		for _, col := range []int{value, slope, byHigh, byLow} {
			want := make([]float64, n)
			w.sample(want, col, start)
			for j, want := range want {
				// The table's squares begin and end on its grid, and are interpolated.
				if math.Abs(got[col][j]-want) > 0.004*largest {
					t.Fatalf("spacing %v, column %d, sample %d: %v, in time %v", spacing, col, j, got[col][j], want)
				}
			}
		}
		for j := range n {
			if want := (wider[value][j] - got[value][j]) / small; math.Abs(got[bend][j]-want) > 1e-3*largest {
				t.Fatalf("spacing %v, sample %d: %v a sample of spacing, by a step %v", spacing, j, got[bend][j], want)
			}
		}
	}
}
