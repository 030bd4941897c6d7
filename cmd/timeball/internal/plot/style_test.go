package plot

import (
	"image/color"
	"math"
	"testing"
)

// Contrast and relative luminance as in WCAG 2.2 (2023); 3 to 1 is asked of graphics
// there (1.4.11).
func TestColoursStandOut(t *testing.T) {
	luminance := func(c color.RGBA) float64 {
		linear := func(v uint8) float64 {
			if s := float64(v) / 255; s > 0.04045 {
				return math.Pow((s+0.055)/1.055, 2.4)
			} else {
				return s / 12.92
			}
		}
		return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
	}
	for _, c := range []color.RGBA{inkColour, paleInkColour, markerColour, utcColour, arrivalColour, changeColour,
		layerColour("1F2"), layerColour("1F1"), layerColour("1E"), layerColour("1Es")} {
		if contrast := 1.05 / (luminance(c) + 0.05); contrast < 3 {
			t.Errorf("%v stands out by %.1f only", c, contrast)
		}
	}
	for i, c := range rasterColours[1:] {
		if luminance(c) <= luminance(rasterColours[i]) {
			t.Errorf("raster colour %d is no lighter than the one before", i+1)
		}
	}
}
