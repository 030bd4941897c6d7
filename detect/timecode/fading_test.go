package timecode

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The likelihood is that of Student's distribution of complex amplitudes with
// the covariance that the channel and the noise give them, here by its formula.
func TestLikelihoodOfFading(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	f := newFading(0.2)
	var scale [bcdCellCount]float64
	for c := range f.tone {
		f.tone[c] = complex(rng.NormFloat64(), rng.NormFloat64())
		scale[c] = 0.5 + rng.Float64()
	}
	for _, cells := range [][]int{{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, {1, 4, 5, 9}, {3}} {
		for kind := range dopplerHz {
			pattern := &f.patterns[bcdOne]
			n := len(cells)
			cov := mat.NewSymDense(n, nil)
			re, im := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
			for i, a := range cells {
				re.SetVec(i, real(f.tone[a])*scale[a])
				im.SetVec(i, imag(f.tone[a])*scale[a])
				for j, b := range cells[:i+1] {
					both := max(0, float64(bcdCells[b].to-bcdCells[a].from)/bcdCellMs)
					x := math.Pi * dopplerHz[kind] * float64(bcdCells[a].from-bcdCells[b].from) / 1000
					cov.SetSym(i, j, both+7*pattern[a]*pattern[b]*scale[a]*scale[b]*math.Exp(-2*x*x))
				}
			}
			var chol mat.Cholesky
			if !chol.Factorize(cov) {
				t.Fatal("no covariance")
			}
			q := 0.0
			for _, v := range []*mat.VecDense{re, im} {
				var solved mat.VecDense
				if err := chol.SolveVecTo(&solved, v); err != nil {
					t.Fatal(err)
				}
				q += mat.Dot(v, &solved)
			}
			const flanks = 18
			want := -chol.LogDet() - (flanks+float64(n))*math.Log(1+q/flanks)
			if got := f.likelihood(cells, &scale, pattern, &f.fades[kind], 7); math.Abs(got-want) > 1e-9 {
				t.Errorf("cells %v, Doppler %v Hz: %v, want %v", cells, dopplerHz[kind], got, want)
			}
		}
	}
}
