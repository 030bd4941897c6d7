package path

import "testing"

// Values of the equations of Rec. ITU-R P.533-14 (Geneva, 2019), derived by a second
// implementation of them.
func TestF2MUF(t *testing.T) {
	for _, c := range []struct {
		layer f2Layer
		hopKm float64
		want  float64
	}{
		{f2Layer{8e6, 3.2, 2.0e6, 1.3e6}, 500, 10.599}, {f2Layer{8e6, 3.2, 2.0e6, 1.3e6}, 1000, 14.867},
		{f2Layer{8e6, 3.2, 2.0e6, 1.3e6}, 2000, 22.213}, {f2Layer{8e6, 3.2, 2.0e6, 1.3e6}, 3000, 25.844},
		{f2Layer{8e6, 3.2, 2.0e6, 1.3e6}, 3500, 26.562}, {f2Layer{6e6, 2.8, 3.0e6, 1.2e6}, 500, 7.749},
		{f2Layer{6e6, 2.8, 3.0e6, 1.2e6}, 2000, 14.672}, {f2Layer{12e6, 3.0, 3.5e6, 0.9e6}, 1000, 20.960},
		{f2Layer{12e6, 3.0, 3.5e6, 0.9e6}, 3000, 36.011},
	} {
		near(t, "MUF, MHz", c.layer.mufHz(c.hopKm*1e3, true)/1e6, c.want, 1e-3)
	}
	dmaxM, b := f2Layer{8e6, 3.2, 2.0e6, 1.3e6}.longestHopM()
	near(t, "dmax, km", dmaxM/1e3, 4888.2, 0.1)
	near(t, "B", b, 3.21016, 1e-5)
}

func TestPiecewiseHeight(t *testing.T) {
	night := f2Layer{foF2Hz: 8e6, m3000: 3.2, foEHz: 1e6}
	for _, c := range []struct {
		layer                  f2Layer
		r12, hopKm, fMHz, want float64
	}{
		{night, 50, 500, 3, 174.69}, {night, 50, 500, 5, 208.97}, {night, 50, 500, 10, 360.50}, {night, 50, 500, 15, 350.36},
		{night, 50, 1500, 10, 204.84}, {night, 50, 1500, 15, 276.33}, {night, 50, 3000, 15, 233.74},
		{f2Layer{foF2Hz: 6e6, m3000: 3.0, foEHz: 2e6}, 50, 500, 7, 316.61}, {f2Layer{foF2Hz: 6e6, m3000: 3.0, foEHz: 2e6}, 50, 3000, 7, 357.63},
		{f2Layer{foF2Hz: 9e6, m3000: 3.0, foEHz: 3.2e6}, 100, 1500, 7, 328.58}, {f2Layer{foF2Hz: 7e6, m3000: 2.9, foEHz: 3.2e6}, 100, 3000, 7, 411.41},
	} {
		near(t, "height, km", c.layer.piecewiseHeightM(c.hopKm*1e3, c.fMHz*1e6, c.r12)/1e3, c.want, 0.01)
	}
	near(t, "equation 2 at M 3.091, km", f2Layer{m3000: 3.091}.simpleHeightM()/1e3, 306.0, 0.05)
}
