package timecode

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"timeball/capture/station"
)

// air is a receiver tuned to a station: it synthesises seconds of audio from
// the station's published rules and codes, written independently of the
// decoder, with fading and noise.
type air struct {
	station station.Station
	start   time.Time // UTC of second 0
	leapAt  time.Time // 00:00:00 after an inserted (or removed) second; zero: none
	leap    Leap
	sent    sent

	rate      float64
	snrDB     float64 // mark power over noise in 3 kHz; +Inf: no noise
	spreadHz  float64 // Doppler spread (twice the standard deviation); 0: no fading
	delay     float64 // s between two equal paths; 0: one path
	tuningHz  float64 // error of a single-sideband receiver
	programme bool    // the station's tones and voices are on
	keyed     bool    // the tones of the 300 bit/s code keep their own phases
	rng       *rand.Rand

	paths [2]*fader
	width func(utc time.Time) float64       // of a pulse of another 100 Hz code, s
	hit   func(second int, audio []float32) // disturbs the audio
}

// sent is what the station sends beside the time.
type sent struct {
	dut1    int // tenths
	leap    Leap
	dst1    bool
	dst2    bool
	tai     int
	pattern int
}

// fader is a complex Gaussian gain of unit power with a Gaussian Doppler
// spectrum, as Rec. ITU-R F.1487 models a path.
type fader struct{ hz, phase []float64 }

func newFader(rng *rand.Rand, spreadHz float64) *fader {
	f := &fader{}
	for range 24 {
		f.hz = append(f.hz, rng.NormFloat64()*spreadHz/2)
		f.phase = append(f.phase, 2*math.Pi*rng.Float64())
	}
	return f
}

func (f *fader) gain(t float64) complex128 {
	var sum complex128
	for i := range f.hz {
		s, c := math.Sincos(2*math.Pi*f.hz[i]*t + f.phase[i])
		sum += complex(c, s)
	}
	return sum / complex(math.Sqrt(float64(len(f.hz))), 0)
}

const airLead = 0.030 // s of audio before the onset

// utc returns the label of second n.
func (a *air) utc(n int) (t time.Time, inserted bool) {
	t = a.start.Add(time.Duration(n) * time.Second)
	if a.leapAt.IsZero() || t.Before(a.leapAt.Add(-time.Second)) {
		return t, false
	}
	switch a.leap {
	case InsertSecond:
		if t.Before(a.leapAt) {
			return t, false
		}
		return t.Add(-time.Second), t.Equal(a.leapAt)
	case DeleteSecond:
		return t.Add(time.Second), false
	}
	return t, false
}

// second returns second n.
func (a *air) second(n int) Second {
	if a.rate == 0 {
		a.rate = 8000
	}
	if a.spreadHz > 0 && a.paths[0] == nil {
		a.paths = [2]*fader{newFader(a.rng, a.spreadHz), newFader(a.rng, a.spreadHz)}
	}
	size := int(1.05 * a.rate)
	clean := make([]complex128, size+int(a.delay*a.rate)+1) // analytic
	utc, inserted := a.utc(n)
	addFrom := func(from, to, hz, amplitude, cycles float64) { // cycles: phase at from
		first := max(0, int(math.Ceil((from+airLead)*a.rate)))
		hz += a.tuningHz
		z := cmplx.Rect(amplitude, 2*math.Pi*(hz*(float64(first)/a.rate-airLead-from)+cycles))
		turn := cmplx.Rect(1, 2*math.Pi*hz/a.rate)
		for i := first; i < min(len(clean), int(math.Ceil((to+airLead)*a.rate))); i++ {
			clean[i] += z
			z *= turn
		}
	}
	add := func(from, to, hz, amplitude float64) {
		addFrom(from, to, hz, amplitude, (hz+a.tuningHz)*from)
	}
	if !inserted {
		a.mark(utc, add)
		if a.programme {
			a.programmed(n, utc, add)
		}
		switch a.station.Code.Kind {
		case "bcd-100hz":
			a.bcd(utc, add)
		case "fsk-300":
			a.fsk(utc, addFrom)
		}
	}

	audio := make([]float32, size)
	lag := int(a.delay * a.rate)
	noise := 0.0
	if !math.IsInf(a.snrDB, 1) {
		// Mark power 1/2; noise in 3 kHz of the whole bandwidth rate/2.
		noise = math.Sqrt(0.5 * math.Pow(10, -a.snrDB/10) * a.rate / 2 / 3000)
	}
	var gains [2]complex128
	for i := range audio {
		x := clean[i]
		if a.paths[0] != nil {
			if i%64 == 0 { // 8 ms, short against the fading
				t := float64(n) + float64(i)/a.rate
				gains = [2]complex128{a.paths[0].gain(t), a.paths[1].gain(t)}
			}
			x *= gains[0]
			if lag > 0 && i >= lag {
				x = (x + clean[i-lag]*gains[1]) / math.Sqrt2
			}
		}
		audio[i] = float32(real(x))
		if noise > 0 {
			audio[i] += float32(noise * a.rng.NormFloat64())
		}
	}
	if a.hit != nil {
		a.hit(n, audio)
	}
	return Second{N: int64(n), Rate: a.rate, Audio: audio, Onset: airLead * a.rate, ToneHz: a.station.ToneHz + a.tuningHz}
}

