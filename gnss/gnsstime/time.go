package gnsstime

import "math"

// Time is an instant in GPS time: full week number (no rollover) and seconds of
// the week. Galileo time and QZSS time have the same numbers; BeiDou time is 14
// s less; the offsets of nanoseconds between the systems are not in it. Two
// numbers, because one float64 of seconds since 1980 resolves 0.2 µs only: 72 m
// of range. The zero value stands for none.
type Time struct {
	Week int     // since 1980-01-06
	TOW  float64 // s, 0 to 604800
}

// IsZero reports whether t is none.
func (t Time) IsZero() bool { return t == Time{} }

// Add returns the time s seconds later.
func (t Time) Add(s float64) Time {
	tow := t.TOW + s
	if tow >= 0 && tow < Week {
		return Time{t.Week, tow}
	}
	n := math.Floor(tow / Week)
	tow -= n * Week
	if tow >= Week { // rounding of a tiny negative number
		tow, n = 0, n+1
	}
	return Time{t.Week + int(n), tow}
}

// Sub returns t - u in s.
func (t Time) Sub(u Time) float64 { return float64(t.Week-u.Week)*Week + (t.TOW - u.TOW) }

// UTC returns t in Unix seconds.
func (t Time) UTC() float64 { return fromGPS(float64(t.Week)*Week + t.TOW) }

// AtUTC returns the GPS time at unix, resolved to 0.2 µs.
func AtUTC(unix float64) Time {
	week, tow := UTCToGPS(unix)
	return Time{week, tow}
}

// Nearest returns the time with a time of week in s (0 to 604800) that is
// nearest to near.
func Nearest(tow float64, near Time) Time {
	return Time{near.Week + int(math.Round((near.TOW-tow)/Week)), tow}
}
