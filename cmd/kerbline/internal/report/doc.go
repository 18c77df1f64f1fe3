// Package report makes one self-contained page of what sessions showed: the
// answer first, then what broke when and where, then the figures behind it.
//
// The page fetches nothing and is whole without its script (page.js), which chooses
// the lap that is enlarged, links the figures and zooms. Figures are drawn once, as lists
// of areas, lines and words in px, and written as SVG for the page and as PNG
// files; patterns repeat what colours say, so that grey print and colour-blind
// eyes read the same. Times are UTC, places metres along the lap, and every
// number carries its unit. The same session gives the same bytes.
//
// Start at [Page.Write]; [Tables] is the data behind every figure.
package report
