package align

import (
	"math"
	"slices"

	"timeball/detect/audio"
	"timeball/detect/longwave"
	"timeball/detect/tick/find"
	"timeball/detect/timecode"
)

// code reads one station's time code.
type code struct {
	heard heard
	dec   decoder
	ticks *ticksDecoder // the same, fed from the audio; nil: the track feeds it
	next  int64
}

// ticksDecoder is a decoder of whole seconds of audio, which it takes in aside: what it
// reads waits for those that were given to it.
type ticksDecoder struct {
	dec    *timecode.Decoder
	aside  *aside
	spares chan []float32 // memory for seconds
}

func newTicksDecoder(d *timecode.Decoder) *ticksDecoder {
	return &ticksDecoder{dec: d, aside: newAside(), spares: make(chan []float32, asideMost)}
}

// room is memory for so many samples of a second.
func (d *ticksDecoder) room(samples int) []float32 {
	select {
	case b := <-d.spares:
		return b
	default:
		return make([]float32, samples)
	}
}

// add takes a second, whose audio it keeps.
func (d *ticksDecoder) add(s timecode.Second) {
	d.aside.do(func() {
		d.dec.Add(s)
		d.spare(s.Audio)
	})
}

// spare takes memory back.
func (d *ticksDecoder) spare(b []float32) {
	select {
	case d.spares <- b:
	default:
	}
}

func (d *ticksDecoder) Reading() timecode.Reading {
	d.aside.wait()
	return d.dec.Reading()
}

func (d *ticksDecoder) Close() timecode.Reading {
	d.aside.wait()
	return d.dec.Close()
}

// readCodes passes whole seconds to the decoders of the stations heard.
func (a *Attempt) readCodes(limit int64) {
	heard := a.radio.tracked()
	a.codes = slices.DeleteFunc(a.codes, func(c *code) bool { return !slices.Contains(heard, c.heard) })
	for _, h := range heard {
		if slices.ContainsFunc(a.codes, func(c *code) bool { return c.heard == h }) {
			continue
		}
		c := &code{heard: h, next: a.codesFrom}
		a.codes = append(a.codes, c)
		if t, ok := h.ear.(*longwave.Track); ok {
			t.ReadFrom(a.codesFrom)
			c.dec = pulseReader{t}
			continue
		}
		dec := timecode.New(*h.Station)
		if at := a.start(); !at.IsZero() {
			dec.Expect(0, at.Add(seconds(a.pulses.Start()/a.rate)))
		}
		c.ticks = newTicksDecoder(dec)
		c.dec = c.ticks
	}
	for _, c := range a.codes {
		if c.ticks == nil {
			continue
		}
		a.feed(c, a.streams[a.receiver], limit)
		if a.radio.ticks.Doubted(c.heard.Station) && c.dec.Reading().UTC.Known() {
			a.radio.ticks.Confirm(c.heard.Station)
		}
	}
}

// feed passes the seconds before limit that s holds to c.
func (a *Attempt) feed(c *code, s *audio.Stream, limit int64) {
	lead := int(0.03 * s.Rate())
	samples := lead + int(1.011*s.Rate())
	for ; c.next < limit; c.next++ {
		base, ok := a.wheel.Base(c.next)
		if !ok {
			continue
		}
		onset := base/float64(s.Factor()) + c.heard.Onset(c.next)
		first := int64(math.Round(onset)) - int64(lead)
		if first+int64(samples) > s.End() {
			return
		}
		audio := c.ticks.room(samples)
		if !s.Copy(audio, first) {
			c.ticks.spare(audio)
			continue
		}
		c.ticks.add(timecode.Second{N: c.next, Rate: s.Rate(), Audio: audio, Onset: onset - float64(first), ToneHz: c.heard.ToneHz()})
	}
}

// told lists the codes of the stations that are heard, not only suspected.
func (a *Attempt) told() []*code {
	return slices.DeleteFunc(slices.Clone(a.codes), func(c *code) bool { return a.radio.standing(c.heard.Station) == find.Unknown })
}
