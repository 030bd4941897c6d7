package chirp

import (
	"math"
	"testing"
)

// At every rate of a sample clock the search ends with what there is: its places are
// whole samples, which add up now to one more, now to one less.
func TestStrongestAtTheEnd(t *testing.T) {
	for rate := 7999.0; rate < 8001; rate += 0.013 {
		up, down := make([]float32, int(8*rate)), make([]float32, int(8*rate))
		for i := range up {
			up[i], down[i] = 1, 1
		}
		// Something strong where the last six chirps that are held may begin.
		end := len(up) - int(math.Round((chirps-1)*every*rate)) - int(2*mistuned/rise*rate)
		for k := range each {
			for i := end - 20; i < end+20; i++ {
				up[i+int(math.Round(float64(k)*every*rate))] = 1e6
			}
		}
		if at, _, ok := strongest(up, down, rate); ok {
			t.Fatalf("at %v Hz three chirps up without any down are found at %d", rate, at)
		}
	}
}
