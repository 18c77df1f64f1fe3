package tui

// The big letters, five rows high. They are drawn for this screen; only the
// letters its words need exist (TestFont holds that).
var glyphs = map[rune][5]string{
	'A': {" ### ", "#   #", "#####", "#   #", "#   #"},
	'C': {" ####", "#    ", "#    ", "#    ", " ####"},
	'D': {"#### ", "#   #", "#   #", "#   #", "#### "},
	'E': {"#####", "#    ", "#### ", "#    ", "#####"},
	'G': {" ####", "#    ", "#  ##", "#   #", " ####"},
	'H': {"#   #", "#   #", "#####", "#   #", "#   #"},
	'I': {"###", " # ", " # ", " # ", "###"},
	'L': {"#    ", "#    ", "#    ", "#    ", "#####"},
	'N': {"#   #", "##  #", "# # #", "#  ##", "#   #"},
	'O': {" ### ", "#   #", "#   #", "#   #", " ### "},
	'P': {"#### ", "#   #", "#### ", "#    ", "#    "},
	'R': {"#### ", "#   #", "#### ", "#  # ", "#   #"},
	'S': {" ####", "#    ", " ### ", "    #", "#### "},
	'T': {"#####", "  #  ", "  #  ", "  #  ", "  #  "},
	'V': {"#   #", "#   #", "#   #", " # # ", "  #  "},
	'W': {"#   #", "#   #", "# # #", "## ##", "#   #"},
	' ': {"  ", "  ", "  ", "  ", "  "},
	'0': {"###", "# #", "# #", "# #", "###"},
	'1': {" # ", "## ", " # ", " # ", "###"},
	'2': {"###", "  #", "###", "#  ", "###"},
	'3': {"###", "  #", "###", "  #", "###"},
	'4': {"# #", "# #", "###", "  #", "  #"},
	'5': {"###", "#  ", "###", "  #", "###"},
	'6': {"###", "#  ", "###", "# #", "###"},
	'7': {"###", "  #", "  #", "  #", "  #"},
	'8': {"###", "# #", "###", "# #", "###"},
	'9': {"###", "# #", "###", "  #", "###"},
	'.': {" ", " ", " ", " ", "#"},
	'-': {"   ", "   ", "###", "   ", "   "},
}

// fontRows is the height of a glyph in its own dots.
const fontRows = 5

// bigWidth is the width in cells of s with dots sx cells wide. The gap between
// letters is one cell, and two between letters of wide dots.
func bigWidth(s string, sx int) int {
	w := 0
	for i, r := range s {
		if i > 0 {
			w += bigGap(sx)
		}
		w += len(glyphs[r][0]) * sx
	}
	return w
}

func bigGap(sx int) int { return max(1, sx/2) }

// big draws s with dots of sx by sy cells, its top left at x, y.
func (c *Canvas) big(x, y, sx, sy int, st Style, s string) {
	for _, r := range s {
		g := glyphs[r]
		for j, dots := range g {
			for i := range len(dots) {
				if dots[i] == '#' {
					c.Fill(x+i*sx, y+j*sy, sx, sy, '█', st)
				}
			}
		}
		x += len(g[0])*sx + bigGap(sx)
	}
}

// low draws s three rows high, two dots a cell, its top left at x, y.
func (c *Canvas) low(x, y int, st Style, s string) {
	for _, r := range s {
		g := glyphs[r]
		for j := 0; j < fontRows; j += 2 {
			for i := range len(g[0]) {
				up := g[j][i] == '#'
				down := j+1 < fontRows && g[j+1][i] == '#'
				switch {
				case up && down:
					c.Set(x+i, y+j/2, '█', st)
				case up:
					c.Set(x+i, y+j/2, '▀', st)
				case down:
					c.Set(x+i, y+j/2, '▄', st)
				}
			}
		}
		x += len(g[0]) + 1
	}
}
