package station

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"
)

//go:embed stations.toml
var builtinTOML []byte

var builtin = sync.OnceValue(func() []Station {
	all, err := Load(bytes.NewReader(builtinTOML))
	if err != nil {
		panic("stations.toml: " + err.Error()) // a mistake in the embedded table; tests load it
	}
	return all
})

// Builtin returns the stations this program knows. The caller may change the
// returned structs, but not what their slices hold.
func Builtin() []Station {
	return append([]Station(nil), builtin()...)
}

// Find returns a copy of the built-in station with this call sign, in either
// case.
func Find(id string) (*Station, bool) {
	for _, s := range builtin() {
		if strings.EqualFold(s.ID, id) {
			return &s, true
		}
	}
	return nil, false
}

// Load reads stations from TOML: an array of tables [[station]] with the
// fields of Station. Unknown fields are refused, and so is a value that cannot
// be true of a station; the error then names line, station and field.
func Load(r io.Reader) ([]Station, error) {
	text, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	var file struct {
		Stations []Station `toml:"station"`
	}
	meta, err := toml.Decode(string(text), &file)
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "toml: ")) // starts with the line
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		key := unknown[0]
		line := lineOf(text, 0, "", 0, key[len(key)-1])
		return nil, fmt.Errorf("line %d: unknown field %s", line, key)
	}
	if len(file.Stations) == 0 {
		return nil, errors.New("no [[station]] in it")
	}
	seen := map[string]bool{}
	for i := range file.Stations {
		s := &file.Stations[i]
		wrong := s.check()
		if wrong == nil && seen[s.ID] {
			wrong = &fieldError{key: "id", problem: "is used twice"}
		}
		if wrong != nil {
			line := lineOf(text, i+1, wrong.table, wrong.index, wrong.key)
			return nil, fmt.Errorf("line %d: station %q: %w", line, s.ID, wrong)
		}
		seen[s.ID] = true
	}
	return file.Stations, nil
}

// fieldError is a value that cannot be true of a station.
type fieldError struct {
	table   string // array table within the station, "" for the station itself
	index   int    // which of them, from 1
	key     string
	problem string
}

func (e *fieldError) Error() string {
	if e.table == "" {
		return e.key + " " + e.problem
	}
	if e.index == 0 {
		return e.table + "." + e.key + " " + e.problem
	}
	return fmt.Sprintf("%s %d: %s %s", e.table, e.index, e.key, e.problem)
}

// checker collects the first thing that is wrong.
type checker struct {
	table string
	index int
	first *fieldError
}

func (c *checker) must(ok bool, key, format string, args ...any) {
	if !ok && c.first == nil {
		c.first = &fieldError{c.table, c.index, key, fmt.Sprintf(format, args...)}
	}
}

// within demands lo ≤ v ≤ hi, which neither NaN nor an infinity meets.
func (c *checker) within(v, lo, hi float64, key, unit string) {
	c.must(v >= lo && v <= hi, key, "= %g must lie within %g to %g %s", v, lo, hi, unit)
}

func (c *checker) list(list string, last int, key string) {
	err := checkList(list, last)
	c.must(err == nil, key, "%v", err)
}

func (c *checker) minutes(list string) {
	if list != "" {
		c.list(list, 59, "minutes")
	}
}

func (c *checker) span(from, to float64) {
	c.within(from, 0, 60, "from_s", "s")
	c.within(to, 0, 60, "to_s", "s")
	c.must(from < to, "to_s", "= %g must come after from_s = %g", to, from)
}

const (
	maxToneHz    = 10e3 // highest audio frequency a station could send
	maxCarrierHz = 1e9
	maxPowerW    = 1e8
)

