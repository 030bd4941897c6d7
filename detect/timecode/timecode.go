// Package timecode tells which second it is: from the seconds of a broadcast,
// cut to the UTC grid by the tick detector, it reads the second of the minute,
// the UTC date and time, DUT1, leap second warnings, summer time bits and
// TAI−UTC.
//
// It works with likelihoods throughout. Each second yields the log-likelihood
// of every mark the station may send and of every symbol of its time code;
// nothing is decided from one second. A hypothesis is a complete labelling of
// the flywheel's seconds with UTC, and its score is the sum of what all seconds
// say of it; so minutes that follow each other confirm each other, and bad ones
// add up to a good one. Against all of them stand two hypotheses that name no
// time: marks and symbols in no order, and a code of the right frame with other
// content. A value is known only when the probability that it is wrong, as
// stated by the model, is below MaxError.
//
// What a station sends comes from its data (package station); the layouts of
// the two kinds of code stand in bcd.go and fsk.go.
package timecode

import (
	"math"
	"time"

	"timeball/capture/station"
)

// MaxError is the largest probability of error with which a value counts as known.
const MaxError = 1e-6

// minError is the least probability of error ever stated: the model itself is
// not surer than that.
const minError = 1e-9

// Second is one second of receiver audio, cut to the flywheel's UTC grid.
type Second struct {
	// N counts the flywheel's seconds. It may skip, but two seconds whose N
	// differ by k are k seconds of UTC apart (SI seconds, leap seconds
	// included). When that is no longer sure, as after a loss of unknown
	// length, start a new Decoder.
	N    int64
	Rate float64 // samples a second, Hz; at least MinRate
	// Audio holds the second: best from 30 ms before the mark's arrival to
	// 1.01 s after it. What is missing is not used.
	Audio []float32
	// Onset is the place in Audio, samples from Audio[0], where the start of
	// the station's mark arrives, within about a millisecond; for a mark that
	// leaves the antenna early (station.AdvanceSeconds) where it does arrive.
	Onset float64
	// ToneHz is the pitch of the second marks as received. Its difference
	// from the published pitch is the mistuning of a single-sideband receiver
	// and shifts every other tone as well.
	ToneHz float64
}

// MinRate is the lowest sampling rate that carries every code, Hz.
const MinRate = 6000

// capacity is how many seconds of evidence are kept.
const capacity = 1800

// Decoder gathers the evidence of one station. Its memory is bounded.
type Decoder struct {
	marks *marks
	code  code // nil when the station sends none that is published

	ring     [capacity]evidence // second N at N mod capacity
	start    int64              // first second ever
	first    int64              // oldest second held
	last     int64              // newest second
	any      bool
	held     held
	expected expected

	found    finding // of the last search
	reading  Reading // what that comes to
	searched int64   // N of the newest second it covered
	resting  bool    // all was beyond doubt when last reviewed,
	review   int64   // and second at which that is asked again
}

// evidence is what one second says, as log-likelihoods.
type evidence struct {
	n     int64
	valid bool
	// framing holds, for each second of the minute, the log-likelihood of what
	// was heard if this is that second, whatever minute it is.
	framing [60]float32
	// null is the same for a second taken at random.
	null  float32
	marks []float32 // of each shape of mark
	code  []float32 // whatever the code keeps
}

// code is a kind of time code. A symbol's log-likelihoods are relative to any
// common reference within one second.
type code interface {
	// hear turns one second of audio into what the code keeps of it. shiftHz is
	// by how much the tones seem to be off their published pitch; it returns by
	// how much its own are.
	hear(s *Second, shiftHz float64, keep []float32) (foundHz float64)
	// keeps is the length of that.
	keeps() int
	// framing adds to each second of the minute the log-likelihood of what
	// was kept, its content being unknown.
	framing(keep []float32, out *[60]float32)
	// content adds the log-likelihoods of the digits sent in a second of the
	// minute, relative to content unknown.
	content(keep []float32, second int, d *digits)
	// leap adds those of the leap second announced.
	leap(keep []float32, second int, l *[leaps]float64)
	// notices adds those of what else is sent.
	notices(keep []float32, second int, n *notices)
	// against returns how much better the other value of a bit fits than the one
	// that is sent at a UTC time, as a log-likelihood; negative when what was
	// heard speaks for the one sent, 0 when no bit is.
	against(keep []float32, t time.Time) float64
	// name names the code, for people.
	name() string
}

