package main

import (
	"fmt"
	"reflect"
	"time"

	"github.com/alecthomas/kong"
)

// timeForms are how a time may be written; the last is a day, where the tag
// day says that its first moment will do.
var timeForms = []string{time.RFC3339, "2006-01-02T15:04Z07:00", time.DateOnly}

// decodeTime is kong's mapper of times.
func decodeTime(ctx *kong.DecodeContext, target reflect.Value) error {
	var word string
	if err := ctx.Scan.PopValueInto("time", &word); err != nil {
		return err
	}
	forms, also := timeForms, ", or 2026-03-14 for the beginning of a day"
	if !ctx.Value.Tag.Has("day") {
		forms, also = forms[:len(forms)-1], ""
	}
	for _, form := range forms {
		if t, err := time.Parse(form, word); err == nil {
			target.Set(reflect.ValueOf(t))
			return nil
		}
	}
	return fmt.Errorf("%q is no time: give it as 2026-03-14T18:20:07Z%s", word, also)
}
