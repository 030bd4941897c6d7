package main

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"pgregory.net/rapid"
)

// writeFile writes text to a new file and returns its path.
func writeFile(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// anyFlags has a flag of each kind that commands have.
type anyFlags struct {
	Station    string
	At         string
	PathDelay  []string
	Seconds    []float64
	For        time.Duration
	SampleRate int
	Gain       float64
	JSON       bool `name:"json"`
	Start      time.Time
	Edge       string `enum:"rising,falling,auto" default:"auto"`
	Record     string `required:""`
}

// parse parses args with the settings in file.
func parse(t testing.TB, file string, args ...string) (anyFlags, error) {
	t.Helper()
	var flags anyFlags
	parser, err := kong.New(&flags, kong.WithBeforeResolve(func(ctx *kong.Context) error {
		set, err := readSettings(file)
		if err != nil {
			return err
		}
		return set.apply(ctx)
	}))
	if err != nil {
		t.Fatal(err)
	}
	_, err = parser.Parse(args)
	return flags, err
}

func TestSettings(t *testing.T) {
	file := writeFile(t, "config.toml", `
# The master clock at Gannet Head.
station = "wwv,chu"
at = [50.1, -3.25]
path-delay = ["wwv=7.2ms±0.3ms", "chu=9ms"]
seconds = [1, 2.5]
for = "2m"
sample-rate = 96000
gain = 1
json = true
start = 2026-03-14T18:20:07Z
"edge" = "rising"
record = "a.wav"
`)
	got, err := parse(t, file, "--sample-rate=48000", "--edge=falling")
	if err != nil {
		t.Fatal(err)
	}
	if got.Station != "wwv,chu" || got.At != "50.1,-3.25" || got.For != 2*time.Minute || got.Gain != 1 ||
		!got.JSON || got.Record != "a.wav" || !got.Start.Equal(time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC)) {
		t.Errorf("%+v", got)
	}
	if len(got.PathDelay) != 2 || got.PathDelay[0] != "wwv=7.2ms±0.3ms" || got.PathDelay[1] != "chu=9ms" {
		t.Errorf("path-delay %q", got.PathDelay)
	}
	if len(got.Seconds) != 2 || got.Seconds[1] != 2.5 {
		t.Errorf("seconds %v", got.Seconds)
	}
	if got.SampleRate != 48000 || got.Edge != "falling" {
		t.Errorf("the file goes before the command line: %+v", got)
	}
}

// Text in a file reaches its flag unchanged. (A backslash escapes, as on the command line.)
func TestSettingsText(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		one := rapid.StringMatching(`[^\x00-\x1f\x7f'\\]+`).Draw(rt, "one")
		two := rapid.StringMatching(`[^\x00-\x1f\x7f'\\]+`).Draw(rt, "two")
		file := writeFile(t, "config.toml", "station = '"+one+"'\npath-delay = ['"+one+"', '"+two+"']\nrecord = 'a'\n")
		got, err := parse(t, file)
		if err != nil {
			rt.Fatal(err)
		}
		if got.Station != one || len(got.PathDelay) != 2 || got.PathDelay[0] != one || got.PathDelay[1] != two {
			rt.Errorf("%+v", got)
		}
	})
}

func TestSettingsWrong(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", "sample-rate = 48000\n\nstaton = 'wwv'\n", ":3: staton: there is no such setting"},
		{"unknown table", "sample-rate = 48000\n[ record-settings ]\nx = 1\n", ":2: record-settings: there is no such setting"},
		{"not TOML", "sample-rate = 48000\nat = 50.1 N\n", ":2: "},
		{"twice", "sample-rate = 48000\nsample-rate = 1\n", ":2: "},
		{"wrong type", "# sample-rate = 1\n  sample-rate = \"fast\"\n", ":2: sample-rate: "},
		{"not whole", "sample-rate = 48000.5\n", ":1: sample-rate: "},
		{"no duration", "\nfor = 2\n", ":2: for: "},
		{"no truth value", "json = 'maybe'\n", ":1: json: "},
		{"table for a value", "[sample-rate]\nhz = 1\n", ":1: sample-rate: a setting is text"},
		{"table in an array", "path-delay = [{id = 'wwv'}]\n", ":1: path-delay: a setting is text"},
		{"no such choice", "edge = 'up'\n", ":1: edge: choose one of rising,falling,auto"},
		{"of no use in a file", "config = 'b.toml'\n", ":1: config: there is no such setting"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := writeFile(t, "config.toml", c.text)
			got, err := parse(t, file, "--record=a.wav")
			if err == nil {
				t.Fatalf("taken: %+v", got)
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v", err)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
		})
	}
}

