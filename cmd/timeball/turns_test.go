package main

import (
	"strings"
	"testing"

	"timeball/align"
	"timeball/cmd/timeball/internal/view"
)

// What is typed about turns is told to who learns them; what is about the hands is not.
func TestTurnsTyped(t *testing.T) {
	for _, c := range []struct {
		typed string
		want  align.Adjusted // none: an error
		about bool
	}{
		{"c", align.Adjusted{Way: align.Clockwise, Count: 1}, true},
		{"2a", align.Adjusted{Way: align.Anticlockwise, Count: 2}, true},
		{"1.5c", align.Adjusted{Way: align.Clockwise, Count: 1.5}, true},
		{"3p", align.Adjusted{Way: align.Press, Count: 3}, true},
		{"0c", align.Adjusted{}, true},
		{"1:2c", align.Adjusted{}, true},
		{"42", align.Adjusted{}, false},
		{"18:20:41", align.Adjusted{}, false},
		{"", align.Adjusted{}, false},
	} {
		a, about, err := parseAdjusted(c.typed)
		if about != c.about || (err == nil) != (!about || c.want.Count > 0) || err == nil && about && a != c.want {
			t.Errorf("%q: %+v, %v, %v", c.typed, a, about, err)
		}
	}
	for letter := range turnKeys {
		if !strings.ContainsRune(view.Letters, rune(letter)) {
			t.Errorf("the keyboard does not enter %c", letter)
		}
	}
	c, show := &listenCmd{}, &shown{}
	c.heed(view.Typing{Text: "2c", Entered: true}, &handsOnly{}, show)
	c.heed(view.Typing{Text: "0c", Entered: true}, &handsOnly{}, show)
	if len(show.said) != 2 || show.said[0] != "turned 2 turns clockwise" || show.said[1] != "turns: type how many before the letter, as 2c or 1.5a" {
		t.Errorf("said %q", show.said)
	}
	for _, want := range []bool{true, false} {
		if c.heed(view.Typing{Text: "d", Entered: true}, &handsOnly{}, show); show.afar != want || len(show.said) != 2 {
			t.Errorf("read from afar: %v, %q", show.afar, show.said)
		}
	}
}