func (s *Station) check() *fieldError {
	c := &checker{}
	c.must(s.ID != "" && strings.Trim(s.ID, "abcdefghijklmnopqrstuvwxyz0123456789-") == "",
		"id", "must be the call sign in lower case letters and digits")
	switch s.Keying {
	case ToneBurst:
		c.must(s.ToneHz > 0, "tone_hz", "must be given for keying %q", s.Keying)
		c.within(s.ToneHz, 0, maxToneHz, "tone_hz", "Hz")
	case CarrierOn, CarrierReduced, CarrierRaised, PhaseRamps:
		c.must(s.ToneHz == 0, "tone_hz", "must be left out for keying %q: the receiver sets the pitch", s.Keying)
	default:
		c.must(false, "keying", "= %q must be %q, %q, %q, %q or %q", s.Keying, ToneBurst, CarrierOn, CarrierReduced, CarrierRaised, PhaseRamps)
	}
	c.within(s.AdvanceSeconds, -0.5, 0.5, "advance_s", "s")
	c.must(s.EmissionSeconds > 0, "emission_s", "must be given and greater than 0")
	c.within(s.EmissionSeconds, 0, 0.5, "emission_s", "s")
	c.within(s.QuietBeforeSeconds, 0, 0.5, "quiet_before_s", "s")
	c.within(s.QuietAfterSeconds, 0, 0.5, "quiet_after_s", "s")
	c.must(s.Depth > 0, "depth", "must be given and greater than 0")
	c.within(s.Depth, 0, 1, "depth", "(1 is full modulation)")
	c.must(len(s.Marks) > 0, "mark", "must be given: without marks there is nothing to time")
	c.must(len(s.Carriers) > 0, "carrier", "must be given at least once")
	s.checkTables(c)
	return c.first
}

