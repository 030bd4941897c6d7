package align

// Remark is how a contribution to the uncertainty came to be known: a value of one
// of the types below. Whoever shows a budget puts it into words.
type Remark interface{ remark() }

type (
	// Told is in the words of whoever gave the value.
	Told string
	// Assumed: none was given.
	Assumed struct{}
	// NoReceiver: the antenna itself is sampled.
	NoReceiver struct{}
	// TuningAssumed: a loop's quality was given, and it is taken to be about on its tune.
	TuningAssumed struct{}
	// LoopInNoise: the loaded quality of a loop, as the noise beside the carrier shows it.
	LoopInNoise struct{ Q, U float64 }
	// KeyedByMarker: the marker itself keys what is heard, over no path.
	KeyedByMarker struct{}
	// EdgeFitted: the time constant of a carrier's edge, fitted with what is known of
	// it beforehand.
	EdgeFitted struct{}
	// FilterUntold: what the receiver's filter may be that the noise does not tell.
	FilterUntold struct{}
	// FilterInEdges: the edges of a carrier are not of the form that a wide filter leaves.
	FilterInEdges struct{}
	// SinceTicks: how a path may have drifted since the middle of the ticks.
	SinceTicks struct{}
	// AllTogether: of all recordings that are combined.
	AllTogether struct{}
	// OneShape: marker and reference are pulses of one shape, and what is in doubt
	// is common to them but for AlikeShare.
	OneShape struct{}
	// PathComputed: the path delay is computed.
	PathComputed struct {
		First string // mode that is most likely the first arrival
		// BySpacing is the probability of First where the spacing of the arrivals
		// told it; 0: there was but one.
		BySpacing float64
		BySky     Sky     // on long wave, as the recording tells it; else nothing
		From      []Share // what its uncertainty comes from, but for trifles
	}
)

// Share is what a cause has in a variance.
type Share struct {
	Cause string
	Share float64 // of 1
}

func (Told) remark()          {}
func (Assumed) remark()       {}
func (NoReceiver) remark()    {}
func (TuningAssumed) remark() {}
func (LoopInNoise) remark()   {}
func (KeyedByMarker) remark() {}
func (EdgeFitted) remark()    {}
func (FilterUntold) remark()  {}
func (FilterInEdges) remark() {}
func (SinceTicks) remark()    {}
func (AllTogether) remark()   {}
func (OneShape) remark()      {}
func (PathComputed) remark()  {}
