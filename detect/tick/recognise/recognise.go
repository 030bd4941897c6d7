// Package recognise tells a time station's ticks from everything else that repeats.
//
// # Two explanations
//
// What is heard at one place of every second may be a station's tick, or something
// unknown that repeats each second, or divides it. No list of such things is kept:
// the unknown thing is learnt from the recording, and the station must explain the
// recording better. Two halves of the evidence are weighed, and their log likelihood
// ratios added.
//
// # Form
//
// A station's tick is a burst of one tone through a short channel and a detector, and
// nothing else on the air belongs to it. Anything else that repeats is most likely not
// so confined: a sweep is at 600 Hz before it is at 1000, music sounds at other notes
// and on other beats, steady carriers beat at all times of the second. So the power of
// all of the audio is folded at the second, in cells of time and frequency, for two
// halves of the seconds apart (Band). Let x and y be a cell's excess over what is about
// it in the one half and in the other. Their noise is independent, so that
//
//	C = Σ (x·max(y,0) + y·max(x,0)) / 2
//
// over any set of cells has the mean Σ s² for repeated sounds s and zero for noise:
// it is how well each half predicts the other. Under noise (x·y⁺+y·x⁺)/2 has the
// variance (3/8)σx²σy²: E[x²]E[(y⁺)²]/4 = 1/8 twice, and twice the mixed term,
// E[x·x⁺]²/4 = 1/16. C of the cells beside the tick (at the other frequencies near in
// time; at its own at other times) is compared with C of the tick's own cells: a tick
// is not alone when they predict at least half as well as it does, four standard
// deviations of noise taken off, and it is alone when with four added they do not.
// By chance alone noise passes four standard deviations in 3 of 100 000 looks. Where
// other stations' tones lie is left out: they too tick each second.
//
// # Order
//
// The second half is the order of sounds in the minute: which seconds have no tick,
// which have a longer mark, which a long mark's length or a split one. Two explanations
// have the same likelihoods of the sounds and differ in what they say of their order
// (Listener.Order):
//
//	S  second n has the sound of the station's second n−k; k is unknown
//	U  something unknown goes through sounds of its own, over and over or at random
//
// U is one mixture (unknown.go). Its period is any that divides two minutes, or none. Each
// place of the period has one sound, of all that the tiles can tell or of tiles that sound
// each by themselves; what the places before had says how likely each is for the next. So
// no sound, share or period is fitted to what it has to explain: each is predicted from
// what was heard before, and its price is what is lost while that is learnt. A thing that
// is alike each second, or has a mark or an omission of its own each ten seconds, half
// minute, minute or two, is soon explained by U better than by S, which misses the
// station's own marks; and a station by S better than by U, to which each of its marks was
// a surprise once. Of a thing that is as U has it the likelihoods of S exceed those of U by
// a factor x in one of x recordings (Markov's inequality), and the other way round.
//
// Both are mixtures too over how far the likelihoods of ticks and of tones are trusted.
//
// A mark that begins with a tick is as strong as the ticks about it, or not much weaker: where
// those are clear, a mark that breaks off early or does not sound at all is missed. For S
// alone a tile of the mark so has the less likely of the scores with a known least strength
// and without.
//
// A name given by a person, and the form, are odds beforehand, to which those of the order
// are added (package find).
package recognise
