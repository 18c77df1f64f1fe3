// Package lines writes and reads the output contract: one JSON object a line
// for every verdict and every event.
//
// Units stand in the field names; positions are those of the body origin, in
// degrees and metres above the ellipsoid; yaw is in radians, east-north-up,
// counter-clockwise from east; times are host Unix seconds. Unknown is null,
// never 0. Writing allocates nothing beyond the buffer it appends to.
//
// Start at [AppendVerdict] and [AppendEvent]; [ParseVerdict] and [ParseEvent]
// read the lines back.
package lines

import (
	"math"
	"strconv"
	"unicode/utf8"

	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// Decimals of each quantity: finer than anything behind it can know, and so
// fixed that two runs can be compared byte for byte.
const (
	decTime  = 4  // s
	decAngle = 10 // deg of latitude or longitude, 11 µm
	decM     = 4  // m, m/s
	decRad   = 6  // rad
	decS     = 3  // s of a duration
)

// AppendVerdict appends the verdict line of s, with its newline.
func AppendVerdict(b []byte, s *fusion.Snapshot) []byte {
	return append(appendVerdict(b, s), "}\n"...)
}

// Live is what a published verdict says of itself.
type Live struct {
	Session string  // names this run of the monitor
	N       uint64  // counts the session's verdicts, from 1
	Hold    float64 // s, how long it holds from its arrival
	Build   string  // version of the program
}

// AppendLive appends the same object as it is published: with what [Live] says,
// and valid_until, the host time at which it ends.
func AppendLive(b []byte, s *fusion.Snapshot, l Live) []byte {
	b = word(appendVerdict(b, s), "session", l.Session)
	b = strconv.AppendUint(key(b, "n"), l.N, 10)
	b = number(b, "hold_s", l.Hold, decS)
	b = word(b, "build", l.Build)
	b = number(b, "valid_until", s.T+l.Hold, decTime)
	return append(b, "}\n"...)
}

func appendVerdict(b []byte, s *fusion.Snapshot) []byte {
	lat, lon, h := math.NaN(), math.NaN(), math.NaN()
	if s.HasPos {
		lat, lon, h = s.Pos.Lat/geodesy.Degree, s.Pos.Lon/geodesy.Degree, s.Pos.H
	}
	b = append(b, `{"t":`...)
	b = value(b, s.T, decTime)
	b = append(b, `,"seq":`...)
	b = strconv.AppendUint(b, s.Seq, 10)
	b = word(b, "verdict", s.Verdict.String())
	b = word(b, "advice", s.Advice.String())
	b = append(b, `,"reasons":[`...)
	for i := 0; i < s.NReasons; i++ {
		if i > 0 {
			b = append(b, ',')
		}
		b = quote(b, s.Reasons[i].Code)
	}
	b = append(b, ']')
	b = number(b, "speed_cap_mps", s.SpeedCap, decM)
	b = number(b, "coast_s", s.Coast, decS)
	b = number(b, "handover_s", s.Handover, decS)
	b = number(b, "lat_deg", lat, decAngle)
	b = number(b, "lon_deg", lon, decAngle)
	b = number(b, "h_m", h, decM)
	b = number(b, "yaw_rad", s.Yaw, decRad)
	b = number(b, "speed_mps", s.Speed, decM)
	b = number(b, "sigma_lat_m", s.SigmaLat, decM)
	b = number(b, "sigma_lon_m", s.SigmaLon, decM)
	b = number(b, "sigma_yaw_rad", s.SigmaYaw, decRad)
	b = number(b, "pl_lat_m", s.PLLat.Total, decM)
	b = number(b, "pl_lon_m", s.PLLon.Total, decM)
	b = number(b, "pl_yaw_rad", s.PLYaw.Total, decRad)
	b = number(b, "al_lat_m", s.ALLat, decM)
	b = number(b, "al_lon_m", s.ALLon, decM)
	b = number(b, "al_yaw_rad", s.ALYaw, decRad)
	quality := -1
	if s.Epoch.Quality != gnss.QualityUnknown {
		quality = int(s.Epoch.Quality)
	}
	b = whole(b, "quality", quality)
	b = number(b, "age_s", s.Epoch.Age, decS)
	b = whole(b, "station", s.Epoch.Station)
	b = word(b, "link", s.Link.Condition.String())
	b = word(b, "hint", s.Symptom.Text())
	if s.Taken != "" {
		b = word(b, "taken", s.Taken)
	}
	return b
}

// AppendLink appends an object about the correction link, with its newline.
func AppendLink(b []byte, s *fusion.Snapshot) []byte {
	l := &s.Link
	b = append(b, `{"t":`...)
	b = value(b, s.T, decTime)
	b = word(b, "condition", l.Condition.String())
	b = number(b, "since_t", l.Since, decTime)
	b = number(b, "bytes_per_s", l.BytesPerS, 1)
	b = number(b, "latency_s", l.Latency, decS)
	b = number(b, "bad_share", l.BadShare, decS)
	b = whole(b, "station", l.Station)
	b = number(b, "age_s", l.RoverAge, decS)
	b = number(b, "open_since_t", l.OpenSince, decTime)
	return append(b, "}\n"...)
}

// AppendEvent appends the event line of e, with its newline.
func AppendEvent(b []byte, e *fusion.Event) []byte {
	b = append(b, `{"t":`...)
	b = value(b, e.T, decTime)
	b = number(b, "end_t", e.End, decTime)
	b = word(b, "kind", string(e.Kind))
	b = word(b, "cause", e.Cause)
	b = number(b, "size_m", e.Size, decM)
	b = word(b, "detail", e.Detail)
	b = number(b, "where_m", e.Where, decM)
	return append(b, "}\n"...)
}

func key(b []byte, name string) []byte {
	b = append(b, `,"`...)
	b = append(b, name...)
	return append(b, `":`...)
}

func number(b []byte, name string, x float64, decimals int) []byte {
	return value(key(b, name), x, decimals)
}

// value writes x, or null where it is unknown. What rounds to zero has no sign,
// so that -0.0000 is not a second way to write 0.
func value(b []byte, x float64, decimals int) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	unit := powers[decimals]
	scaled := math.RoundToEven(math.Abs(x) * float64(unit))
	if scaled >= 1<<53 { // beyond whole numbers in a float64; nothing sane is
		return strconv.AppendFloat(b, x, 'f', decimals, 64)
	}
	n := uint64(scaled)
	if x < 0 && n != 0 {
		b = append(b, '-')
	}
	b = strconv.AppendUint(b, n/unit, 10)
	b = append(b, '.')
	n %= unit
	at := len(b)
	b = append(b, "0000000000"[:decimals]...)
	for i := at + decimals - 1; n > 0; i-- {
		b[i] = '0' + byte(n%10)
		n /= 10
	}
	return b
}

var powers = [...]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10}

// whole writes n, or null for the unknown -1.
func whole(b []byte, name string, n int) []byte {
	b = key(b, name)
	if n < 0 {
		return append(b, "null"...)
	}
	return strconv.AppendInt(b, int64(n), 10)
}

// word writes s, or null where it is empty.
func word(b []byte, name, s string) []byte {
	b = key(b, name)
	if s == "" {
		return append(b, "null"...)
	}
	return quote(b, s)
}

const hex = "0123456789abcdef"

// quote writes a JSON string (RFC 8259, section 7). Bytes that are no UTF-8
// become U+FFFD: details may hold what came over a wire.
func quote(b []byte, s string) []byte {
	b = append(b, '"')
	for i := 0; i < len(s); {
		c := s[i]
		switch {
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c < ' ':
			b = append(b, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		case c < utf8.RuneSelf:
			b = append(b, c)
		default:
			r, n := utf8.DecodeRuneInString(s[i:])
			b = utf8.AppendRune(b, r)
			i += n
			continue
		}
		i++
	}
	return append(b, '"')
}
