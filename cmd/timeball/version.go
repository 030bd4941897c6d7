package main

import (
	"fmt"

	"github.com/alecthomas/kong"

	"timeball/cmd/timeball/internal/text"
)

// versionFlag prints the version and ends the program.
type versionFlag bool

// BeforeReset is for kong: the flag needs no command.
func (versionFlag) BeforeReset(app *kong.Kong) error {
	fmt.Fprintln(app.Stdout, text.Version())
	app.Exit(exitOK)
	return nil
}
