package view

import (
	"io"
	"strings"
	"testing"
)

// Keys come as a raw terminal sends them: a rubout, an arrow, Enter.
func TestKeyboard(t *testing.T) {
	for _, tt := range []struct {
		keys   []string
		anyKey bool
		want   []Typing
	}{
		{[]string{"4", "2", "\x7f", "\x1b[A", "1", "\r", "\r"}, false,
			[]Typing{{"4", false}, {"42", false}, {"4", false}, {"4", false}, {"41", false}, {"41", true}, {"", true}}},
		{[]string{"d", "\x1b[D", "c", "2", ".", "5", "a", "x"}, false,
			[]Typing{{"d", true}, {"", false}, {"c", true}, {"2", false}, {"2.", false}, {"2.5", false}, {"2.5a", true}, {"", false}}},
		{[]string{" "}, true, []Typing{{"", true}}},
	} {
		r, w := io.Pipe()
		k := &Keyboard{Lines: make(chan Typing)}
		go k.readKeys(r, tt.anyKey)
		for i, key := range tt.keys {
			go w.Write([]byte(key))
			if have := <-k.Lines; have != tt.want[i] {
				t.Errorf("key %d, %q: %+v, want %+v", i, key, have, tt.want[i])
			}
		}
		w.Close()
	}
	k := OpenKeyboard(strings.NewReader("18:20:41\n\n"), true, false) // no terminal
	for _, want := range []string{"18:20:41", ""} {
		if have := <-k.Lines; have != (Typing{want, true}) {
			t.Errorf("line %+v, want %q", have, want)
		}
	}
}
