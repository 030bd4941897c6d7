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
// which have a longer mark, which a long mark's length or a split one. Three
// explanations have the same sounds and the same likelihoods of them, and differ in
// what they say of their order (Listener.Order):
//
//	S    second n has the sound of the station's second n−k; k is unknown
//	U1   each second has its sound at random, with shares that are learnt here
//	U2   each place of a period that divides a minute has one sound for good, drawn with
//	     shares learnt here
//
//	Λ = log mean over tempers of  mean over k S(k) / (U1 + ε·U2)
//
// For given shares w and whatever scores f, sounds drawn from w at random have
// E Π f(c)/Σ w·f = 1; taking the greatest w lowers Λ. So of things in random order no
// more than exp(−Λ) come so high, at one look and place. For things with a period of
// their own there is no such bound, only that they must resemble this station's: ε is
// what is thought beforehand of meeting one of each. What can be won against U1 grows by 60·H a
// minute, H the entropy of the station's sounds; what can be won against U2 is won once:
// 60·H − ln 60 − ln ε, as 14.3 for a station of ticks with two omitted and a long mark,
// but 5.6 for one of ticks and a long mark alone. Such a one is known by form and order
// together, or not at all.
//
// A mark that begins with a tick is as strong as the ticks about it, or not much weaker: where
// those are clear, a mark that breaks off early or does not sound at all is missed. For S
// alone a tile of the mark so has the less likely of the scores with a known least strength
// and without, which leaves the bound as it is.
//
// A name given by a person stands in for order while too little of it can have been heard.
// How much is due, had the station's minute been as loud as its ticks, is known from those
// (Due). When it would make a station known and Λ is hardly more than nought, a name does not
// help unless Kept is high. Weaker ticks, and those with another station's among them, are known by Kept: the
// same station's order against its own sounds at random or all alike, with all else that
// may be heard the same. U1 and U2 are free to learn what else sounds beneath, and shares
// and spectra that are learnt fit chance a little, so that in noise Λ sinks by some units
// in ten minutes.
//
// A thing whose minute is nearly the station's is told by what it lacks (Least): of a tick
// that is not omitted, or a mark of 0.2 s for one of 0.3 s, most speaks for the station,
// and only that part against it, in each minute anew. Of the station's own recordings, for
// each of its parts, no more than exp(Least) come so low (Markov's inequality for a
// likelihood ratio).
//
// The inequality is that of universal inference (Wasserman, Ramdas and Balakrishnan
// 2020, from memory).
package recognise
