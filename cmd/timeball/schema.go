package main

import (
	_ "embed"
	"io"
)

// schemaText is the JSON Schema of every object that is printed or logged.
//
//go:embed schema.json
var schemaText string

type schemaCmd struct{}

// Help is kong's long help.
func (schemaCmd) Help() string {
	return `Prints a JSON Schema (draft 2020-12) of every object that --json prints, that simulate writes beside a recording, and that the logbook exports. An object names its kind in "schema", as timeball.fix/1. Times are RFC 3339 in UTC. Lengths of time end in _s and are seconds; ± in words is the 95 % half-width, u_s in objects the standard uncertainty. An offset is local clock minus UTC, positive ahead, in (-0.5, 0.5] s. What is not known is null. More fields may come; none that is listed as required will go.

replay prints a timeball.fix/1 for each recording, a line each. listen prints a timeball.second/1 with every pulse of the marker, or each second while none comes, and at the end the same fix that replay would.

Example: timeball schema > timeball.schema.json`
}

// Run prints the schema.
func (schemaCmd) Run(p *program) error {
	_, err := io.WriteString(p.stdout, schemaText)
	return err
}
