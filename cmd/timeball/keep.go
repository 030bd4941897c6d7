package main

import (
	"errors"
	"fmt"
	"runtime/debug"

	"timeball/align"
	"timeball/align/logbook"
)

// keep enters a fix in the logbook, with what it was made from: the recording's
// file, if there is one, and the settings. It says on stderr where it stands.
// Only a trustworthy fix against UTC is kept.
func (f bookFlags) keep(p *program, fix align.Fix, recording string, settings align.Settings) error {
	if fix.Verdict != align.Found || fix.Wire != nil {
		return nil
	}
	from := logbook.Provenance{Settings: map[string]string{}, Program: programVersion()}
	for _, s := range settingsList(settings) {
		from.Settings[s[0]] = s[1]
	}
	if recording != "" {
		hash, err := hashFile(recording)
		if err != nil {
			return err
		}
		from.SHA256 = hash
	}
	book, err := f.open()
	if err != nil {
		return err
	}
	defer book.Close()
	id, err := book.Append(f.Clock, fix, from)
	var known *logbook.KnownError
	switch {
	case errors.As(err, &known):
		fmt.Fprintf(p.stderr, "%s is in the logbook already, as entry %d of clock %s\n", fix.Recording.Path, known.ID, f.Clock)
		return nil
	case err != nil:
		return err
	}
	fmt.Fprintf(p.stderr, "logged as entry %d of clock %s\n", id, f.Clock)
	return nil
}

// programVersion is the version the program was built from.
func programVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "timeball"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "timeball " + s.Value
		}
	}
	return "timeball " + info.Main.Version
}
