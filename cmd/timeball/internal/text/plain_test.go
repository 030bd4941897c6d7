package text

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"unicode"

	"timeball/align"
)

func TestPlain(t *testing.T) {
	for s, want := range map[string]string{
		"0.4 ms ± 10 µs, 17.5 °C, lampe à huile": "0.4 ms ± 10 µs, 17.5 °C, lampe à huile",
		"\x1b[2Jgone":           `\u001b[2Jgone`,
		"a\nentry 9":            `a\u000aentry 9`,
		"\u009b2J":              `\u009b2J`,              // the same in one character, ISO/IEC 6429
		"sm\u202e01 ylno\u202c": `sm\u202e01 ylno\u202c`, // Unicode Standard Annex 9
		"\xff\x1b":              "\ufffd" + `\u001b`,
		"tag \U000e0001":        `tag \U000e0001`,
	} {
		if got := Plain(s); got != want {
			t.Errorf("%q: %q, want %q", s, got, want)
		}
	}
}

// A recording's name does not steer the terminal either.
func TestFixIsPlain(t *testing.T) {
	var out bytes.Buffer
	if err := WriteFix(&out, align.Fix{Recording: align.Recording{Path: "a\x1b]0;b\a.wav"}, Verdict: align.NoTick, Reason: "none"}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), `a\u001b]0;b\u0007.wav`) {
		t.Errorf("%q", out.String())
	}
}

func FuzzPlain(f *testing.F) {
	f.Add("\x1b[2J")
	f.Fuzz(func(t *testing.T, s string) {
		for _, r := range Plain(s) {
			if unicode.IsControl(r) {
				t.Fatalf("%q let %q through", s, r)
			}
		}
	})
}

// Where there is no more than ASCII, the program's own signs have other names, and a
// keeper's words stay.
func TestASCII(t *testing.T) {
	var b strings.Builder
	fmt.Fprintf(ASCII{&b}, "−3 µs ± 0.5 µs, 2½ turns, ½ press, 50.2°N, Möwe\n")
	if want := "-3 us +- 0.5 us, 2 1/2 turns, 1/2 press, 50.2 N, Möwe\n"; b.String() != want {
		t.Errorf("%q, want %q", b.String(), want)
	}
}
