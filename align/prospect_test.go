package align

import (
	"math"
	"testing"
)

// A mean's variance falls as 1/n (JCGM 100:2008, 4.2.3): of an interval of ±5 us, 3
// from noise after 100 s and 4 from elsewhere, ±√(16+9/4) us is left after 400 s, and ±4 us never.
func TestProspect(t *testing.T) {
	f := Fix{
		CI95:     &[2]float64{-5e-6, 5e-6},
		Budget:   []BudgetLine{{Source: "tick average", Type: "A", U: 3}, {Source: "skew", Type: "B", U: 0.1}, {Source: "path delay wwv", Type: "B", U: math.Sqrt(16 - 0.01)}},
		Stations: []StationFix{{TicksUsed: 100}},
	}
	p := f.prospect()
	if math.Abs(p.Limit-4e-6) > 1e-12 || math.Abs(p.Noise-3e-6) > 1e-12 || p.From != "path delay wwv" {
		t.Fatalf("%+v", p)
	}
	if s, ok := p.Wait(math.Sqrt(16+9.0/4) * 1e-6); !ok || math.Abs(s-300) > 1e-6 {
		t.Errorf("%v s more, %v; want 300", s, ok)
	}
	if _, ok := p.Wait(4e-6); ok {
		t.Error("the limit is never reached")
	}
	if s, ok := p.Wait(6e-6); s != 0 || !ok {
		t.Errorf("%v s more for what is reached", s)
	}
}
