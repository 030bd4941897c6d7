package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"timeball/align"
	"timeball/cmd/timeball/internal/wholefile"
)

// calibration is a delay of the person's equipment as it was measured.
type calibration struct {
	DelaySeconds float64   `toml:"delay_s"`
	USeconds     float64   `toml:"u_s"` // standard uncertainty
	Date         time.Time `toml:"date"`
	Method       string    `toml:"method"`
	Input        string    `toml:"input,omitempty"` // sound input it was measured with
	// Of a receiver that was measured by ticks:
	Response *align.ReceiverResponse `toml:"response,omitempty"`
	// Of a loop, whose delay is that where it is tuned:
	Q       float64 `toml:"q,omitempty"` // loaded quality, and its standard uncertainty
	QU      float64 `toml:"u_q,omitempty"`
	TunedHz float64 `toml:"tuned_hz,omitempty"`
	TunedU  float64 `toml:"u_tuned_hz,omitempty"`
}

// calibrations are kept in a file beside the configuration, which is the
// person's own to write: this one is the program's.
type calibrations struct {
	Skew          *calibration            `toml:"skew,omitempty"`           // marker input minus receiver input
	ReceiverDelay *calibration            `toml:"receiver_delay,omitempty"` // antenna to audio output, of a receiver without a name
	Receivers     map[string]*calibration `toml:"receiver,omitempty"`       // the same by name
	Loop          *calibration            `toml:"loop,omitempty"`           // of an antenna without a name
	Loops         map[string]*calibration `toml:"loops,omitempty"`          // the same by name
	Earlier       []earlier               `toml:"earlier,omitempty"`        // what was replaced, oldest first
}

// earlier is a calibration that another one has replaced.
type earlier struct {
	Of quantityName `toml:"of"`
	calibration
}

// quantityName names what is calibrated: skew, receiver, or receiver NAME, loop, or loop
// NAME.
type quantityName string

const (
	skewName     quantityName = "skew"
	receiverName quantityName = "receiver"
	loopName     quantityName = "loop"
)

// named is one of several of a kind; with an empty name that without one.
func (of quantityName) named(name string) quantityName {
	if name == "" {
		return of
	}
	return of + " " + quantityName(name)
}

// places are where a quantity is kept: the one of its kind that has no name, and those
// that have one.
func (c *calibrations) places(of quantityName) (single **calibration, all *map[string]*calibration, name string) {
	kind, name, _ := strings.Cut(string(of), " ")
	switch quantityName(kind) {
	case skewName:
		return &c.Skew, nil, ""
	case loopName:
		return &c.Loop, &c.Loops, name
	}
	return &c.ReceiverDelay, &c.Receivers, name
}

// current is what is kept of a quantity; nil: nothing.
func (c *calibrations) current(of quantityName) *calibration {
	single, all, name := c.places(of)
	if name != "" {
		return (*all)[name]
	}
	return *single
}

// set makes k what is kept; nil: nothing.
func (c *calibrations) set(of quantityName, k *calibration) {
	single, all, name := c.places(of)
	switch {
	case name == "":
		*single = k
	case k == nil:
		delete(*all, name)
	default:
		if *all == nil {
			*all = map[string]*calibration{}
		}
		(*all)[name] = k
	}
}

// replace keeps k, and what it replaces as an earlier one.
func (c *calibrations) replace(of quantityName, k calibration) {
	if old := c.current(of); old != nil {
		c.Earlier = append(c.Earlier, earlier{of, *old})
	}
	c.set(of, &k)
}

// undo brings back what the latest calibration of a quantity replaced; it returns
// that, nil where there was nothing, and false when nothing is kept.
func (c *calibrations) undo(of quantityName) (back *calibration, ok bool) {
	if c.current(of) == nil {
		return nil, false
	}
	for i := len(c.Earlier) - 1; i >= 0; i-- {
		if e := c.Earlier[i]; e.Of == of {
			c.Earlier = slices.Delete(c.Earlier, i, i+1)
			back = &e.calibration
			break
		}
	}
	c.set(of, back)
	return back, true
}

// calibrationFile is the path of the file; commands get it from kong.
type calibrationFile string

// load reads the calibrations; where there is no file there are none.
func (f calibrationFile) load() (calibrations, error) {
	text, err := readText(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return calibrations{}, nil
	}
	if err != nil {
		return calibrations{}, fmt.Errorf("calibrations %s: %w", f, err)
	}
	var c calibrations
	md, err := toml.Decode(string(text), &c)
	if err != nil {
		return calibrations{}, fmt.Errorf("%s: %w: mend it, or delete the file and calibrate again", f, err)
	}
	if unknown := md.Undecoded(); len(unknown) > 0 {
		return calibrations{}, fmt.Errorf("%s: %s is not known: mend it, or delete the file and calibrate again", f, unknown[0])
	}
	for _, k := range []*calibration{c.Skew, c.ReceiverDelay, c.Loop} {
		if k != nil && !(math.Abs(k.DelaySeconds) < 1 && k.USeconds >= 0 && k.USeconds < 1) { // not a number is neither
			return calibrations{}, fmt.Errorf("%s: %g s with u = %g s is no delay of a receiver or an input: mend it, or delete the file and calibrate again", f, k.DelaySeconds, k.USeconds)
		}
	}
	for _, k := range append(slices.Collect(maps.Values(c.Receivers)), c.ReceiverDelay) {
		if k != nil && k.Response != nil && !(k.Response.Valid() && k.Response.DelayU >= 0 && k.Response.DelayU < 1) {
			return calibrations{}, fmt.Errorf("%s: what stands there is no response of a receiver: mend it, or delete the file and calibrate again", f)
		}
	}
	return c, nil
}

// check finds out before the work whether a calibration can be kept.
func (f calibrationFile) check() error {
	if _, err := os.Stat(string(f)); err == nil {
		if err := checkTarget(string(f)); err != nil {
			return err
		}
	}
	_, err := f.load()
	return err
}

// update changes the calibrations on file by change.
func (f calibrationFile) update(change func(*calibrations)) error {
	c, err := f.load()
	if err != nil {
		return err
	}
	change(&c)
	folder := filepath.Dir(string(f))
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("calibrations: %w", err)
	}
	err = wholefile.Write(string(f), func(w io.Writer) error {
		fmt.Fprintln(w, "# Written by timeball calibrate.")
		return toml.NewEncoder(w).Encode(c)
	})
	if err != nil {
		return fmt.Errorf("calibrations: %w", err)
	}
	return nil
}
