// Package longwave finds and times the marks of stations that key the level or the
// phase of a long-wave carrier, and reads their codes.
//
// The carrier is a tone in the receiver channel: the beat note of a receiver for
// single sideband or telegraphy, of any pitch, or what audio.NewTuned makes of an
// antenna's signal that is sampled itself. Its complex base band is taken second by
// second; the carrier's phase is told by each second alone, so that nothing is lost
// when it fades or slips. A second's edge is turned into phase and summed over half
// minutes; the sums are fitted by a step through the station's, the antenna's and the
// filter's poles. A phase code is fitted likewise, as a second observation of the
// same arrival. What is keyed in each second goes to the decoder of the station's
// code: no station is heard before the order of its minute is, and before it is likelier
// than every other one that may be there by 10⁴. A beat note may be of any carrier: then all
// stations of the table are rivals, by the lengths of their marks, by how deep they are
// keyed, and by the order and content of the minute (package pulsecode). Those that send the
// same code are told by the carrier alone.
package longwave

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// stream is the part of audio.Stream that is needed.
type stream interface {
	Rate() float64
	Factor() int
	Begin() int64
	End() int64
	Copy(dst []float32, from int64) bool
}

// Timebase gives the flywheel's seconds.
type Timebase interface {
	// Base is the position, frames, at which second n begins; false when that has been
	// forgotten.
	Base(n int64) (frames float64, ok bool)
}

// Input is a stream in which carriers are looked for, and the stations they may be
// of.
type Input struct {
	Stream   *audio.Stream
	Stations []*station.Station
	Table    []*station.Station // all that may be heard in their place
	// LowHz to HighHz is where the carrier may be in the stream.
	LowHz, HighHz float64
	// BandHz is how far to either side of a carrier the stream holds what belongs to
	// it; 0: as the receiver's filter leaves it.
	BandHz float64
	// CarrierHz is the carrier's frequency when the stream is the antenna's signal; 0:
	// the pitch is the receiver's.
	CarrierHz float64
	// Loop is the tuned antenna; of quality 0: none. Where nobody told, FindLoop lets what is
	// found in the noise be taken for it.
	Loop     Loop
	FindLoop bool
}

// Tuned is an input of a carrier itself, in frames at a rate that hold it; its stream is to
// be given them.
func Tuned(rate, carrierHz float64) *Input {
	return &Input{
		Stream: audio.NewTuned(rate, tunedSamples, carrierHz), CarrierHz: carrierHz, BandHz: audio.TunedBand,
		LowHz: audio.Pitch - directOffHz, HighHz: audio.Pitch + directOffHz,
	}
}

// recordedHz is the frequency in the recording of what is at hz in the stream.
func (in *Input) recordedHz(hz float64) float64 {
	if in.CarrierHz > 0 {
		return in.CarrierHz - audio.Pitch + hz
	}
	return hz
}

const (
	// directOffHz is how far a sample clock 200 ppm out puts a carrier off, and more.
	directOffHz = 30
	// tunedSamples bounds what is remembered of a carrier's neighbourhood: a minute.
	tunedSamples = 60 * 8000
)

// The pitch of a beat note, Hz, is within the filter of a receiver for single sideband;
// from flatFrom to flatTo its delay hardly changes (common practice).
const (
	LowestPitch, HighestPitch = 300.0, 2700.0
	flatFrom, flatTo          = 400.0, 2600.0
	leastBand                 = 150.0
)

// band is how far the base band of a carrier passes, Hz, and from there to where it is
// shut. It is the same to either side, whatever the receiver's filter, and within it
// nothing of that filter shows.
func (in *Input) band(hz float64) (halfHz, edgeHz float64) {
	if in.BandHz > 0 {
		return in.BandHz, audio.Pitch - in.BandHz
	}
	const edge = 200
	b := min(hz-flatFrom, flatTo-hz) - edge
	return max(leastBand, min(audio.TunedBand, 50*math.Floor(b/50))), edge
}

// margin is more than the samples that filters need on either side.
func (in *Input) margin() int64 { return int64(0.01 * in.Stream.Rate()) }

// Finder looks for the marks of stations in its inputs.
type Finder struct {
	tb        Timebase
	inputs    []*Input
	tracks    []*Track
	first     int64
	next      int64
	search    int64
	astray    float64
	tone      float64 // the strongest where a beat note may be, when last looked for, Hz
	bands     map[float64]*band
	templates map[chipped][2][]float64
}

// NewFinder returns a finder. Seconds are those of tb.
func NewFinder(tb Timebase, inputs []*Input) *Finder {
	return &Finder{tb: tb, inputs: inputs, bands: map[float64]*band{}, templates: map[chipped][2][]float64{}}
}

