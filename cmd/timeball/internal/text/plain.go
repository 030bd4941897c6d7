package text

import (
	"fmt"
	"io"
	"strings"
	"unicode"
)

// Plain writes whatever is not to be seen in s as an escape, such as \u001b, so
// that words from elsewhere can neither steer a terminal nor pass for lines of
// the program's own.
func Plain(s string) string {
	if strings.IndexFunc(s, hidden) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case !hidden(r):
			b.WriteRune(r)
		case r < 1<<16:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			fmt.Fprintf(&b, `\U%08x`, r)
		}
	}
	return b.String()
}

// hidden reports whether r is no graphic character: it is a control, or turns
// the direction of writing. Of bytes that are no UTF-8 nothing gets through.
func hidden(r rune) bool { return !unicode.IsGraphic(r) }

// plainLines is Plain of each line.
func plainLines(s string) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = Plain(l)
	}
	return strings.Join(lines, "\n")
}

// ASCII writes what it is given to a writer for surroundings that have no more than
// ASCII (LC_ALL=C), and calls the program's own signs by other names. Words from
// elsewhere stay as they are.
type ASCII struct{ io.Writer }

var asciiNames = strings.NewReplacer("µ", "u", "μ", "u", "±", "+-", "−", "-", "·", ".", "°N", " N", "°S", " S", "°E", " E", "°W", " W", "°C", "deg C", "°", " deg", "²", "^2", "…", "...",
	" ¼", " 1/4", " ½", " 1/2", " ¾", " 3/4", "¼", " 1/4", "½", " 1/2", "¾", " 3/4", "√", "sqrt ", "π", "pi", "χ", "chi", "Ω", "ohm",
	"│", "|", "▬", "=", "▼", "v", "█", "#", "●", "*")

func (a ASCII) Write(p []byte) (int, error) {
	if _, err := asciiNames.WriteString(a.Writer, string(p)); err != nil {
		return 0, err
	}
	return len(p), nil
}
