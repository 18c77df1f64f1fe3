// Package gnsstime turns the times that satellite systems send into UTC and
// back: GPS and BeiDou time of week, GLONASS day and time, leap seconds,
// modified Julian dates.
//
// UTC is given as Unix seconds (float64, resolution 0.2 µs): days of 86400 s,
// so 23:59:60.5 of a leap second has the same number as 00:00:00.5 of the day
// after. What is sent is ambiguous (a week, a day), so every conversion takes
// a time nearby, right to half that period: the host clock will do, wrong by
// hours as it may be. Times that cannot be (out of range, NaN) give NaN.
//
// Sources: leap seconds of the IERS list through Bulletin C 69 (TAI-UTC = 37 s
// since 2017-01-01); GPS time = TAI - 19 s, BDT = GPS - 14 s, GLONASS time =
// UTC + 3 h. Start at [GPSToUTC].
package gnsstime

import "math"

// Periods in seconds, and origins in Unix seconds.
const (
	Day         = 86400
	Week        = 7 * Day
	GPSEpoch    = 315964800 // 1980-01-06 00:00:00
	BDTMinusGPS = -14
	moscow      = 3 * 3600 // GLONASS time - UTC
	sunday      = 3 * Day  // 1970-01-04 00:00:00, the start of a week
	mjdUnix     = 40587    // modified Julian date of 1970-01-01
)

// RolloverWeeks is the period of the ten-bit GPS week number. A receiver that
// unwraps it wrongly reports dates a multiple of it off.
const RolloverWeeks = 1024

// leaps holds the Unix time from which GPS - UTC is the index + 1 seconds.
var leaps = [...]float64{
	362793600,  // 1981-07-01
	394329600,  // 1982-07-01
	425865600,  // 1983-07-01
	489024000,  // 1985-07-01
	567993600,  // 1988-01-01
	631152000,  // 1990-01-01
	662688000,  // 1991-01-01
	709948800,  // 1992-07-01
	741484800,  // 1993-07-01
	773020800,  // 1994-07-01
	820454400,  // 1996-01-01
	867715200,  // 1997-07-01
	915148800,  // 1999-01-01
	1136073600, // 2006-01-01
	1230768000, // 2009-01-01
	1341100800, // 2012-07-01
	1435708800, // 2015-07-01
	1483228800, // 2017-01-01
}

// LeapSeconds returns GPS time - UTC in s at unix, 0 before July 1981.
func LeapSeconds(unix float64) int {
	for i := len(leaps) - 1; i >= 0; i-- {
		if unix >= leaps[i] {
			return i + 1
		}
	}
	return 0
}

// fromGPS returns UTC for seconds of GPS time since its epoch. The leap second
// itself keeps the offset from before it.
func fromGPS(gps float64) float64 {
	for i := len(leaps) - 1; i >= 0; i-- {
		if u := gps + GPSEpoch - float64(i+1); u >= leaps[i] {
			return u
		}
	}
	return gps + GPSEpoch
}

// nearest returns x plus the whole number of periods that brings it closest to
// near.
func nearest(x, period, near float64) float64 {
	return x + period*math.Round((near-x)/period)
}

// GPSToUTC returns the UTC of a time of week in ms of GPS time (also that of
// Galileo, SBAS and QZSS), in the week that brings it nearest to nearUnix.
func GPSToUTC(weekTOWms int64, nearUnix float64) float64 {
	return towToUTC(weekTOWms, 0, nearUnix)
}

// BDTToUTC returns the UTC of a time of week in ms of BeiDou time.
func BDTToUTC(weekTOWms int64, nearUnix float64) float64 {
	return towToUTC(weekTOWms, -BDTMinusGPS, nearUnix)
}

func towToUTC(ms int64, toGPS, nearUnix float64) float64 {
	if ms < 0 || ms >= Week*1000 || math.IsNaN(nearUnix) || math.IsInf(nearUnix, 0) {
		return math.NaN()
	}
	near := nearUnix - GPSEpoch + float64(LeapSeconds(nearUnix))
	return fromGPS(nearest(float64(ms)/1000+toGPS, Week, near))
}

// GLONASSToUTC returns the UTC of a GLONASS (Moscow) time: day of week with 0
// for Sunday, ms of that day. Any other day means unknown, and then the day
// nearest to nearUnix is taken. ms may run into a leap second, to 86400999.
func GLONASSToUTC(day int, ms int64, nearUnix float64) float64 {
	if ms < 0 || ms >= (Day+1)*1000 || math.IsNaN(nearUnix) || math.IsInf(nearUnix, 0) {
		return math.NaN()
	}
	s := float64(ms) / 1000
	if day < 0 || day > 6 {
		return nearest(s-moscow, Day, nearUnix)
	}
	return nearest(float64(sunday+day*Day-moscow)+s, Week, nearUnix)
}

// UTCToGPS returns the full GPS week and the time of week in s at unix.
func UTCToGPS(unix float64) (week int, tow float64) {
	gps := unix - GPSEpoch + float64(LeapSeconds(unix))
	w := math.Floor(gps / Week)
	return int(w), gps - w*Week
}

// UTCToBDT returns the BeiDou time of week in s at unix.
func UTCToBDT(unix float64) (tow float64) {
	_, tow = UTCToGPS(unix)
	return mod(tow+BDTMinusGPS, Week)
}

// UTCToGLONASS returns the GLONASS (Moscow) day of week, 0 for Sunday, and the
// seconds of that day at unix.
func UTCToGLONASS(unix float64) (day int, s float64) {
	m := unix + moscow
	return int(mod(math.Floor((m-sunday)/Day), 7)), mod(m, Day)
}

// UTCToMJD returns the modified Julian date at unix and the seconds of that
// day.
func UTCToMJD(unix float64) (mjd int, s float64) {
	d := math.Floor(unix / Day)
	return mjdUnix + int(d), unix - d*Day
}

func mod(x, period float64) float64 { return x - period*math.Floor(x/period) }

// Since returns how much later the time of day (or of week) now is than
// before, both in s and in one period long, across at most one half turn:
// Since(0, 86399.9, Day) is 0.1.
func Since(now, before, period float64) float64 { return nearest(now-before, period, 0) }

// MissedRollover returns the multiple of 1024 weeks by which unix, a date that
// a receiver reported, is too early (or, negative, too late) when nearUnix is
// a clock right to a day. It returns 0 when the two agree, and also when they
// differ by anything else: then it is not the week number that is wrong.
func MissedRollover(unix, nearUnix float64) (weeks int) {
	const period = RolloverWeeks * Week
	n := math.Round((nearUnix - unix) / period)
	if !(math.Abs(nearUnix-unix-n*period) <= Day) || math.Abs(n) > 8 {
		return 0
	}
	return int(n) * RolloverWeeks
}
