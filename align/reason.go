package align

import (
	"time"

	"timeball/detect/longwave"
	"timeball/detect/marker"
)

// Reason is why a measurement has come to no fix, or what must be said beside
// one: a value of one of the types below, with the numbers that belong to it.
// Whoever shows a measurement puts it into words.
type Reason interface{ reason() }

// Why there is no fix, or one without its path delay.
type (
	// TooShort: the marker cannot be told before so many seconds.
	TooShort struct{ NeedSeconds float64 }
	// NoPulse: the channel, from 1, that was named for a clock's pulse has none.
	NoPulse struct {
		Channel   int
		Reference bool // of the reference, in a comparison by wire
		Finding   marker.Finding
	}
	// NoMarkerChannel: none of the channels could be chosen.
	NoMarkerChannel struct{ Choice marker.Choice }
	// ManyReceivers: more than one channel may be the receiver's.
	ManyReceivers struct{ Channels int }
	// SameChannel: the marker is on the channel that was named the receiver's.
	SameChannel struct{}
	// NoStation: no station's ticks were found.
	NoStation struct{}
	// TickUnknown: a tick is heard, not yet known as a station's.
	TickUnknown struct{ Waiting Waiting }
	// OffAir: by the station table those that are looked for send no ticks at the time.
	OffAir struct{ Stations []string }
	// OtherStation: what is heard is none of the stations looked for, but one of these.
	OtherStation struct{ IDs []string }
	// SharedCarrier: beside a station another one, of Others, keys the tone at ToneHz: an
	// edge that its code does not have comes so long after its second, in [0, 1).
	SharedCarrier struct {
		ID                string
		Others            []string
		ToneHz, AtSeconds float64
	}
	// AlikeStations: these are looked for, and send the same.
	AlikeStations struct{ IDs []string }
	// OneOfAlike: the station is taken for the one named, and others send the same.
	OneOfAlike struct {
		ID     string
		Others []string
	}
	// NoBeat: no beat note of the station's carrier was found from LowHz to HighHz, and
	// frames at RateHz cannot hold the carrier itself. AstrayHz is where beyond these
	// limits a keyed carrier stands, ToneHz where within them a strong tone does whose
	// marks are no station's; 0: nowhere.
	NoBeat struct {
		ID                                         string
		CarrierHz, RateHz, LowHz, HighHz, AstrayHz float64
		ToneHz                                     float64
	}
	// CarriersOnly: no marks are heard, but on long wave there are carriers: Asked, of
	// stations that are looked for, else of others.
	CarriersOnly struct {
		Carriers []longwave.Carrier
		Asked    bool
	}
	// NoCarrier: the recording would hold a carrier at one of these frequencies, and none is
	// there.
	NoCarrier struct{ Hz []float64 }
	// NotBeside: the station's beat note is not looked for while others are.
	NotBeside struct{ ID string }
	// Unsettled: too little was heard since frames were lost to count them.
	Unsettled struct{}
	// PathUnknown: what a path delay is computed from is missing, or Err.
	PathUnknown struct {
		Place, Time bool // what is missing
		Err         error
	}
	// FewPulses: fewer pulses than that of both clocks together.
	FewPulses struct{ Need int }
)

// What is said beside a fix.
type (
	// Disagreement: stations contradict each other.
	Disagreement struct {
		Chi2 float64
		DoF  int
	}
	// PathContradicted: an arrival so long after a station's first fits no two of the
	// predicted modes.
	PathContradicted struct {
		Station       string
		ExcessSeconds float64
	}
	// FarPath: a path delay is computed for more than what the model takes in.
	FarPath struct{ Station string }
	// IonosondeElsewhen: none of so many measurements of the ionosphere is of the day
	// before or after the time that a path is computed for.
	IonosondeElsewhen struct {
		Measurements int
		Time         time.Time
	}
	// PhaseContradicts: a station's phase code comes later than the edges of its level by
	// more than noise explains.
	PhaseContradicts struct {
		Station         string
		LaterSeconds, U float64
	}
	// LoopContradicted: the noise beside a station's carrier comes through another loop than
	// the one that was told, of quality Q.
	LoopContradicted struct {
		Station string
		Q       float64
		Noise   LoopInNoise
	}
	// LeftOut: a recording could not be combined with others.
	LeftOut struct {
		Recording string
		Err       error
	}
	// Doubted: the others make it so many times likelier that a station's arrivals
	// all come late in this recording.
	Doubted struct {
		Recording, Station string
		Times              float64
	}
	// StartContradicted: the start given, of the first frame, is another time than
	// the recording or the broadcast tells.
	StartContradicted struct {
		Given, Told time.Time
		Broadcast   bool // it is the broadcast that tells
	}
	// OutOfBeat: every second interval between the marker's pulses is longer by so
	// much than the others' mean, as with an escapement out of beat.
	OutOfBeat struct{ BySeconds float64 }
	// Jittery: the marker's pulses scatter, so that the offset, that of their mean
	// line, is not that of the last one, and a step of less than StepSeconds shows
	// only after some pulses.
	Jittery struct{ JitterSeconds, StepSeconds float64 }
	// TakenAsNamed: a station is known by its name and its tick's form alone.
	TakenAsNamed struct{ Station string }
	// ReceiverOtherwise: the noise does not come through the filters that were calibrated.
	ReceiverOtherwise struct{}
	// Contradicts: what a station brought in this recording fits none of its modes
	// that go with the other recordings.
	Contradicts struct{ Recording, Station string }
	// HandsUntold: the broadcast has not told what the hands should show.
	HandsUntold struct{}
)

func (TooShort) reason()          {}
func (NoPulse) reason()           {}
func (NoMarkerChannel) reason()   {}
func (ManyReceivers) reason()     {}
func (SameChannel) reason()       {}
func (NoStation) reason()         {}
func (OtherStation) reason()      {}
func (SharedCarrier) reason()     {}
func (AlikeStations) reason()     {}
func (OneOfAlike) reason()        {}
func (NoBeat) reason()            {}
func (CarriersOnly) reason()      {}
func (NoCarrier) reason()         {}
func (NotBeside) reason()         {}
func (Unsettled) reason()         {}
func (PathUnknown) reason()       {}
func (FewPulses) reason()         {}
func (Disagreement) reason()      {}
func (PathContradicted) reason()  {}
func (FarPath) reason()           {}
func (IonosondeElsewhen) reason() {}
func (PhaseContradicts) reason()  {}
func (LoopContradicted) reason()  {}
func (LeftOut) reason()           {}
func (Doubted) reason()           {}
func (Contradicts) reason()       {}
func (HandsUntold) reason()       {}
func (StartContradicted) reason() {}
func (OutOfBeat) reason()         {}
func (Jittery) reason()           {}
func (TickUnknown) reason()       {}
func (OffAir) reason()            {}
func (TakenAsNamed) reason()      {}
func (ReceiverOtherwise) reason() {}
