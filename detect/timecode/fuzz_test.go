package timecode

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// TestDamage takes damages at random; more of them by -damages.
func TestDamage(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	known := 0
	for range *damages {
		damage := make([]byte, damagedSeconds)
		often := rng.Float64() // share of the seconds that are damaged
		for i := range damage {
			if rng.Float64() < often {
				damage[i] = byte(1 + rng.IntN(6))
			}
		}
		if readDamaged(t, uint8(rng.IntN(2)), rng.Uint32(), damage) {
			known++
		}
	}
	if known == 0 {
		t.Error("no time was ever read")
	}
	t.Logf("the time was read in %d of %d", known, *damages)
}

var damages = flag.Int("damages", 20, "how often to damage a broadcast")

// The one second with the day's hundreds in it is silent in one minute, and in
// the next the second before it is heard in its place.
func TestTimeRestsOnNoSingleSecond(t *testing.T) {
	damage := []byte{0: 5, 14: 1, 21: 1, 32: 1, 35: 3, 38: 2, 44: 1, 55: 1, 61: 5, 71: 2, 73: 4, 84: 6, 98: 4, 102: 1, 114: 2, 115: 3, 117: 6, 124: 5, damagedSeconds - 1: 0}
	start := time.Date(2006, 6, 8, 8, 58, 3, 0, time.UTC) // day 159; heard is 359
	readDamaged(t, 0, uint32(start.Unix()), damage)
	if math.Exp(-bcdCap) <= MaxError {
		t.Error("a single symbol says enough to make a time known")
	}
}

// FuzzDamage does what the input says.
func FuzzDamage(f *testing.F) {
	f.Add(uint8(0), uint32(1773512407), []byte{})
	f.Add(uint8(1), uint32(1704067140), []byte{1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Add(uint8(0), uint32(1483228700), slices.Repeat([]byte{0, 5, 0, 0, 6}, 20))
	f.Add(uint8(1), uint32(951782340), slices.Repeat([]byte{3, 0, 4}, 40))
	f.Fuzz(func(t *testing.T, which uint8, unix uint32, damage []byte) { readDamaged(t, which, unix, damage) })
}

const damagedSeconds = 130 // two whole minutes, and a search after them

// readDamaged damages a true broadcast second by second and reads it. A wrong
// UTC is the failure; none is not.
func readDamaged(t *testing.T, which uint8, unix uint32, damage []byte) (known bool) {
	start := time.Unix(int64(unix), 0).UTC()
	if year := start.Year(); year < firstYear || year >= firstYear+100 {
		return false
	}
	s := builtin([]string{"wwv", "chu"}[which%2])
	rng := rand.New(rand.NewPCG(1, uint64(unix)))
	a := &air{station: s, start: start, rate: MinRate, snrDB: 20, rng: rng, sent: sent{tai: 37}}
	d := New(s)
	var before []float32
	for n := range damagedSeconds {
		heard := a.second(n)
		kind := byte(0)
		if n < len(damage) {
			kind = damage[n]
		}
		x := heard.Audio
		switch kind % 7 {
		case 1: // lost
			continue
		case 2: // silent
			clear(x)
		case 3: // the other polarity
			for i := range x {
				x[i] = -x[i]
			}
		case 4: // the one before once more
			copy(x, before)
		case 5: // noise
			for i := range x {
				x[i] = float32(rng.NormFloat64())
			}
		case 6: // clipped
			for i := range x {
				x[i] = max(-0.1, min(0.1, 10*x[i]))
			}
		}
		before = x
		d.Add(heard)
	}
	r := d.Close()
	if !r.UTC.Known() {
		return false
	}
	if want, inserted := a.label(int(r.N)); !r.UTC.Value.Equal(want) || r.Inserted != inserted {
		t.Errorf("%s from %v, damaged by %v: second %d is %v, want %v", s.ID, start, damage, r.N, r.UTC, want)
	}
	return true
}