// runWith runs a command line and returns its status and output.
func runWith(t testing.TB, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(t.Context(), args, strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

// The file in the configuration folder is read unless --config names another.
func TestSettingsFile(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("HOME", home)
	broken := writeFile(t, "broken.toml", "sample-rate = 48000\nrate =\n")
	args := []string{"record", "--record=nowhere/a.wav", "--sample-rate=1"} // never gets to the sound card

	if status, _, errs := runWith(t, args...); status != exitUsage || !strings.Contains(errs, "--sample-rate 1") {
		t.Errorf("no file: %d, %s", status, errs)
	}
	if status, _, errs := runWith(t, append(args, "--config=/nowhere.toml")...); status == exitOK || !strings.Contains(errs, "/nowhere.toml") {
		t.Errorf("no such file: %d, %s", status, errs)
	}
	if status, _, errs := runWith(t, append(args, "--config="+broken)...); status == exitOK || !strings.Contains(errs, broken+":2: ") {
		t.Errorf("broken file: %d, %s", status, errs)
	}

	folder := filepath.Join(home, "timeball")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, "config.toml")
	if err := os.WriteFile(path, []byte("\nchannels = 77\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := runWith(t, "record", "--record=nowhere/a.wav"); status != exitUsage || !strings.Contains(errs, "--channels 77") {
		t.Errorf("file in the folder: %d, %s", status, errs)
	}
	other := writeFile(t, "other.toml", "channels = 78\n")
	if status, _, errs := runWith(t, "record", "--record=nowhere/a.wav", "--config="+other); status != exitUsage || !strings.Contains(errs, "--channels 78") {
		t.Errorf("file named: %d, %s", status, errs)
	}
	if err := os.WriteFile(path, []byte("chanels = 77\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := runWith(t, "record", "--record=a.wav"); status == exitOK || !strings.Contains(errs, path+":1: chanels") {
		t.Errorf("broken file in the folder: %d, %s", status, errs)
	}
	if status, out, errs := runWith(t, "record", "--help"); status != exitOK || !strings.Contains(out, "--record") {
		t.Errorf("help with a broken file: %d, %s", status, errs)
	}
}

// Every flag of every command can be set in the file, to what it would be on
// the command line.
func TestEveryFlagHasASetting(t *testing.T) {
	samples := []string{"true", "false", "18:20:41@12.5s", "7", "90s", "a.wav", "wwv", "clockwise", "wwv=7.2ms", "10MHz", "2026-03-14T18:20:07Z", "50.2,-5.6", "0.4ms±0.1ms",
		"Europe/London", "60s=12ms", "50", "44100", "285km", "sea"}
	// value is a flag's after a command was given args.
	value := func(args []string, flag string) (any, error) {
		var cli commands
		parser, err := kong.New(&cli, kong.Exit(func(int) { t.Fatalf("%q exits", args) }))
		if err != nil {
			t.Fatal(err)
		}
		ctx, err := parser.Parse(args)
		var parse *kong.ParseError
		if errors.As(err, &parse) {
			ctx = parse.Context
		}
		for _, f := range ctx.Flags() {
			if f.Name == flag {
				return f.Target.Interface(), err
			}
		}
		t.Fatalf("%q has no --%s", args, flag)
		return nil, nil
	}
	empty := writeFile(t, "empty.toml", "")
	var cli commands
	parser, err := kong.New(&cli)
	if err != nil {
		t.Fatal(err)
	}
	type flag struct {
		name string
		of   reflect.Type
	}
	seen := map[flag]bool{} // many are of several commands
	for _, command := range parser.Model.Leaves(false) {
		var args []string
		for n := command; n.Type == kong.CommandNode; n = n.Parent {
			args = append([]string{n.Name}, args...)
		}
		for _, p := range command.Positional {
			if p.Required {
				args = append(args, "7")
			}
		}
		for _, group := range command.AllFlags(false) {
			for _, f := range group {
				one := flag{f.Name, f.Target.Type()}
				if f.Name == "help" || f.Name == "version" || f.Name == "config" || seen[one] { // the first two end the program
					continue
				}
				seen[one] = true
				plain, _ := value(append(slices.Clone(args), "--config="+empty), f.Name)
				if !slices.ContainsFunc(append(slices.Collect(maps.Keys(f.EnumMap())), samples...), func(sample string) bool {
					want, err := value(append(slices.Clone(args), "--config="+empty, "--"+f.Name+"="+sample), f.Name)
					if err != nil && strings.Contains(err.Error(), "--"+f.Name+":") || reflect.DeepEqual(want, plain) {
						return false // not one of this flag's
					}
					file := writeFile(t, "one.toml", fmt.Sprintf("%s = %q\n", f.Name, sample))
					got, err := value(append(slices.Clone(args), "--config="+file), f.Name)
					if !reflect.DeepEqual(got, want) {
						t.Errorf("%s, %s = %q: %v, want %v (%v)", command.Path(), f.Name, sample, got, want, err)
					}
					return true
				}) {
					t.Errorf("%s: no sample is a value of --%s", command.Path(), f.Name)
				}
			}
		}
	}
	t.Logf("%d flags", len(seen))
}