// programmed adds the station's tones, gated around the marks, and something
// like speech: harmonics of a wandering pitch in syllables.
func (a *air) programmed(n int, utc time.Time, add func(from, to, hz, amplitude float64)) {
	from, to := max(a.station.QuietAfterSeconds, 0.02), 1-max(a.station.QuietBeforeSeconds, 0.01)
	for _, tone := range a.station.Tones {
		if tone.On(utc.Minute(), float64(utc.Second())) {
			add(from, to, tone.Hz, tone.Depth)
		}
	}
	rng := rand.New(rand.NewPCG(uint64(n), 9)) // the station's, not the receiver's
	for _, voice := range a.station.Voices {
		if !voice.On(utc.Minute(), float64(utc.Second())) {
			continue
		}
		for t := from; t < to-0.15; t += 0.15 + 0.1*rng.Float64() {
			pitch, tilt := 90+120*rng.Float64(), 300+500*rng.Float64()
			for h := 1; h < 16; h++ {
				hz := pitch * float64(h)
				add(t, t+0.15, hz, voice.Depth/3*math.Exp(-hz/tilt))
			}
		}
	}
}

func (a *air) mark(utc time.Time, add func(from, to, hz, amplitude float64)) {
	m, ok := a.station.MarkAt(utc.Minute(), utc.Second())
	if !ok {
		return
	}
	d := a.sent.dut1
	s := utc.Second()
	if d > 0 && s >= 1 && s <= d || d < 0 && s >= 9 && s <= 8-d {
		length := m.Length
		if a.station.DUT1.LengthSeconds > 0 {
			length = a.station.DUT1.LengthSeconds
		}
		again := a.station.DUT1.SpacingSeconds
		add(0, length, m.ToneHz, 1)
		add(again, again+length, m.ToneHz, 1)
		return
	}
	add(0, m.Length, m.ToneHz, 1)
}

// bcd sends one symbol of the 100 Hz code.
func (a *air) bcd(utc time.Time, add func(from, to, hz, amplitude float64)) {
	width := bcdWidth(utc, a.sent)
	if a.width != nil {
		width = a.width(utc)
	}
	c := a.station.Code
	add(0.03, width, c.ToneHz, c.Depth)
	add(max(width, 0.03), 0.999, c.ToneHz, c.LowDepth)
}

// bcdWidth is the end of the pulse of a second, s; 0 for none.
func bcdWidth(utc time.Time, sent sent) float64 {
	s := utc.Second()
	switch {
	case s == 0:
		return 0
	case s%10 == 9:
		return 0.8
	}
	bits := map[int]bool{}
	put := func(first, value int) {
		for i := range 4 {
			if value>>i&1 == 1 {
				bits[first+i] = true
			}
		}
	}
	y, m, h, d := utc.Year()%100, utc.Minute(), utc.Hour(), utc.YearDay()
	put(4, y%10)
	put(51, y/10)
	put(10, m%10)
	put(15, m/10)
	put(20, h%10)
	put(25, h/10)
	put(30, d%10)
	put(35, d/10%10)
	put(40, d/100)
	bits[2], bits[3], bits[55] = sent.dst2, sent.leap == InsertSecond, sent.dst1
	bits[50] = sent.dut1 > 0
	put(56, min(abs(sent.dut1), 7))
	if bits[s] {
		return 0.5
	}
	return 0.2
}

// fsk sends one frame of the 300 bit/s code, continuous in phase unless keyed.
func (a *air) fsk(utc time.Time, add func(from, to, hz, amplitude, cycles float64)) {
	frame, ok := fskFrame(utc, a.sent)
	if !ok {
		return
	}
	depth := a.station.Code.Depth
	t, cycles := 0.010, 0.0
	send := func(hz, length float64) {
		if a.keyed {
			cycles = (hz + a.tuningHz) * t
		}
		add(t, t+length, hz, depth, cycles)
		t += length
		cycles += (hz + a.tuningHz) * length
	}
	send(2225, 0.4/3-0.010)
	bit := func(b byte) {
		hz := 2025.0
		if b == 1 {
			hz = 2225
		}
		send(hz, 1.0/300)
	}
	for _, b := range frame {
		bit(0)
		for i := range 8 {
			bit(b >> i & 1)
		}
		bit(1)
		bit(1)
	}
	send(2225, 0.010)
}

// fskFrame gives the ten bytes on the air in a second.
func fskFrame(utc time.Time, sent sent) (frame [10]byte, ok bool) {
	bcd := func(v int) byte { return byte(v/10<<4 | v%10) }
	s := utc.Second()
	var data [5]byte
	switch {
	case s == 31:
		x := byte(0)
		if sent.dut1 < 0 {
			x |= 1
		}
		switch sent.leap {
		case InsertSecond:
			x |= 2
		case DeleteSecond:
			x |= 4
		}
		if (x&1+x>>1&1+x>>2&1)%2 == 1 {
			x |= 8
		}
		data = [5]byte{x<<4 | byte(abs(sent.dut1)), bcd(utc.Year() / 100), bcd(utc.Year() % 100), bcd(sent.tai), bcd(sent.pattern)}
	case s >= 32 && s <= 39:
		data = [5]byte{0x60 | byte(utc.YearDay()/100), bcd(utc.YearDay() % 100), bcd(utc.Hour()), bcd(utc.Minute()), bcd(s)}
	default:
		return frame, false
	}
	for i, b := range data {
		b = b<<4 | b>>4
		frame[i], frame[5+i] = b, b
		if s == 31 {
			frame[5+i] = ^b
		}
	}
	return frame, true
}

// builtin finds a station of the built-in table.
func builtin(id string) station.Station {
	s, ok := station.Find(id)
	if !ok {
		panic("no station " + id)
	}
	return *s
}
