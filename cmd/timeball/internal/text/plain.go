package text

import (
	"fmt"
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
