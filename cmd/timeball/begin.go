package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"timeball/align/path"
	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/wholefile"
)

type beginCmd struct {
	At    *place      `placeholder:"LAT,LON" help:"Receiver's place, not to be asked for."`
	Input string      `placeholder:"NAME|N" help:"Sound input, not to be asked for."`
	For   string      `placeholder:"2m" help:"End the attempt by itself after this long (default: Ctrl-C ends it)."`
	Page  pageAddress `help:"Ask and show the steps, then the attempt, on a web page for this machine alone."`

	stationsFlags   `embed:""`
	ionosphereFlags `embed:""`
}

// Help is kong's long help.
func (beginCmd) Help() string {
	return `Leads through an attempt, step by step: where the receiver stands, which is kept; what to tune to now; wiring and levels; then the attempt itself. Each step shows the command it stands for, and an empty answer goes on. With --page all of it is on a web page instead, whose link is printed.

` + text.MachineryCaution + `

Example: timeball begin`
}

// settingsFile is the path of the configuration; commands get it from kong.
type settingsFile string

// guide leads a person through the steps.
type guide struct {
	*program
	in   *bufio.Reader
	page *page.Guide // nil: what is asked is asked in the terminal
}

// Run goes through the steps.
func (c *beginCmd) Run(p *program, file settingsFile) error {
	g := guide{p, bufio.NewReader(p.stdin), nil}
	listen := []string{"listen"}
	if c.Page != "" {
		pg, at, link, err := page.OpenGuide(string(c.Page))
		if err != nil {
			return err
		}
		defer pg.Close()
		g.say("page: %s", link)
		both := *p
		both.stdout, both.stderr = io.MultiWriter(p.stdout, pg), io.MultiWriter(p.stderr, pg)
		g.program, g.page = &both, pg
		listen = append(listen, "--page="+at)
	}
	g.say("1. The place. It is asked for once and kept in %s.", file)
	if err := g.place(&c.At, file); err != nil {
		return err
	}
	if c.At != nil {
		listen = append(listen, "--at="+coordinates(*c.At))
	}

	g.say("\n2. What to tune to, as it is %s UTC.", time.Now().UTC().Format("15:04"))
	tune, err := c.tune(g)
	if err != nil {
		return err
	}
	listen = append(listen, tune...)

	g.say("\n3. Wiring and levels: receiver on one channel, the clock's pulse on the other. %s", text.PulseCaution)
	input, err := c.input(g)
	if err != nil {
		return err
	}
	if err := g.levels(slices.Concat(input, tune)); err != nil {
		return err
	}

	listen = append(listen, input...)
	if c.For != "" {
		listen = append(listen, "--for="+c.For)
	}
	name := "attempt-" + time.Now().UTC().Format("20060102-150405") + ".wav"
	if answer, err := g.ask("\n4. The attempt. File to record it in [%s], or - for none: ", name); err != nil {
		return err
	} else if answer != "" {
		name = answer
	}
	if name != "-" {
		listen = append(listen, "--record="+name)
	}
	g.say("Turn the adjustment until it says stop. %s", text.MachineryCaution)
	if g.page != nil { // the attempt's own takes its place
		g.page.Close()
		g.program = p
	}
	if code := g.do(listen); code != exitOK {
		return ended(code)
	}
	return nil
}

// ended is the error for an exit status of a step, which has said why itself.
func ended(code int) error {
	if code == exitNoFix {
		return errNoFix
	}
	return errReported
}

// place asks where the receiver stands unless that is known, and keeps it.
func (g guide) place(at **place, file settingsFile) error {
	if *at != nil {
		g.say("It is %v.", **at)
		return nil
	}
	for {
		answer, err := g.ask("Latitude and longitude in degrees, north and east positive, as 50.2,-5.6 (empty: go on without): ")
		if err != nil || answer == "" {
			return err
		}
		var p place
		if err := p.UnmarshalText([]byte(answer)); err != nil {
			g.say("%v", err)
			continue
		}
		*at = &p
		return keepSetting(string(file), "at", coordinates(p))
	}
}

func coordinates(p place) string {
	return strconv.FormatFloat(p.Lat, 'f', -1, 64) + "," + strconv.FormatFloat(p.Lon, 'f', -1, 64)
}

