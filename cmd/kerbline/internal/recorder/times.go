package recorder

import "math"

// Seconds returns host time as float64 Unix seconds: the nearest number to ns.
func Seconds(ns int64) float64 {
	return float64(ns/1e9) + float64(ns%1e9)/1e9
}

// Nanos returns the whole nanosecond nearest to t, in Unix seconds. Numbers of
// this size lie 238 ns apart, so Seconds(Nanos(t)) is t, bit for bit.
func Nanos(t float64) int64 {
	whole := math.Floor(t)
	return int64(whole)*1e9 + int64(math.Round((t-whole)*1e9))
}
