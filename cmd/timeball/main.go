// Command timeball measures a clock's 1-PPS marker against shortwave time
// signals.
package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"golang.org/x/term"

	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

// Exit statuses, the same for every command.
const (
	exitOK     = 0 // a result
	exitFailed = 1 // a file or device failed
	exitUsage  = 2 // wrong usage
	exitNoFix  = 3 // it ran, but no trustworthy fix was found
)

// errNoFix makes run exit with exitNoFix; what there is to say has been said.
var errNoFix = errors.New("no trustworthy fix")

// errReported makes run exit with exitFailed; what there is to say has been said.
var errReported = errors.New("a part failed")

// usageError is a mistake in what the person typed.
type usageError struct{ error }

// program is what commands get from their surroundings.
type program struct {
	ctx    context.Context
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
	// sound opens a sound input.
	sound func(context.Context, soundcard.Settings) (closer, error)
}

// commands is the command line; each command stands in the file of its name.
type commands struct {
	Config  string      `placeholder:"FILE.toml" help:"Settings to use instead of those in the configuration folder."`
	Version versionFlag `help:"Say which program this is: commit, build, with or without live capture."`

	Begin     beginCmd     `cmd:"" help:"A guided start: place, what to tune to, wiring and levels, then the attempt."`
	Outlook   outlookCmd   `cmd:"" help:"Which station and carrier can be heard when, for the next day."`
	Stations  stationsCmd  `cmd:"" help:"The stations: when and how each is heard; the fields of a file of your own."`
	Path      pathCmd      `cmd:"" help:"Modes, delay and uncertainty from a station to a place at a time."`
	Inputs    inputsCmd    `cmd:"" help:"List the sound inputs."`
	Levels    levelsCmd    `cmd:"" help:"Check levels and wiring, live."`
	Calibrate calibrateCmd `cmd:"" help:"Measure the input's skew or the receiver's delay, and keep it."`
	Listen    listenCmd    `cmd:"" help:"Measure a sound input live, for setting the clock; end with a fix."`
	Record    recordCmd    `cmd:"" help:"Record a sound input without measuring."`
	Replay    replayCmd    `cmd:"" help:"Measure recordings."`
	Combine   combineCmd   `cmd:"" help:"One fix from the recordings of an evening: several carriers and stations, one clock."`
	Log       logCmd       `cmd:"" help:"List, add to, export and import the logbook."`
	Rate      rateCmd      `cmd:"" help:"Rate, ageing, stability, forecast and trim from the logbook."`
	Simulate  simulateCmd  `cmd:"" help:"Write a recording with a known truth."`
	Manual    manualCmd    `cmd:"" hidden:"" help:"Manual page and completions, for make install."`
	Schema    schemaCmd    `cmd:"" help:"JSON Schema of every object that is printed."`
	Licences  licencesCmd  `cmd:"" help:"Terms of this program and of all that is linked into it."`
}

func main() { os.Exit(start(openSound)) }

// start runs the command line on an opener of sound inputs, until it is done or
// should end.
func start(sound func(context.Context, soundcard.Settings) (closer, error)) int {
	ctx, stop := signal.NotifyContext(context.Background(), endings()...)
	defer stop()
	// Writing to who has gone is an error, not deadly. This signal itself says
	// nothing: it comes as well when a viewer of the page goes.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	var stdout io.Writer = os.Stdout
	if !view.Terminal(os.Stdout) {
		stdout = untilUnread{os.Stdout, stop}
	}
	stderr := io.Writer(os.Stderr)
	if l := os.Getenv("LC_ALL"); l == "C" || l == "POSIX" {
		stdout, stderr = text.ASCII{Writer: stdout}, text.ASCII{Writer: stderr}
	}
	return (&program{ctx, os.Stdin, stdout, stderr, sound}).run(os.Args[1:])
}

// untilUnread ends the attempt when nobody reads any more what is written, as
// after a Ctrl-C that has ended tee.
type untilUnread struct {
	io.Writer
	end func()
}

