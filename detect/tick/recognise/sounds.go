package recognise

import (
	"slices"

	"timeball/capture/station"
)

// tiles are the spans of a second, s after the mark's begin, in which a long mark
// sounds or does not. Their borders are where any station's mark or part of one ends.
type tiles [][2]float64

const (
	smear = 15e-3 // s after a border that paths and filters may fill
	ahead = 46e-3 // s before the mark in which the first tile begins
	guard = 6e-3  // s before a border in which it may already be
)

// newTiles returns the tiles that tell the marks of all stations apart.
func newTiles(all []*station.Station) tiles {
	borders := []float64{0, 1}
	add := func(s float64) {
		if s > 50e-3 && s < 1 {
			borders = append(borders, s)
		}
	}
	for _, s := range all {
		for _, l := range s.Lengths() {
			add(l)
		}
		if s.DUT1.SpacingSeconds > 0.15 {
			add(s.DUT1.SpacingSeconds)
			add(s.DUT1.SpacingSeconds + s.DUT1.LengthSeconds)
		}
	}
	slices.Sort(borders)
	t := tiles{{-ahead, -guard}}
	for i, b := range borders[1:] {
		from, to := borders[i]+smear, b-guard
		if b == 1 {
			to = b - ahead
		}
		if to-from >= 30e-3 {
			t = append(t, [2]float64{from, to})
		}
	}
	return t
}

// sound is what is heard in a second, or what might be: whether a mark begins, and at
// each of the station's tones in which tiles it sounds on.
type sound struct {
	tick bool
	tone int // index of the tone
	on   uint64
	hum  bool // a tone of the programme sounds, which distortion may bring to the marks'
}

// between is the tiles that lie between two times after the mark's begin.
func (t tiles) between(from, to float64) uint64 {
	var on uint64
	for i, tile := range t {
		if tile[0] >= from && tile[1] <= to {
			on |= 1 << i
		}
	}
	return on
}

// every is all tiles.
func (t tiles) every() uint64 { return 1<<len(t) - 1 }

// schedule is the sounds of a station by the second of the minute, as one of its
// minutes has them, and as DUT1 may change them, by their place in a listener's list.
type schedule struct{ sounds, emphasised [60]int }

// commonest is the sound of most seconds.
func (s *schedule) commonest() int {
	count, best := map[int]int{}, s.sounds[0]
	for _, id := range s.sounds {
		if count[id]++; count[id] > count[best] {
			best = id
		}
	}
	return best
}

// soundsOf lists the sounds of all minutes.
func soundsOf(minutes *[60]*schedule) (ids []int) {
	for i, s := range minutes {
		if slices.Index(minutes[:], s) < i {
			continue // as an earlier one
		}
		for second := range s.sounds {
			for _, id := range []int{s.sounds[second], s.emphasised[second]} {
				if !slices.Contains(ids, id) {
					ids = append(ids, id)
				}
			}
		}
	}
	return ids
}

// tonesOf lists the pitches of a station's marks, that of its seconds first.
func tonesOf(s *station.Station) []float64 {
	tones := []float64{s.ToneHz}
	minute := plainMinute(s)
	for second := range 60 {
		if m, ok := s.MarkAt(minute, second); ok && !slices.Contains(tones, m.ToneHz) {
			tones = append(tones, m.ToneHz)
		}
	}
	return tones
}

// scheduleOf returns what station s sends in each minute of the hour; when nobody
// knows the minute, what it sends in a plain one.
func (l *Listener) scheduleOf(s *station.Station, plain bool) *[60]*schedule {
	of := l.schedules[s]
	if of == nil {
		of = new([60]*schedule)
		for minute := range of {
			switch {
			case !plain:
				of[minute] = l.newSchedule(s, minute)
			case minute == 0:
				of[minute] = l.newSchedule(s, plainMinute(s))
			default:
				of[minute] = of[0]
			}
		}
		l.schedules[s] = of
	}
	return of
}

// newSchedule works a schedule out. A mark at a tone that is not listened to, as at the
// hour, is told from nothing by none.
func (l *Listener) newSchedule(s *station.Station, minute int) *schedule {
	tones := tonesOf(s)
	tones = tones[:min(len(tones), len(l.tones))]
	var out schedule
	ticking := ticks(s)
	for second := range 60 {
		m, ok := s.MarkAt(minute, second)
		tone := slices.Index(tones, m.ToneHz)
		if !ok || tone < 0 {
			m.Length, tone = 0, 0
		}
		// Behind a tick it is taken to be quiet: where a longer mark goes on, no tick
		// is seen.
		tick := m.Length > 0 && tone == 0 && (!ticking || m.Length < shortMark)
		hum := m.Length < shortMark && slices.ContainsFunc(s.Tones, func(t station.Tone) bool {
			return t.FromSeconds <= float64(second) && float64(second) < t.ToSeconds
		})
		plain := sound{tick: tick, tone: tone, on: l.tiles.between(0, m.Length), hum: hum}
		changed := plain
		if d := s.DUT1; d.SpacingSeconds > 0.15 && second >= 1 && second <= 16 && m.Length >= 50e-3 {
			part := m.Length
			if d.LengthSeconds > 0 {
				part = d.LengthSeconds
			}
			if d.Style == "doubled" || d.Style == "split" && m.Length > d.SpacingSeconds {
				changed.on = l.tiles.between(0, part) | l.tiles.between(d.SpacingSeconds, d.SpacingSeconds+part)
			}
		}
		out.sounds[second], out.emphasised[second] = l.list(plain), l.list(changed)
	}
	return &out
}

// list returns the place of a sound in the list of those that stations make.
func (l *Listener) list(s sound) int {
	i := slices.Index(l.sounds, s)
	if i < 0 {
		i = len(l.sounds)
		l.sounds = append(l.sounds, s)
	}
	return i
}

// ticks reports whether the station's second marks are all short.
func ticks(s *station.Station) bool {
	minute := plainMinute(s)
	for second := 1; second < 60; second++ {
		if m, ok := s.MarkAt(minute, second); ok && m.Length > shortMark {
			return false
		}
	}
	return true
}

// decoys are the sounds that something unknown may make: any the tiles can tell of
// one stretch, with a tick or without.
func (t tiles) decoys(tones int) []sound {
	var all []sound
	for tone := range tones {
		for _, tick := range []bool{false, true} {
			for i := range t {
				all = append(all, sound{tick: tick, tone: tone, on: t.every() &^ (1<<i - 1)}) // late, or all the second
				if i > 1 {
					all = append(all, sound{tick: tick, tone: tone, on: 1<<i - 2}) // of other lengths
				}
			}
		}
	}
	return append(all, sound{}, sound{tick: true})
}

// plainMinute is a minute of the hour in which the station sends second marks, not
// the hour's first.
func plainMinute(s *station.Station) int {
	for minute := 1; minute < 60; minute++ {
		for second := 1; second < 60; second++ {
			if _, ok := s.MarkAt(minute, second); ok {
				return minute
			}
		}
	}
	return 0
}