// keepSetting adds a setting to the configuration, which has none of that name.
func keepSetting(file, key, value string) error {
	old, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("settings: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return fmt.Errorf("settings: %w", err)
	}
	return wholefile.Write(file, func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "%s = %q\n%s", key, value, old)
		return err
	})
}

// choices is how many carriers are offered.
const choices = 5

// tune says what can be heard in this hour, and asks for one.
func (c *beginCmd) tune(g guide) ([]string, error) {
	if c.At == nil {
		g.say("Without a place nothing can be said of that: any of the stations in timeball stations.")
		return nil, nil
	}
	g.say("$ timeball outlook --at=%s", coordinates(*c.At))
	all, err := c.table()
	if err != nil {
		return nil, err
	}
	request := path.OutlookRequest{Stations: all, At: c.At.LatLon, From: time.Now().UTC().Truncate(time.Hour), Hours: 1, Sunspots: c.r12(), Receiver: path.DefaultReceiver}
	if request.Maps, err = c.maps(); err != nil {
		return nil, err
	}
	slots, err := path.Outlook(request)
	if err != nil {
		return nil, err
	}
	slots = slices.DeleteFunc(slots, func(s path.Slot) bool { return s.Hearing < path.Maybe })
	slices.SortStableFunc(slots, func(a, b path.Slot) int {
		return cmp.Or(-cmp.Compare(a.Hearing, b.Hearing), cmp.Compare(a.USeconds, b.USeconds))
	})
	slots = slots[:min(len(slots), choices)]
	if len(slots) == 0 {
		g.say("Nothing is likely to be heard in this hour: see timeball outlook for a better one. All stations are listened for.")
		return nil, nil
	}
	for i, s := range slots {
		st, err := findStation(all, s.Station)
		if err != nil {
			return nil, err
		}
		g.say("%d) %s", i+1, text.Tune(st, s))
	}
	for {
		answer, err := g.ask("Which is the receiver tuned to [1]? ")
		if err != nil {
			return nil, err
		}
		n, err := strconv.Atoi(cmp.Or(answer, "1"))
		if err == nil && 1 <= n && n <= len(slots) {
			s := slots[n-1]
			return []string{"--station=" + s.Station, "--carrier=" + strings.ReplaceAll(text.Frequency(s.CarrierHz), " ", "")}, nil
		}
		g.say("Give a number from 1 to %d.", len(slots))
	}
}

// input asks for the sound input where there are several.
func (c *beginCmd) input(g guide) ([]string, error) {
	if c.Input != "" {
		return []string{"--input=" + c.Input}, nil
	}
	g.say("$ timeball inputs")
	inputs, err := soundcard.Inputs()
	if err != nil {
		return nil, err
	}
	for _, in := range inputs {
		if in.Channels > 1 {
			g.say("%d) %s, %d channels", in.Number, in.Name, in.Channels)
		}
	}
	answer, err := g.ask("Which input [the system's own]? ")
	if err != nil || answer == "" {
		return nil, err
	}
	return []string{"--input=" + answer}, nil
}

// levels checks the wiring until the person goes on.
func (g guide) levels(input []string) error {
	for {
		g.do(append([]string{"levels", "--once"}, input...))
		answer, err := g.ask("Empty: go on. Anything else: mend it and look again. ")
		if err != nil || answer == "" {
			return err
		}
	}
}

// do shows a command and runs it.
func (g guide) do(args []string) int {
	g.say("$ timeball %s", strings.Join(args, " "))
	return g.run(args)
}

func (g guide) say(format string, args ...any) { fmt.Fprintf(g.stdout, format+"\n", args...) }

// ask asks for a line; at the end of the input every answer is empty.
func (g guide) ask(format string, args ...any) (string, error) {
	if g.page != nil {
		prompt := fmt.Sprintf(format, args...)
		answer, err := g.page.Ask(g.ctx, strings.TrimSpace(prompt))
		if err != nil {
			return "", errReported
		}
		g.say("%s%s", prompt, answer)
		return answer, nil
	}
	fmt.Fprintf(g.stdout, format, args...)
	line := make(chan string, 1)
	go func() {
		l, _ := g.in.ReadString('\n')
		line <- strings.TrimSpace(l)
	}()
	select {
	case l := <-line:
		return l, nil
	case <-g.ctx.Done():
		fmt.Fprintln(g.stdout)
		return "", errReported
	}
}
