package main

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/capture"
)

// A recording that listen makes holds the flags that its measurement was told,
// so that years later it gives the same result, whatever the settings and
// calibrations are by then. What is given on the command line comes before it.

// recorded are the flags as a recording holds them: name=value, one after the
// other, with the delays that s was measured with.
func (f *measureFlags) recorded(s align.Settings) string {
	list := []string{"station=" + strings.Join(f.Station, ",")}
	add := func(name, value string) { list = append(list, name+"="+value) }
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	measured := func(q align.Quantity) string { return number(q.Value) + "s±" + number(1.96*q.U) + "s" }
	if f.Carrier > 0 {
		add("carrier", number(float64(f.Carrier))+"Hz")
	}
	if f.At != nil {
		add("at", number(f.At.Lat)+","+number(f.At.Lon))
	}
	if f.Sunspots != nil {
		add("sunspots", number(s.Sunspots)+"old")
	}
	for _, d := range f.PathDelay {
		name := ""
		if d.id != "" {
			name = d.id + "="
		}
		add("path-delay", name+measured(s.PathDelays[d.id]))
	}
	if s.ReceiverDelay != nil {
		add("receiver-delay", measured(*s.ReceiverDelay))
	}
	if s.Skew != nil {
		add("skew", measured(*s.Skew))
	}
	for name, n := range map[string]int{"receiver-channel": f.ReceiverChannel, "marker-channel": f.MarkerChannel} {
		if n > 0 {
			add(name, strconv.Itoa(n))
		}
	}
	add("marker-edge", f.MarkerEdge)
	return strings.Join(list, " ")
}

// given are the names of the flags that stand on the command line.
func given(ctx *kong.Context) map[string]bool {
	names := map[string]bool{}
	for _, p := range ctx.Path {
		if p.Flag != nil && !p.Resolved {
			names[p.Flag.Name] = true
		}
	}
	return names
}

// settingsFor are the settings for a recording: what it holds stands in place of what
// the command line, whose flags are given, leaves open, and of today's calibration;
// used are the flags that were taken from it.
func (f measureFlags) settingsFor(info capture.Info, given map[string]bool, file calibrationFile) (s align.Settings, used []string, err error) {
	if info.Settings == "" {
		f.readNote(info.Note)
	} else if f, used, err = f.with(info.Settings, given); err != nil {
		return s, nil, fmt.Errorf("%s: %w", info.Name, err)
	} else {
		file = ""
	}
	s, err = f.settings(file)
	return s, used, err
}

// with returns the flags with those that a recording holds.
func (f measureFlags) with(recorded string, given map[string]bool) (flags measureFlags, used []string, err error) {
	var args []string
	holds := map[string]bool{}
	for _, a := range strings.Fields(recorded) {
		if name, _, _ := strings.Cut(a, "="); !given[name] {
			args = append(args, "--"+a)
			holds[name] = true
		}
	}
	type set struct {
		measureFlags `embed:""`
	}
	held, taken := new(set), &set{f}
	parser, err := kong.New(held, kong.Exit(func(int) {}), kong.WithHyphenPrefixedParameters(true))
	if err != nil {
		panic(err) // a mistake in the flags
	}
	if _, err := parser.Parse(args); err != nil {
		return f, nil, fmt.Errorf("its note of the settings is damaged (%w): name what holds on the command line", err)
	}
	into, err := kong.New(taken)
	if err != nil {
		panic(err)
	}
	for k, flag := range parser.Model.Flags {
		if holds[flag.Name] { // the others have their defaults
			into.Model.Flags[k].Target.Set(flag.Target)
		}
	}
	for _, a := range args {
		used = append(used, strings.TrimPrefix(a, "--"))
	}
	f = taken.measureFlags
	return f, used, f.check()
}

// What the note of a recording says of carrier and place.
var (
	notedCarrier = regexp.MustCompile(`(?:^|; )carrier ([0-9.]+ MHz)`)
	notedPlace   = regexp.MustCompile(`(?:^|; )place (-?[0-9.]+)°, (-?[0-9.]+)°`)
)

// readNote takes carrier and place from the note of a recording that holds no
// settings, where they were not given.
func (f *measureFlags) readNote(note string) {
	if m := notedCarrier.FindStringSubmatch(note); m != nil && f.Carrier == 0 {
		_ = f.Carrier.UnmarshalText([]byte(m[1]))
	}
	if m := notedPlace.FindStringSubmatch(note); m != nil && f.At == nil {
		var at place
		if at.UnmarshalText([]byte(m[1]+","+m[2])) == nil {
			f.At = &at
		}
	}
}