// Start tells the finder which second is the first whose audio is held.
func (f *Finder) Start(first int64) { f.first, f.next, f.search = first, first, first+leastSearch }

const (
	leastSearch  = 10 // s before the first search
	searchWithin = 20 // s of audio that a search looks at
	searchAgain  = 10 // s until the next search
)

// Advance processes the seconds whose audio is held, up to but not including second
// limit.
func (f *Finder) Advance(limit int64) {
	for f.next < limit {
		for _, in := range f.inputs {
			// The cut of a second reaches beyond it by the lag, half a second at most.
			end, period, ok := f.second(in, f.next)
			if ok && int64(end+(0.5+cutAfter)*period)+in.margin() >= in.Stream.End() {
				return
			}
		}
		for _, t := range f.tracks {
			t.take(f.next)
		}
		f.tracks = slices.DeleteFunc(f.tracks, func(t *Track) bool { return t.lost() })
		f.next++
		if f.next >= f.search {
			for _, in := range f.inputs {
				f.acquire(in)
			}
			f.search = f.next + searchAgain
		}
	}
}

// Present weighs whether marks come in second n where they are expected (positive
// result) or not, as the difference of log likelihoods.
func (f *Finder) Present(n int64) float64 {
	sum := 0.0
	for _, t := range f.Heard() {
		sum += t.present(n)
	}
	return sum
}

// Restart forgets everything and begins anew at second first.
func (f *Finder) Restart(first int64) {
	f.tracks, f.astray, f.tone = nil, 0, 0
	f.Start(first)
}

// Heard lists the stations that are heard.
func (f *Finder) Heard() []*Track {
	var all []*Track
	for _, t := range f.tracks {
		if t.known() {
			all = append(all, t)
		}
	}
	return all
}

// Other lists the stations that what is heard may be of, none of which is looked for.
func (f *Finder) Other() (all []*station.Station) {
	for _, t := range f.tracks {
		if t.other != nil {
			return append([]*station.Station{t.other}, t.input.alike(t.other, t.input.Table)...)
		}
	}
	return nil
}

// Alike lists stations that are looked for in one input and send the same, so that none of
// them can be told.
func (f *Finder) Alike() []*station.Station {
	for _, in := range f.inputs {
		for _, s := range in.Stations {
			if same := in.alike(s, in.Stations); len(same) > 0 {
				return append([]*station.Station{s}, same...)
			}
		}
	}
	return nil
}

// alike lists those of some stations that send the same as another one, and may be heard.
func (in *Input) alike(s *station.Station, of []*station.Station) (all []*station.Station) {
	for _, o := range of {
		if o.ID != s.ID && o.Keying == s.Keying && o.Code.Kind == s.Code.Kind && (in.CarrierHz == 0 || o.Carriers[0].Hz == in.CarrierHz) {
			all = append(all, o)
		}
	}
	return all
}

// Unordered is a station whose marks are heard, but not yet the order of its minute; nil:
// none is.
func (f *Finder) Unordered() *station.Station {
	for _, t := range f.tracks {
		if t.Station != nil && !t.ordered {
			return t.Station
		}
	}
	return nil
}

// Astray is the pitch, Hz, of a keyed carrier that stands where no beat note should be,
// while none is found where one should; 0: there is none.
func (f *Finder) Astray() float64 {
	if f.recognised() {
		return 0
	}
	return f.astray
}

// Tone is the pitch, Hz, of the strongest tone where a beat note may be, one of leastCN0 or
// more, while no marks in it are taken for a station's; 0: there is none.
func (f *Finder) Tone() float64 {
	if f.recognised() {
		return 0
	}
	return f.tone
}

// recognised reports whether marks are taken for a station's.
func (f *Finder) recognised() bool {
	return slices.ContainsFunc(f.tracks, func(t *Track) bool { return t.Station != nil || t.other != nil })
}

// Moved weighs whether the marks of seconds from ≤ n < to come by shift samples of
// the first input's stream later than expected (positive result) or as expected
// (negative), as the difference of log likelihoods.
func (f *Finder) Moved(from, to int64, shift float64) float64 {
	sum := 0.0
	for _, t := range f.Heard() {
		for n := from; n < to; n++ {
			sum += t.moved(n, shift)
		}
	}
	return sum
}

func (f *Finder) band(in *Input, hz float64) *band {
	half, edge := in.band(hz)
	b := f.bands[half]
	if b == nil {
		b = newBand(half, edge, in.Stream.Rate())
		f.bands[half] = b
	}
	return b
}
