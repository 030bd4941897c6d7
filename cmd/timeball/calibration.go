package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/BurntSushi/toml"

	"timeball/cmd/timeball/internal/wholefile"
)

// calibration is a delay of the person's equipment as it was measured.
type calibration struct {
	DelaySeconds float64   `toml:"delay_s"`
	USeconds     float64   `toml:"u_s"` // standard uncertainty
	Date         time.Time `toml:"date"`
	Method       string    `toml:"method"`
	Input        string    `toml:"input,omitempty"` // sound input it was measured with
}

// calibrations are kept in a file beside the configuration, which is the
// person's own to write: this one is the program's.
type calibrations struct {
	Skew          *calibration `toml:"skew,omitempty"`           // marker input minus receiver input
	ReceiverDelay *calibration `toml:"receiver_delay,omitempty"` // antenna to audio output
}

// calibrationFile is the path of the file; commands get it from kong.
type calibrationFile string

// load reads the calibrations; where there is no file there are none.
func (f calibrationFile) load() (calibrations, error) {
	text, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return calibrations{}, nil
	}
	if err != nil {
		return calibrations{}, fmt.Errorf("calibrations: %w", err)
	}
	var c calibrations
	md, err := toml.Decode(string(text), &c)
	if err != nil {
		return calibrations{}, fmt.Errorf("%s: %w: mend it, or delete the file and calibrate again", f, err)
	}
	if unknown := md.Undecoded(); len(unknown) > 0 {
		return calibrations{}, fmt.Errorf("%s: %s is not known: mend it, or delete the file and calibrate again", f, unknown[0])
	}
	return c, nil
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
