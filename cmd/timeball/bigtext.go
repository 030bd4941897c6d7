package main

import "strings"

// glyphs are five rows of dots each.
var glyphs = map[rune][5]string{
	'0': {"###", "# #", "# #", "# #", "###"},
	'1': {" # ", "## ", " # ", " # ", "###"},
	'2': {"###", "  #", "###", "#  ", "###"},
	'3': {"###", "  #", " ##", "  #", "###"},
	'4': {"# #", "# #", "###", "  #", "  #"},
	'5': {"###", "#  ", "###", "  #", "###"},
	'6': {"###", "#  ", "###", "# #", "###"},
	'7': {"###", "  #", " # ", " # ", " # "},
	'8': {"###", "# #", "###", "# #", "###"},
	'9': {"###", "# #", "###", "  #", "###"},
	'+': {"   ", " # ", "###", " # ", "   "},
	'-': {"   ", "   ", "###", "   ", "   "},
	'.': {" ", " ", " ", " ", "#"},
	' ': {" ", " ", " ", " ", " "},
	'a': {" # ", "# #", "###", "# #", "# #"},
	'c': {" ##", "#  ", "#  ", "#  ", " ##"},
	'd': {"## ", "# #", "# #", "# #", "## "},
	'e': {"###", "#  ", "## ", "#  ", "###"},
	'g': {" ##", "#  ", "# #", "# #", " ##"},
	'i': {"#", "#", "#", "#", "#"},
	'k': {"# #", "# #", "## ", "# #", "# #"},
	'm': {"#   #", "## ##", "# # #", "#   #", "#   #"},
	'n': {"#  #", "## #", "# ##", "#  #", "#  #"},
	'o': {"###", "# #", "# #", "# #", "###"},
	'r': {"## ", "# #", "## ", "# #", "# #"},
	's': {" ##", "#  ", " # ", "  #", "## "},
	't': {"###", " # ", " # ", " # ", " # "},
	'u': {"# #", "# #", "# #", "# #", "###"},
	'v': {"# #", "# #", "# #", "# #", " # "},
}

// bigText writes text in dots of at most scale rows by twice as many columns,
// as large as the width allows; where not even the smallest will go, as it is.
func bigText(text string, width, scale int) []string {
	dots := -1
	for _, r := range text {
		dots += len(glyphs[r][0]) + 1
	}
	// A dot is about twice as high as it is wide; half a dot still reads.
	across := 2 * scale
	for across > 0 && across*dots > width {
		across--
	}
	if across == 0 {
		return []string{text}
	}
	down := (across + 1) / 2
	var rows []string
	for y := range 5 {
		var b strings.Builder
		for i, r := range text {
			if i > 0 {
				b.WriteString(strings.Repeat(" ", across))
			}
			for _, dot := range glyphs[r][y] {
				c := " "
				if dot == '#' {
					c = "█"
				}
				b.WriteString(strings.Repeat(c, across))
			}
		}
		row := strings.TrimRight(b.String(), " ")
		for range down {
			rows = append(rows, row)
		}
	}
	return rows
}
