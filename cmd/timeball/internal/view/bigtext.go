package view

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
	'−': {"   ", "   ", "###", "   ", "   "},
	'±': {" # ", "###", " # ", "   ", "###"},
	'/': {"  #", "  #", " # ", "#  ", "#  "},
	'.': {" ", " ", " ", " ", "#"},
	' ': {" ", " ", " ", " ", " "},
	'a': {" # ", "# #", "###", "# #", "# #"},
	'b': {"## ", "# #", "## ", "# #", "## "},
	'B': {"## ", "# #", "## ", "# #", "## "},
	'c': {" ##", "#  ", "#  ", "#  ", " ##"},
	'd': {"## ", "# #", "# #", "# #", "## "},
	'e': {"###", "#  ", "## ", "#  ", "###"},
	'f': {"###", "#  ", "## ", "#  ", "#  "},
	'g': {" ##", "#  ", "# #", "# #", " ##"},
	'h': {"# #", "# #", "###", "# #", "# #"},
	'i': {"#", "#", "#", "#", "#"},
	'k': {"# #", "# #", "## ", "# #", "# #"},
	'l': {"#  ", "#  ", "#  ", "#  ", "###"},
	'm': {"#   #", "## ##", "# # #", "#   #", "#   #"},
	'n': {"#  #", "## #", "# ##", "#  #", "#  #"},
	'o': {"###", "# #", "# #", "# #", "###"},
	'p': {"## ", "# #", "## ", "#  ", "#  "},
	'r': {"## ", "# #", "## ", "# #", "# #"},
	's': {" ##", "#  ", " # ", "  #", "## "},
	't': {"###", " # ", " # ", " # ", " # "},
	'u': {"# #", "# #", "# #", "# #", "###"},
	'µ': {"# #", "# #", "# #", "###", "#  "},
	'v': {"# #", "# #", "# #", "# #", " # "},
	'w': {"#   #", "#   #", "# # #", "## ##", "#   #"},
	'y': {"# #", "# #", " # ", " # ", " # "},
}

// dotWidth is the width of a dot, in columns, at which text fits into width,
// at most most; 0 when not even dots of one column do.
func dotWidth(text string, width, most int) int {
	dots := -1
	for _, r := range text {
		dots += len(glyphs[r][0]) + 1
	}
	return min(most, width/dots)
}

// bigText writes text in dots so many columns wide, and half as many rows high,
// as characters are about twice as high as wide. With a width of 0 it is text as
// it is.
func bigText(text string, across int) []string {
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