func (s *Station) checkTables(c *checker) {
	for i, m := range s.Marks {
		c.table, c.index = "mark", i+1
		c.list(m.Seconds, 60, "seconds")
		c.minutes(m.Minutes)
		c.within(m.Length, 0, 1, "length_s", "s")
		for _, l := range m.CodedLengths {
			c.must(l > 0, "coded_lengths_s", "must be greater than 0")
			c.within(l, 0, 1, "coded_lengths_s", "s")
		}
		c.within(m.ToneHz, 0, maxToneHz, "tone_hz", "Hz")
		c.within(m.Split, 0, 1-m.Length, "split_s", "s")
	}
	for i, e := range s.Carriers {
		c.table, c.index = "carrier", i+1
		c.must(e.Hz > 0, "hz", "must be given and greater than 0")
		c.within(e.Hz, 0, maxCarrierHz, "hz", "Hz")
		c.within(e.Lat, -90, 90, "lat", "degrees")
		c.within(e.Lon, -180, 180, "lon", "degrees")
		c.within(e.PowerW, 0, maxPowerW, "power_w", "W")
		if e.HoursUTC != "" {
			_, err := parseHours(e.HoursUTC)
			c.must(err == nil, "hours_utc", "%v", err)
		}
		if e.SilentUTC != "" {
			day, hours, _ := strings.Cut(e.SilentUTC, " ")
			_, err := parseHours(hours)
			c.must(err == nil && slices.Contains([]string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"}, day), "silent_utc", "%q is no day with hours such as Tue 06:00-11:00", e.SilentUTC)
		}
	}
	for i, b := range s.Blocks {
		c.table, c.index = "block", i+1
		c.must(0 <= b.From && b.From < b.To && b.To <= 60, "to", "= %d must come after from = %d, both within 0 to 60", b.To, b.From)
	}
	for i, t := range s.Tones {
		c.table, c.index = "tone", i+1
		c.must(t.Hz > 0, "hz", "must be given and greater than 0")
		c.within(t.Hz, 0, maxToneHz, "hz", "Hz")
		c.within(t.Depth, 0, 1, "depth", "(1 is full modulation)")
		c.minutes(t.Minutes)
		c.span(t.FromSeconds, t.ToSeconds)
	}
	for i, v := range s.Voices {
		c.table, c.index = "voice", i+1
		c.within(v.Depth, 0, 1, "depth", "(1 is full modulation)")
		c.minutes(v.Minutes)
		c.span(v.FromSeconds, v.ToSeconds)
	}

	c.table, c.index = "sounding", 0
	if s.Sounding.Kind != "" {
		c.must(slices.Contains(SoundingKinds, s.Sounding.Kind), "kind", "= %q must be %s or left out", s.Sounding.Kind, strings.Join(SoundingKinds, ", "))
		c.must(0 <= s.Sounding.Minute && s.Sounding.Minute < 60, "minute", "= %d must lie within 0 to 59", s.Sounding.Minute)
		c.within(s.Sounding.FromSeconds, 0, 60, "from_s", "s")
		c.must(s.Sounding.Depth > 0, "depth", "must be given and greater than 0")
		c.within(s.Sounding.Depth, 0, 1, "depth", "(1 is full modulation)")
	}

	c.table, c.index = "dut1", 0
	switch s.DUT1.Style {
	case "", "none", "lengthened":
		c.within(s.DUT1.SpacingSeconds, 0, 1, "spacing_s", "s")
	case "doubled", "split":
		c.must(s.DUT1.SpacingSeconds > 0, "spacing_s", "must be given for style %q", s.DUT1.Style)
		c.within(s.DUT1.SpacingSeconds, 0, 1, "spacing_s", "s")
	default:
		c.must(false, "style", "= %q must be doubled, split, lengthened or none", s.DUT1.Style)
	}
	c.within(s.DUT1.LengthSeconds, 0, 1, "length_s", "s")

	c.table = "edge"
	if s.LongWave() && s.Keying != PhaseRamps {
		c.must(s.Edge.TauSeconds > 0, "tau_s", "must be given for keying %q", s.Keying)
		c.within(s.Edge.TauSeconds, 0, 0.02, "tau_s", "s")
		c.within(s.Edge.TauFactor, 1, 10, "tau_factor", "")
	}
	c.within(s.Edge.OnTime, 0, 0.99, "on_time", "of the change")
	c.table = "phase"
	c.must(s.Phase.Kind == "" || slices.Contains(PhaseKinds, s.Phase.Kind), "kind", "= %q must be one of %s or left out", s.Phase.Kind, strings.Join(PhaseKinds, ", "))
	c.must((s.Phase.Kind == "ramps") == (s.Keying == PhaseRamps), "kind", "and keying must both be of ramps, or neither")
	c.must(s.Phase.Kind == "" || s.Phase.Kind == Unpublished || s.Phase.Radians > 0, "deviation_rad", "must be given with a kind")
	c.within(s.Phase.Radians, 0, math.Pi, "deviation_rad", "rad")

	c.table = "code"
	c.must(s.Code.Kind == "" || slices.Contains(CodeKinds, s.Code.Kind),
		"kind", "= %q must be one of %s or left out", s.Code.Kind, strings.Join(CodeKinds, ", "))
	c.within(s.Code.ToneHz, 0, maxToneHz, "tone_hz", "Hz")
	c.within(s.Code.Depth, 0, 1, "depth", "(1 is full modulation)")
	c.within(s.Code.LowDepth, 0, 1, "low_depth", "(1 is full modulation)")
}

// lineOf finds the line of a key, or of the nearest heading above where it
// should stand. The TOML decoder does not tell positions of valid values, so
// this reads headings and keys at the start of lines; in a file that writes
// tables inline it points at the station's heading. station counts from 1 (0:
// anywhere), index counts the tables of that name within the station (0: a
// single table).
func lineOf(text []byte, station int, table string, index int, key string) int {
	best, stations, tables, inTable := 1, 0, 0, ""
	line := 0
	for raw := range bytes.Lines(text) {
		line++
		l := strings.TrimSpace(string(raw))
		if strings.HasPrefix(l, "[") {
			heading := strings.Trim(strings.TrimSpace(strings.SplitN(l, "#", 2)[0]), "[] ")
			inTable = strings.TrimPrefix(strings.TrimPrefix(heading, "station"), ".")
			if heading == "station" {
				stations++
				tables = 0
			} else if inTable == table {
				tables++
			}
			if stations == station && (inTable == "" || inTable == table && (index == 0 || tables == index)) {
				best = line
			}
			continue
		}
		name, _, ok := strings.Cut(l, "=")
		if !ok || strings.Trim(strings.TrimSpace(name), `"'`) != key {
			continue
		}
		if station == 0 || stations == station && inTable == table && (index == 0 || tables == index) {
			return line
		}
	}
	return best
}
