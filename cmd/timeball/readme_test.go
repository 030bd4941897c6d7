package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"timeball/capture/simulate"
	"timeball/capture/soundcard"
)

// TestReadmesDemo: the README shows what the demo's two recordings are found to say.
func TestReadmesDemo(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile("testdata/script/demo.txtar")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`(?m)^stdout '\^gannet-head.*the local clock is behind UTC by (.*) \\\(95 %\\\): advance it\$'$`).FindAllStringSubmatch(string(script), -1)
	if len(found) != 2 {
		t.Fatalf("%d recordings in the script", len(found))
	}
	for _, f := range found {
		if offset := strings.ReplaceAll(f[1], `\`, ""); !strings.Contains(string(readme), offset) {
			t.Errorf("the README has no %q", offset)
		}
	}
}

// The README's worked session, and what it says of keeping the clock, command by command
// as they are written there, with something to hear at the input.
func TestReadmesSession(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("XDG_DATA_HOME", home)
	t.Chdir(home)

	const pathSeconds = 0.0253 // of WWV to Gannet Head, nearly
	wired := simulate.Config{Marker: &simulate.Marker{OffsetSeconds: 0.1}, Wire: &simulate.Marker{OffsetSeconds: 0.1}}
	heard := simulate.Config{Station: aStation(t, "wwv"), SNRdB: 20, Marker: &simulate.Marker{OffsetSeconds: 12e-3}}
	if heard.Paths, err = simulate.Channel("steady", pathSeconds); err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC)
	// run is a command, to which an input brings some seconds of something.
	run := func(c simulate.Config, args ...string) string {
		t.Helper()
		c.Rate, c.Seconds, c.Start, c.Seed = 8000, 15, start, 1
		start = start.Add(10 * time.Minute)
		var out, errs bytes.Buffer
		code := (&program{t.Context(), strings.NewReader(""), &out, &errs, func(context.Context, soundcard.Settings) (closer, error) {
			src, err := simulate.New(c)
			return closing{src}, err
		}}).run(args)
		if code != exitOK {
			t.Errorf("%q: status %d\n%s%s", args, code, &out, &errs)
		}
		return out.String() + errs.String()
	}
	word := regexp.MustCompile(`"[^"]*"|\S+`)
	session := func(heading string) (commands [][]string) {
		_, section, ok := strings.Cut(string(readme), "\n## "+heading+"\n")
		if !ok {
			t.Fatalf("no %q", heading)
		}
		section, _, _ = strings.Cut(section, "\n##")
		for line := range strings.Lines(section) {
			line, isCommand := strings.CutPrefix(line, "    timeball ")
			if !isCommand {
				continue
			}
			line, _, _ = strings.Cut(line, " #")
			for command := range strings.SplitSeq(line, "&& timeball") {
				var args []string
				for _, w := range word.FindAllString(command, -1) {
					args = append(args, strings.Trim(w, `"`))
				}
				commands = append(commands, args)
			}
		}
		return commands
	}
	var weeks strings.Builder // a fix each day
	for day := range 20 {
		fmt.Fprintf(&weeks, `{"schema":"timeball.fix/1","recording":{"path":"%d.wav"},"verdict":"fix","offset_s":%g,"u_s":1e-4,"at":%q,"stations":[]}`+"\n",
			day, 3e-4*float64(day), start.AddDate(0, 0, 1+day).Format(time.RFC3339))
	}
	if err := os.WriteFile("weeks.jsonl", []byte(weeks.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	said := run(heard, "log", "import", "weeks.jsonl")
	for _, args := range append(session("A worked session"), session("Keeping the clock")...) {
		switch args[0] {
		case "begin": // has a test of its own: TestBeginLeadsToAFix
		case "calibrate":
			said += run(wired, args...)
		case "combine": // of another carrier, too
			run(heard, "listen", "--input=2", "--station=wwv", "--carrier=5MHz", "--at=50.2,-5.6", "--record=evening-5MHz.wav")
			said += run(heard, args...)
		default:
			said += run(heard, args...)
		}
	}
	for _, want := range []string{
		"Recommended: ", "good marker ", "skew", "ahead of UTC by 1", "evening.png",
		"logged as entry 21 ", "2 recordings together: ", "It gains ",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in\n%s", want, said)
		}
	}
	for _, file := range []string{"evening.wav", "evening.png", "rate.png", "binder.html", "year.jsonl"} {
		if _, err := os.Stat(file); err != nil {
			t.Error(err)
		}
	}
}
