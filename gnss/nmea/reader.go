package nmea

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unsafe"
)

const (
	degree = math.Pi / 180
	knot   = 1852.0 / 3600 // m/s
)

// reader gives the fields of one sentence, numbered as the standard numbers
// them: from 1, after the address. The first fault sticks; after it, and for
// empty fields and fields past the end, numbers are NaN or -1 and letters 0.
//
// go-nmea's own field getters are not used: they take hexadecimal floats and
// NaN for numbers, and their messages do not say which field it was.
type reader struct {
	typ Type
	f   []string
	err error
}

func (r *reader) field(i int) string {
	if i > len(r.f) {
		return ""
	}
	return r.f[i-1]
}

// refuse records that field i is wrong. The fields alias the caller's bytes,
// so the value is copied.
func (r *reader) refuse(i int, name, want string) {
	if r.err == nil {
		r.err = &Error{Reason: BadField, Where: r.typ.String(), Field: i, Name: name, Value: strings.Clone(r.field(i)), Want: want}
	}
}

// atLeast refuses a sentence with fewer than n fields.
func (r *reader) atLeast(n int) {
	if len(r.f) < n && r.err == nil {
		r.err = &Error{Reason: TooShort, Where: r.typ.String(), Value: fmt.Sprintf("has %d fields", len(r.f)), Want: strconv.Itoa(n)}
	}
}

// number returns field i, which must lie in lo..hi.
func (r *reader) number(i int, name string, lo, hi float64) float64 {
	s := r.field(i)
	if s == "" {
		return nan
	}
	v, ok := decimal(s)
	if !ok || v < lo || v > hi {
		r.refuse(i, name, fmt.Sprintf("a number %g to %g", lo, hi))
		return nan
	}
	return v
}

// integer returns field i, digits only, which must lie in lo..hi.
func (r *reader) integer(i int, name string, lo, hi int) int {
	s := r.field(i)
	if s == "" {
		return -1
	}
	v, ok := digits(s)
	if !ok || v < lo || v > hi {
		r.refuse(i, name, fmt.Sprintf("%d-%d", lo, hi))
		return -1
	}
	return v
}

// letter returns field i, which must be one of the letters in want.
func (r *reader) letter(i int, name, want string) byte {
	s := r.field(i)
	if s == "" {
		return 0
	}
	if len(s) != 1 || strings.IndexByte(want, s[0]) < 0 {
		r.refuse(i, name, "one of "+want)
		return 0
	}
	return s[0]
}

// known returns field i if it is one of letters, and 0 otherwise: for
// indicators to which later editions add.
func (r *reader) known(i int, letters string) byte {
	if s := r.field(i); len(s) == 1 && strings.IndexByte(letters, s[0]) >= 0 {
		return s[0]
	}
	return 0
}

const (
	modes = "ADEFMNPRS"
	navs  = "SCUV"
)

// unit refuses a field of than holds a value while field i does not hold its
// unit.
func (r *reader) unit(of, i int, name string, want byte) {
	if s := r.field(i); r.field(of) != "" || s != "" {
		if len(s) != 1 || s[0] != want {
			r.refuse(i, name, string(rune(want)))
		}
	}
}

// hex returns field i, one hexadecimal digit.
func (r *reader) hex(i int, name string) int {
	s := r.field(i)
	if s == "" {
		return -1
	}
	if len(s) != 1 || !isHex(s[0]) {
		r.refuse(i, name, "0-F")
		return -1
	}
	return int(unhex(s[0]))
}

// clock returns field i, hhmmss or hhmmss.s..., as seconds of the day. Second
// 60 is taken in the minute where leap seconds are.
func (r *reader) clock(i int) float64 {
	s := r.field(i)
	if s == "" {
		return nan
	}
	if len(s) >= 6 && (len(s) == 6 || s[6] == '.') {
		h, ok1 := digits(s[:2])
		m, ok2 := digits(s[2:4])
		sec, ok3 := decimal(s[4:])
		if ok1 && ok2 && ok3 && h < 24 && m < 60 && sec >= 0 && (sec < 60 || sec < 61 && h == 23 && m == 59) {
			return float64(h*3600+m*60) + sec
		}
	}
	r.refuse(i, "UTC", "hhmmss.ss")
	return nan
}

// date returns field i, ddmmyy, as days since 1970-01-01. Years 80-99 are of
// the last century.
func (r *reader) date(i int) int {
	s := r.field(i)
	if s == "" {
		return -1
	}
	if n, ok := digits(s); ok && len(s) == 6 {
		y := n%100 + 2000
		if y >= 2080 {
			y -= 100
		}
		if d, ok := days(y, n/100%100, n/10000); ok {
			return d
		}
	}
	r.refuse(i, "date", "ddmmyy")
	return -1
}