// New returns a decoder for one station.
func New(s station.Station) *Decoder {
	d := &Decoder{marks: newMarks(s), found: nothing}
	switch s.Code.Kind {
	case "bcd-100hz":
		d.code = newBCD(s.Code)
	case "fsk-300":
		d.code = newFSK(s.Code)
	}
	keeps := 0
	if d.code != nil {
		keeps = d.code.keeps()
	}
	for i := range d.ring {
		d.ring[i].marks = make([]float32, len(d.marks.shapes))
		d.ring[i].code = make([]float32, keeps)
	}
	d.reading = d.read()
	return d
}

// Add takes the next second. N must grow from call to call. It panics when it
// does not, or when the rate is too low.
func (d *Decoder) Add(s Second) {
	if s.Rate < MinRate {
		panic("timecode: sampling rate too low")
	}
	if d.any && s.N <= d.last {
		panic("timecode: seconds out of order")
	}
	if !d.any {
		d.any, d.start, d.first, d.searched = true, s.N, s.N, s.N-SearchEvery
	}
	rests := d.rests(s.N)
	d.last = s.N
	d.first = max(d.first, s.N-capacity+1)
	if rests {
		return
	}

	e := &d.ring[mod(s.N, capacity)]
	e.n, e.valid = s.N, true
	if d.code != nil {
		// A tick is too short to tell its pitch well; a code does.
		shift := d.marks.shift(&s)
		s.ToneHz += d.code.hear(&s, shift, e.code) - shift
	}
	d.marks.hear(&s, e.marks)
	d.marks.framing(e.marks, &e.framing)
	if d.code != nil {
		d.code.framing(e.code, &e.framing)
	}
	e.null = float32(meanExp(e.framing[:]))
}

const (
	// Once all has been told beyond doubt, one minute in sparse is heard: so it is noticed
	// within minutes when that is so no more. It is looked at every reviewEvery seconds, and
	// first after plenty, half of what is kept.
	sparse              = 4
	plenty, reviewEvery = capacity / 2, 300
	// beyondDoubt is the least probability of error that is ever stated, of something that
	// rests on others.
	beyondDoubt = 10 * minError
	// About a month's end a second may come in: for so long all is heard.
	turnOfMonth = time.Hour
)

// rests reports whether second n need not be heard. It looks, whoever has asked for what,
// and before what was heard is dropped.
func (d *Decoder) rests(n int64) bool {
	if n-d.start < plenty {
		return false
	}
	if n >= d.review {
		d.look()
		d.review, d.resting = n+reviewEvery, false
		if r := &d.reading; max(r.UTC.Error, r.Leap.Error, r.DUT1.Error) <= beyondDoubt {
			utc, _, ok := r.At(n)
			d.resting = ok && utc.Add(turnOfMonth).Month() == utc.Month() && utc.Add(-turnOfMonth).Month() == utc.Month()
		}
	}
	return d.resting && mod(floorDiv(n+d.reading.offset, 60), sparse) != 0
}

// Expect tells the decoder that second n is thought to be utc, give or take
// half a minute, as from the computer's clock. It lowers the evidence that is needed
// when the code agrees and raises it when the code does not, ten thousandfold
// either way, whatever the mistake in it may be; the code decides.
func (d *Decoder) Expect(n int64, utc time.Time) {
	d.expected = expected{expectOdds, int64(math.Round(utc.Sub(epoch).Seconds())) - n}
}

// at returns the evidence of second n, or nil when there is none.
func (d *Decoder) at(n int64) *evidence {
	e := &d.ring[mod(n, capacity)]
	if !e.valid || e.n != n {
		return nil
	}
	return e
}

// meanExp returns the logarithm of the mean of exp(v).
func meanExp(v []float32) float64 {
	top := v[0]
	for _, x := range v {
		top = max(top, x)
	}
	sum := 0.0
	for _, x := range v {
		sum += math.Exp(float64(x - top))
	}
	return float64(top) + math.Log(sum/float64(len(v)))
}

// mod is the remainder of n by m, in [0, m).
func mod(n, m int64) int64 { return (n%m + m) % m }

// floorDiv is n/m rounded down.
func floorDiv(n, m int64) int64 { return (n - mod(n, m)) / m }
