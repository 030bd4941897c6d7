package text

import (
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"

	"timeball/capture/soundcard"
)

// Version says which program this is: the commit it was built from and when that
// was made, as the go command notes it, and what it was built with and for.
var Version = sync.OnceValue(func() string {
	commit, date, changed := "unknown commit", "", ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				commit = "commit " + s.Value[:min(12, len(s.Value))]
			case "vcs.time":
				date = " of " + s.Value
			case "vcs.modified":
				if s.Value == "true" {
					changed = " with changes"
				}
			}
		}
	}
	sound := "with live capture"
	if !soundcard.Available {
		sound = "without live capture"
	}
	return fmt.Sprintf("timeball, %s%s%s, %s for %s/%s, %s", commit, date, changed, runtime.Version(), runtime.GOOS, runtime.GOARCH, sound)
})
