package main

import (
	"io"

	"timeball/cmd/timeball/internal/licences"
)

type licencesCmd struct{}

// Help is kong's long help.
func (licencesCmd) Help() string {
	return `Prints the terms under which this program, and all that is linked into it, may be used and passed on.

Example: timeball licences`
}

// Run prints the notices.
func (licencesCmd) Run(p *program) error {
	_, err := io.WriteString(p.stdout, licences.Text)
	return err
}
