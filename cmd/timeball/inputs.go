package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"timeball/capture/soundcard"
)

type inputsCmd struct {
	JSON bool `name:"json" help:"Print one JSON object."`
}

// Help is kong's long help.
func (inputsCmd) Help() string {
	return `Lists the sound inputs. Any command that takes --input takes a number, a name or a part of a name from this list.

Example: timeball inputs`
}

// Run lists the sound inputs.
func (c inputsCmd) Run(p *program) error {
	inputs, err := soundcard.Inputs()
	if err != nil {
		return err
	}
	if c.JSON {
		return printInputsJSON(p.stdout, inputs)
	}
	if len(inputs) == 0 {
		return errors.New("no sound input found: is the card plugged in and the sound server running?")
	}
	return printInputs(p.stdout, inputs)
}

func printInputs(w io.Writer, inputs []soundcard.Input) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "no.\tinput\tchannels\trates, Hz\tsystem")
	converts := false
	for _, in := range inputs {
		name := in.Name
		if in.Default {
			name += " (default)"
		}
		rates := strings.Trim(fmt.Sprint(in.Rates), "[]")
		if in.Converts {
			converts = true
			rates = "any, converted"
		}
		fmt.Fprintf(t, "%d\t%s\tup to %d\t%s\t%s\n", in.Number, name, in.Channels, rates, in.HostAPI)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if converts {
		_, err := fmt.Fprintln(w, "\nAn input that converts resamples and mixes channels without saying so:\nopen it with the card's own --sample-rate and --channels, or choose the card itself.")
		return err
	}
	return nil
}

// inputsJSON is the object of schema timeball.inputs/1.
type inputsJSON struct {
	Schema string        `json:"schema"`
	Inputs []inputObject `json:"inputs"`
}

// inputObject is an input in it.
type inputObject struct {
	Number      int    `json:"number"`
	Name        string `json:"name"`
	System      string `json:"system"`
	Channels    int    `json:"channels"` // most that can be opened
	DefaultRate int    `json:"default_rate_hz"`
	Rates       []int  `json:"rates_hz"`
	Converts    bool   `json:"converts"` // takes any rate and resamples
	Default     bool   `json:"default"`
}

func printInputsJSON(w io.Writer, inputs []soundcard.Input) error {
	out := inputsJSON{"timeball.inputs/1", []inputObject{}}
	for _, in := range inputs {
		out.Inputs = append(out.Inputs, inputObject{
			in.Number, in.Name, in.HostAPI, in.Channels, in.DefaultRate, in.Rates, in.Converts, in.Default,
		})
	}
	return json.NewEncoder(w).Encode(out)
}

// inputFlags choose a sound input, in every command that captures from one.
type inputFlags struct {
	Input    string `placeholder:"NAME|N" help:"Sound input: its number or name in 'timeball inputs' (default: the system's)."`
	Rate     int    `name:"sample-rate" default:"48000" placeholder:"HZ" help:"Frames a second (default: 48000)."`
	Channels int    `default:"2" placeholder:"N" help:"Channels of the input (default: 2)."`
}

// check is to be called by the AfterApply of the command.
func (f inputFlags) check() error {
	if f.Rate < 8000 || f.Rate > 384000 {
		return fmt.Errorf("--sample-rate %d: choose 8000 to 384000 Hz", f.Rate)
	}
	if f.Channels < 1 || f.Channels > 32 {
		return fmt.Errorf("--channels %d: choose 1 to 32", f.Channels)
	}
	return nil
}

// open opens the input that was chosen.
func (f inputFlags) open(p *program, report func(soundcard.Event)) (closer, error) {
	src, err := p.sound(p.ctx, soundcard.Settings{
		Device: f.Input, Rate: f.Rate, Channels: f.Channels, Report: report,
	})
	if errors.Is(err, context.Canceled) {
		return nil, errors.New("interrupted before the first frame came")
	}
	return src, err
}
