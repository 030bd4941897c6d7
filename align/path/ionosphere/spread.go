package ionosphere

import "time"

// F2Deciles are the lower and upper deciles of foF2 over its monthly median at
// p, day to day (fitted to Rec. ITU-R P.1239-3, tables 2 and 3).
func F2Deciles(p *Place, t time.Time, localHours, r12 float64) (low, high float64) {
	share := min(r12, maxSunspots) / 100
	x := LatitudeMeasure(p.Lat)
	low = Embedded().local(PartLowDecile, p.Lat >= 0, t, localHours, x, 1, share)
	high = Embedded().local(PartHighDecile, p.Lat >= 0, t, localHours, x, 1, share)
	return max(0.5, min(0.95, low)), max(1.05, min(1.6, high))
}
