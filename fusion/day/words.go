package day

import (
	"math"

	"kerbline/fusion/words"
)

// The short names of what stands in every sentence.
var num, with, percent, lasting, times, plural = words.Num, words.With, words.Percent, words.Lasting, words.Times, words.Plural

// down rounds a speed to a tenth towards the safe side.
func down(v float64) string { return words.Down(v, 1) }

// place returns "at 223 m", or "" when it is not known.
func place(m float64) string {
	if math.IsNaN(m) {
		return ""
	}
	return "at " + num(m, 0) + " m of the lap"
}
