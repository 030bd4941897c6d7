package text

// The usual cautions, the same sentence wherever one belongs. They defer to
// local codes and to people who are qualified.
const (
	PulseCaution     = "A clock's pulse can be far too strong for a sound input: bring it below one volt, isolate it where the clock is not earthed as the computer is, and connect nothing that is live with mains."
	AntennaCaution   = "Antennas attract lightning: disconnect and earth them as local codes demand, and leave them alone near a storm."
	GeneratorCaution = "Feed a generator into the receiver through an attenuator, never into an antenna, and let no transmitter share the lead."
	LoopCaution      = "Couple a generator loosely, by a short wire beside the loop, at the least level that does, and through nothing that radiates; no other antenna and no transmitter may share the lead."
	MachineryCaution = "Do not lean into running machinery, keep sleeves and leads out of it, and never lift a safety earth: what is inside is for qualified people, and local codes come first."
)
