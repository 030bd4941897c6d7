package timecode

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/capture/station"
)

// FuzzDamage damages a true broadcast second by second, as the input says. A
// wrong UTC is the failure; none is not.
func FuzzDamage(f *testing.F) {
	f.Add(uint8(0), uint32(1773512407), []byte{})
	f.Add(uint8(1), uint32(1704067140), []byte{1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Add(uint8(0), uint32(1483228700), slices.Repeat([]byte{0, 5, 0, 0, 6}, 20))
	f.Add(uint8(1), uint32(951782340), slices.Repeat([]byte{3, 0, 4}, 40))
	stations := []station.Station{builtin("wwv"), builtin("chu")}
	f.Fuzz(func(t *testing.T, which uint8, unix uint32, damage []byte) {
		const seconds = 130 // two whole minutes, and a search after them
		start := time.Unix(int64(unix), 0).UTC()
		if year := start.Year(); year < firstYear || year >= firstYear+100 {
			return
		}
		s := stations[int(which)%len(stations)]
		noise := rand.New(rand.NewPCG(uint64(unix), 1))
		a := &air{station: s, start: start, snrDB: 20, rng: rand.New(rand.NewPCG(1, uint64(unix))), sent: sent{tai: 37}}
		d := New(s)
		var before []float32
		for n := range seconds {
			heard := a.second(n)
			kind := byte(0)
			if n < len(damage) {
				kind = damage[n]
			}
			switch x := heard.Audio; kind % 7 {
			case 1: // lost
				before = x
				continue
			case 2: // silent
				clear(x)
			case 3: // the other polarity
				for i := range x {
					x[i] = -x[i]
				}
			case 4: // heard twice
				if before != nil {
					copy(x, before)
				}
			case 5: // noise
				for i := range x {
					x[i] = float32(noise.NormFloat64())
				}
			case 6: // clipped
				for i := range x {
					x[i] = max(-0.1, min(0.1, 10*x[i]))
				}
			}
			before = heard.Audio
			d.Add(heard)
		}
		r := d.Close()
		if want, inserted := a.label(int(r.N)); r.UTC.Known() && (!r.UTC.Value.Equal(want) || r.Inserted != inserted) {
			t.Errorf("%s from %v, damaged by %v: second %d is %v, want %v", s.ID, start, damage, r.N, r.UTC, want)
		}
	})
}