func (u untilUnread) Write(p []byte) (int, error) {
	n, err := u.Writer.Write(p)
	if errors.Is(err, syscall.EPIPE) {
		u.end()
	}
	return n, err
}

// endings are the signals that end an attempt as it should end: with a fix,
// logged. The closing of the terminal is one, unless it was to be outlived (nohup).
func endings() []os.Signal {
	all := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		all = append(all, syscall.SIGHUP)
	}
	return all
}

// openSound opens an input of the system.
func openSound(ctx context.Context, s soundcard.Settings) (closer, error) {
	src, err := soundcard.Open(ctx, s)
	if err != nil {
		return nil, err
	}
	return src, nil
}

// run executes one command and returns its exit status.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	return (&program{ctx, stdin, stdout, stderr, openSound}).run(args)
}

// run executes one command and returns its exit status. Errors are one line on
// stderr: what, where, what to do.
func (p *program) run(args []string) int {
	parser, err := newParser(p.stdout, p.stderr)
	if err != nil {
		panic(err) // a mistake in the command table
	}
	code, command := exitOK, ""
	func() {
		defer func() {
			if r := recover(); r != nil {
				e, ok := r.(exited)
				if !ok {
					panic(r)
				}
				code = int(e)
			}
		}()
		var kctx *kong.Context
		kctx, err = parser.Parse(args)
		if broken := (*kong.ParseError)(nil); errors.As(err, &broken) {
			kctx = broken.Context
		}
		if kctx != nil && kctx.Selected() != nil {
			command = kctx.Selected().Path() + " "
		}
		if len(args) == 0 {
			err = errors.New("say what to do: timeball begin leads through an attempt")
		}
		if err != nil {
			err = usageError{err}
			return
		}
		if a, ok := p.stdout.(text.ASCII); ok && forMachines(kctx) {
			p.stdout = a.Writer
		}
		err = kctx.Run(p)
	}()
	var usage usageError
	switch {
	case err == nil:
		return code
	case errors.Is(err, errNoFix):
		return exitNoFix
	case errors.Is(err, errReported), errors.Is(err, syscall.EPIPE): // nobody reads on
		return exitFailed
	case errors.As(err, &usage):
		fmt.Fprintf(p.stderr, "timeball: %s (see timeball %s--help)\n", oneLine(err), command)
		return exitUsage
	default:
		fmt.Fprintf(p.stderr, "timeball: %s\n", oneLine(err))
		return exitFailed
	}
}

// forMachines reports whether what the command prints is read by programs.
func forMachines(k *kong.Context) bool {
	switch strings.Fields(k.Command())[0] {
	case "schema", "manual":
		return true
	}
	json := slices.ContainsFunc(k.Flags(), func(f *kong.Flag) bool {
		return f.Name == "json" && f.Target.Kind() == reflect.Bool && f.Target.Bool()
	})
	return json || strings.HasPrefix(k.Command(), "log export")
}

// confirm asks who sits at the terminal, if anybody does.
func (p *program) confirm(question string) (asked, yes bool) {
	in, ok := p.stdin.(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return false, false
	}
	fmt.Fprintf(p.stderr, "%s [y/N] ", question)
	answer, _ := bufio.NewReader(in).ReadString('\n')
	a := strings.ToLower(strings.TrimSpace(answer))
	return true, a == "y" || a == "yes"
}

// newParser is the command line.
func newParser(stdout, stderr io.Writer) (*kong.Kong, error) {
	return kong.New(new(commands),
		kong.Name("timeball"),
		kong.Description("Measures a clock's 1-PPS marker against shortwave time signals."),
		kong.Writers(stdout, stderr),
		kong.WithHyphenPrefixedParameters(true), // --at -33.9,18.4
		kong.TypeMapper(reflect.TypeFor[time.Time](), kong.MapperFunc(decodeTime)),
		kong.Exit(func(code int) { panic(exited(code)) }),
	)
}

// oneLine words an error, which may be several joined.
func oneLine(err error) string { return text.Plain(strings.ReplaceAll(err.Error(), "\n", "; ")) }

// exited carries the status of kong's own exits (--help) up to run.
type exited int
