package page

import (
	"math"
	"slices"

	"timeball/align"
)

// PictureSchema names the form of a picture.
const PictureSchema = "timeball.picture/1"

// picture is an align.Picture in the terms of the page. Its times are seconds
// after the UTC second, every station's path delay and the receiver's taken
// out: there a marker that is ahead by x stands at −x.
type picture struct {
	Schema   string    `json:"schema"`
	Fix      align.Fix `json:"fix"`
	Stations []heard   `json:"stations"`
}

// heard is what was heard of one station.
type heard struct {
	ID       string `json:"id"`
	LongWave bool   `json:"long_wave"` // its marks are a carrier's, and no tick
	// Onset is where its tick begins, and Band the 95 % interval of that.
	Onset  float64    `json:"onset_s"`
	Band   [2]float64 `json:"band_s"`
	Excess []float64  `json:"excess_s"` // of each path
	// Wave is the mean tick: audio in full scale, or the filter's output over the
	// noise where the audio does not keep the tone's phase.
	Wave   wave   `json:"wave"`
	Raster raster `json:"raster"`
}

type wave struct {
	Audio bool      `json:"audio"`
	Ticks int       `json:"ticks"`
	First float64   `json:"first_s"`
	Step  float64   `json:"step_s"`
	Y     []float32 `json:"y"`
}

// raster has a row for each second, newest last.
type raster struct {
	First float64   `json:"first_s"`
	Step  float64   `json:"step_s"`
	Start []float64 `json:"start_s"` // of each row, on the sample clock
	Top   float64   `json:"top"`     // level of 255, over noise
	Rows  [][]byte  `json:"rows"`
}

// mostRows is how many seconds the page's raster shows.
const mostRows = 180

// newPicture puts p into the page's terms.
func newPicture(p align.Picture) picture {
	v := picture{Schema: PictureSchema, Fix: p.Fix, Stations: []heard{}}
	if p.Fix.Offset == nil {
		return v
	}
	for i := range p.Stations {
		s := &p.Stations[i]
		if len(s.Rows) == 0 {
			continue
		}
		h := heard{ID: s.ID, LongWave: s.LongWave, Excess: s.Excess}
		if s.UTC != nil {
			h.Onset = math.Remainder(*s.UTC-*p.Fix.Offset, 1)
		} else { // with the path still in it
			h.Onset = math.Remainder(s.Arrival-*p.Fix.Offset, 1)
		}
		h.Band = [2]float64{h.Onset + s.Band[0] - s.Arrival, h.Onset + s.Band[1] - s.Arrival}
		h.Wave, h.Raster = newWave(s, h.Onset), newRaster(s, h.Onset)
		v.Stations = append(v.Stations, h)
	}
	return v
}

func newWave(s *align.StationPicture, onset float64) wave {
	if s.Coherent && s.AudioSeconds > 0 {
		w := wave{Audio: true, Ticks: s.AudioSeconds, First: onset + s.AudioFirst, Step: s.AudioStep, Y: make([]float32, len(s.Audio))}
		for i, v := range s.Audio {
			w.Y[i] = float32(v)
		}
		return w
	}
	w := wave{First: onset + s.First, Step: s.Step, Y: make([]float32, len(s.Rows[0].Level))}
	for _, r := range s.Rows {
		w.Ticks += r.Seconds
		for i, l := range r.Level {
			w.Y[i] += l * l / float32(len(s.Rows))
		}
	}
	for i, v := range w.Y {
		w.Y[i] = float32(math.Sqrt(float64(v)))
	}
	return w
}

// brightest is the share of levels that may be beyond the brightest colour, and
// leastTop how far over noise that is at least.
const (
	brightest = 0.005
	leastTop  = 4
)

func newRaster(s *align.StationPicture, onset float64) raster {
	from := max(0, len(s.Rows)-mostRows)
	r := raster{First: onset + s.First, Step: s.Step, Start: s.Start[from:]}
	var all []float32
	for _, row := range s.Rows[from:] {
		all = append(all, row.Level...)
	}
	slices.Sort(all)
	r.Top = max(leastTop, float64(all[int(float64(len(all)-1)*(1-brightest))]))
	for _, row := range s.Rows[from:] {
		line := make([]byte, len(row.Level))
		for i, l := range row.Level {
			line[i] = byte(min(255, math.Round(float64(l)/r.Top*255)))
		}
		r.Rows = append(r.Rows, line)
	}
	return r
}