// days returns the days from 1970-01-01 to a date of the Gregorian calendar.
func days(y, m, d int) (n int, ok bool) {
	if m < 1 || m > 12 || d < 1 {
		return 0, false
	}
	length := [...]int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	leap := y%4 == 0 && (y%100 != 0 || y%400 == 0)
	if leap {
		length[1] = 29
	}
	if d > length[m-1] {
		return 0, false
	}
	p := y - 1
	n = p*365 + p/4 - p/100 + p/400 - 719162 // whole years since year 1
	for _, l := range length[:m-1] {
		n += l
	}
	return n + d - 1, true
}

// position returns fields i to i+3, ddmm.mm, N or S, dddmm.mm, E or W, in rad.
// All four may be empty; some may not.
func (r *reader) position(i int) (lat, lon float64) {
	if r.field(i) == "" && r.field(i+1) == "" && r.field(i+2) == "" && r.field(i+3) == "" {
		return nan, nan
	}
	lat = r.angle(i, "latitude", "ddmm.mm", 2, 90)
	lat = r.sign(i+1, "latitude hemisphere", 'N', 'S', lat)
	lon = r.angle(i+2, "longitude", "dddmm.mm", 3, 180)
	lon = r.sign(i+3, "longitude hemisphere", 'E', 'W', lon)
	return lat, lon
}

// angle returns field i, nd digits of degrees and minutes, in rad.
func (r *reader) angle(i int, name, want string, nd int, most float64) float64 {
	s := r.field(i)
	if len(s) >= nd+2 && (len(s) == nd+2 || s[nd+2] == '.') {
		d, ok1 := digits(s[:nd])
		m, ok2 := decimal(s[nd:])
		if deg := float64(d) + m/60; ok1 && ok2 && m >= 0 && m < 60 && deg <= most {
			return deg * degree
		}
	}
	r.refuse(i, name, want)
	return nan
}

func (r *reader) sign(i int, name string, plus, minus byte, v float64) float64 {
	switch s := r.field(i); {
	case len(s) == 1 && s[0] == plus:
		return v
	case len(s) == 1 && s[0] == minus:
		return -v
	}
	r.refuse(i, name, string([]byte{plus, ' ', 'o', 'r', ' ', minus}))
	return nan
}

// bearing returns field i, degrees clockwise from north, in rad, [0, 2π).
func (r *reader) bearing(i int, name string) float64 {
	v := r.number(i, name, 0, 360)
	if v == 360 {
		v = 0
	}
	return v * degree
}

// station returns field i, a reference station id. Some receivers write names
// there, which is no reason to refuse the position: they are -1, unknown.
func (r *reader) station(i int) int {
	if v, ok := digits(r.field(i)); ok {
		return v
	}
	return -1
}

// digits returns s as a number if it is one to nine digits.
func digits(s string) (n int, ok bool) {
	if len(s) == 0 || len(s) > 9 {
		return 0, false
	}
	for i := 0; i < len(s); i++ {
		c := s[i] - '0'
		if c > 9 {
			return 0, false
		}
		n = n*10 + int(c)
	}
	return n, true
}

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

// decimal returns s as a number if it is plain decimal: a sign, digits, one
// point. No exponent, no hexadecimal, no NaN. The result is correctly rounded.
func decimal(s string) (v float64, ok bool) {
	i, neg := 0, false
	if len(s) > 0 && (s[0] == '-' || s[0] == '+') {
		i, neg = 1, s[0] == '-'
	}
	var m uint64
	n, point := 0, -1 // digits seen; how many of them before the point
	for ; i < len(s); i++ {
		c := s[i] - '0'
		switch {
		case c <= 9:
			m = m*10 + uint64(c)
			n++
		case s[i] == '.' && point < 0:
			point = n
		default:
			return 0, false
		}
	}
	if n == 0 {
		return 0, false
	}
	if n > 18 || m >= 1<<53 {
		v, err := strconv.ParseFloat(s, 64)
		return v, err == nil
	}
	// Both operands are exact, so one division rounds once.
	v = float64(m)
	if point >= 0 {
		v /= pow10[n-point]
	}
	if neg {
		v = -v
	}
	return v, true
}

// alias returns b as a string without copying; neither it nor what is cut from
// it may outlive b.
func alias(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }
