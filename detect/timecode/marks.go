package timecode

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/logsum"
)

// markCap bounds what one second's mark may say, so that interference which
// sounds like a mark is outvoted: when paths fade apart, an envelope detector
// turns a tone of 500 Hz into one of 1000 Hz that lasts the second.
const markCap = 5

// markSplatter: a tick's edges spread over hundreds of hertz.
const markSplatter = 0.02

// emphasisShare is the prior probability that a mark of seconds 1 to 16 is
// emphasised to show DUT1.
const emphasisShare = 0.2

// span is a stretch of tone in a second, ms after the onset.
type span struct{ from, to int }

// shape is what a mark sounds like; no spans: nothing.
type shape struct {
	hz    float64 // tone relative to the second marks' pitch
	spans []span
}

func (s shape) same(t shape) bool { return s.hz == t.hz && slices.Equal(s.spans, t.spans) }

// state is what a station sends at some second of some minute: one of plain,
// and, should DUT1 say so, emphasised instead.
type state struct {
	plain      []int // patterns
	emphasised int   // pattern, or -1
	unknown    bool  // nothing is known of what is sent
}

// marks weighs which mark was heard, from the station's rules.
type marks struct {
	pitch  float64 // published pitch of the second marks, Hz; 0: the receiver's
	shapes []shape // shape 0 is silence
	bands  []*band
	meters []bandMeter // in order of time

	states []state
	// rows are the distinct minutes, as the states of their seconds; row tells
	// which one a minute of the hour is, and share how many are.
	rows  [][60]int
	row   [60]int
	share []float64
	// varies tells the seconds in which not all minutes are alike.
	varies [60]bool

	bursts *bursts
	ll     []float64 // log-likelihood of each state, this second
}

// band is one tone on which marks are sent.
type band struct {
	hz    float64 // relative to the second marks' pitch
	slots slots
}

// bandMeter measures one cell of a band.
type bandMeter struct {
	band int
	meter
}

func newMarks(s station.Station) *marks {
	m := &marks{pitch: s.ToneHz, shapes: []shape{{}}}
	uses := []int{0}
	for minute := range 60 {
		var row [60]int
		for second := range row {
			st := m.stateAt(&s, minute, second)
			row[second] = m.indexOf(st)
			for len(uses) < len(m.shapes) {
				uses = append(uses, 0)
			}
			for _, p := range st.plain {
				uses[p]++
			}
			if st.emphasised >= 0 {
				uses[st.emphasised]++
			}
		}
		m.row[minute] = slices.Index(m.rows, row)
		if m.row[minute] < 0 {
			m.row[minute] = len(m.rows)
			m.rows = append(m.rows, row)
			m.share = append(m.share, 0)
		}
		m.share[m.row[minute]] += 1.0 / 60
	}
	for second := range m.varies {
		for _, row := range m.rows {
			m.varies[second] = m.varies[second] || row[second] != m.rows[0][second]
		}
	}
	m.ll = make([]float64, len(m.states))
	m.measure(uses)
	return m
}

// stateAt looks up the rules for one second of the hour.
func (m *marks) stateAt(s *station.Station, minute, second int) state {
	st := state{emphasised: -1}
	mark, ok := s.MarkAt(minute, second)
	switch {
	case s.Omitted(minute, second):
		st.plain = []int{0}
	case !ok || s.Keying == station.CarrierReduced:
		st.unknown = true
	default:
		hz := mark.ToneHz - s.ToneHz
		st.plain = []int{m.shapeOf(shape{hz, []span{{0, ms(mark.Length)}}})}
		for _, l := range mark.CodedLengths {
			st.plain = append(st.plain, m.shapeOf(shape{hz, []span{{0, ms(l)}}}))
		}
		if second >= 1 && second <= 16 {
			if part, ok := emphasis(s.DUT1, mark.Length); ok {
				st.emphasised = m.shapeOf(shape{hz, part})
			}
		}
	}
	return st
}

// emphasis is the form of a mark emphasised to show DUT1 (Rec. ITU-R TF.460);
// false when the station does not say how it does that.
func emphasis(d station.DUT1, length float64) ([]span, bool) {
	if d.Style != "doubled" && d.Style != "split" {
		return nil, false
	}
	if d.LengthSeconds > 0 {
		length = d.LengthSeconds
	}
	return []span{{0, ms(length)}, {ms(d.SpacingSeconds), ms(d.SpacingSeconds + length)}}, true
}

func ms(seconds float64) int { return int(math.Round(1000 * seconds)) }

func (m *marks) shapeOf(s shape) int {
	if i := slices.IndexFunc(m.shapes, s.same); i >= 0 {
		return i
	}
	m.shapes = append(m.shapes, s)
	return len(m.shapes) - 1
}

func (m *marks) indexOf(s state) int {
	same := func(t state) bool {
		return slices.Equal(s.plain, t.plain) && s.emphasised == t.emphasised && s.unknown == t.unknown
	}
	if i := slices.IndexFunc(m.states, same); i >= 0 {
		return i
	}
	m.states = append(m.states, s)
	return len(m.states) - 1
}

// Cells that follow an edge start afterGuard later, to leave out the smear of
// several paths; a tick's own cell takes it in.
const (
	afterGuard  = 3
	beforeGuard = 1
	longestCell = 50
	listenAfter = 100 // ms of silence heard after the last edge
)

// measure lays out the cells of every band and the patterns of every shape.
func (m *marks) measure(uses []int) {
	var cells []cell
	for _, s := range m.shapes {
		if len(s.spans) > 0 && !slices.ContainsFunc(m.bands, func(b *band) bool { return b.hz == s.hz }) {
			m.bands = append(m.bands, &band{hz: s.hz})
		}
	}
	for i, b := range m.bands {
		for _, c := range layCells(m.shapes, b.hz) {
			m.meters = append(m.meters, bandMeter{i, newMeter(c.from, c.to)})
		}
	}
	slices.SortStableFunc(m.meters, func(a, b bandMeter) int { return a.from - b.from })
	patterns := make([][]bool, len(m.shapes))
	for _, meter := range m.meters {
		cells = append(cells, meter.cell)
		for k, s := range m.shapes {
			on := s.hz == m.bands[meter.band].hz && s.on((meter.from+meter.to)/2)
			patterns[k] = append(patterns[k], on)
		}
	}
	total := 0
	for _, u := range uses {
		total += u
	}
	prior := make([]float64, len(uses))
	for k, u := range uses {
		prior[k] = float64(max(u, 1)) / float64(total)
	}
	m.bursts = newBursts(cells, patterns, prior, markCap, markSplatter)
}

func (s shape) on(at int) bool {
	return slices.ContainsFunc(s.spans, func(p span) bool { return p.from <= at && at < p.to })
}

// layCells cuts a second into cells at the edges of every shape on one tone.
func layCells(shapes []shape, hz float64) []span {
	edges := []int{0}
	for _, s := range shapes {
		if s.hz == hz {
			for _, p := range s.spans {
				edges = append(edges, p.from, p.to)
			}
		}
	}
	slices.Sort(edges)
	edges = append(edges, edges[len(edges)-1]+listenAfter)
	edges = slices.Compact(edges)

	var cells []span
	for i := range len(edges) - 1 {
		from, to := edges[i], min(edges[i+1], lastSlot)
		if to-from <= 20 {
			// A tick: its own cell reaches out on both sides.
			cells = append(cells, span{from - beforeGuard, min(to+2, lastSlot)})
			continue
		}
		if from > 0 {
			from += afterGuard
		}
		for n := (to - from + longestCell - 1) / longestCell; n > 0; n-- {
			next := from + (to-from)/n
			cells = append(cells, span{from, next})
			from = next
		}
	}
	return slices.DeleteFunc(cells, func(c span) bool { return c.to-c.from < 5 || c.to > lastSlot })
}

// shift is by how much a second's tones seem to be off their published pitch, Hz.
func (m *marks) shift(s *Second) float64 {
	if m.pitch == 0 {
		return 0
	}
	return s.ToneHz - m.pitch
}

// hear weighs the shapes a second's mark may have.
func (m *marks) hear(s *Second, out []float32) {
	for _, b := range m.bands {
		b.slots.mix(s, s.ToneHz+b.hz)
	}
	for i := range m.meters {
		meter := &m.meters[i]
		if tone, noise, ok := meter.measure(&m.bands[meter.band].slots); ok {
			m.bursts.heard(i, tone, noise)
		} else {
			m.bursts.missed(i)
		}
	}
	m.bursts.weigh(out)
}

// of is the log-likelihood of a state, given that of each shape.
func (m *marks) of(shapes []float32, st *state) float64 {
	if st.unknown {
		l := math.Inf(-1)
		for k, s := range shapes {
			l = logsum.Add(l, float64(s)+math.Log(m.bursts.prior[k]))
		}
		return l
	}
	l := plain(shapes, st)
	if st.emphasised >= 0 {
		l = logsum.Add(l+math.Log(1-emphasisShare), float64(shapes[st.emphasised])+math.Log(emphasisShare))
	}
	return l
}

// plain is the log-likelihood of a mark that is not emphasised.
func plain(shapes []float32, st *state) float64 {
	if len(st.plain) == 1 {
		return float64(shapes[st.plain[0]])
	}
	l := math.Inf(-1)
	for _, p := range st.plain {
		l = logsum.Add(l, float64(shapes[p])-math.Log(float64(len(st.plain))))
	}
	return l
}

// framing writes, for each second of the minute, the log-likelihood of the
// mark heard, the minute of the hour being unknown.
func (m *marks) framing(shapes []float32, out *[60]float32) {
	for i := range m.states {
		m.ll[i] = m.of(shapes, &m.states[i])
	}
	for second := range out {
		out[second] = float32(m.blend(second))
	}
}

// blend is the log-likelihood of a second of the minute, from those of the
// states, the minute of the hour being unknown.
func (m *marks) blend(second int) float64 {
	if !m.varies[second] {
		return m.ll[m.rows[0][second]]
	}
	l := math.Inf(-1)
	for r := range m.rows {
		l = logsum.Add(l, m.ll[m.rows[r][second]]+math.Log(m.share[r]))
	}
	return l
}

// minutes adds, for each distinct minute, what the mark heard says for it
// relative to a minute unknown.
func (m *marks) minutes(shapes []float32, second int, out []float64) {
	if !m.varies[second] {
		return
	}
	for r := range m.rows {
		i := m.rows[r][second]
		m.ll[i] = m.of(shapes, &m.states[i])
	}
	blend := m.blend(second)
	for r := range m.rows {
		out[r] += m.ll[m.rows[r][second]] - blend
	}
}

// dut1 adds what the mark heard in a second says of DUT1. The minute of the
// hour is negative when it is not known.
func (m *marks) dut1(shapes []float32, minuteOfHour, second int, n *notices) {
	if second < 1 || second > 2*dut1Limit {
		return
	}
	st := m.dut1State(minuteOfHour, second)
	if st == nil {
		return
	}
	emphasised, not := float64(shapes[st.emphasised]), plain(shapes, st)
	for i := range n.dut1Marks {
		tenths := i - dut1Limit
		if tenths > 0 && second <= tenths || tenths < 0 && second > dut1Limit && second <= dut1Limit-tenths {
			n.dut1Marks[i] += emphasised
		} else {
			n.dut1Marks[i] += not
		}
	}
}

// dut1State is the state of a second in a minute of the hour, or in any minute
// with marks when that is not known; nil when it is not the same in all of them
// or DUT1 does not show in it.
func (m *marks) dut1State(minuteOfHour, second int) *state {
	var found *state
	for r := range m.rows {
		if minuteOfHour >= 0 && m.row[minuteOfHour] != r {
			continue
		}
		st := &m.states[m.rows[r][second]]
		switch {
		case st.unknown:
		case found != nil && found != st:
			return nil
		default:
			found = st
		}
	}
	if found == nil || found.emphasised < 0 {
		return nil
	}
	return found
}
