package columns

import (
	"bytes"
	"encoding/binary"
	"math/bits"
	"strconv"
)

// maxNumber bounds a number in bytes; a float64 written in full needs 24.
const maxNumber = 64

// MaxUnix bounds a time column, Unix s: the year 5138. Milliseconds lie beyond.
const MaxUnix = 1e11

// plainFields reads exactly len(out) numbers from line. It returns how many were
// read; where that is less, or line holds more, the field after them is wrong.
func plainFields(line []byte, out []float64) (n int, whole bool) {
	i := 0
	for n < len(out) {
		x, next, ok := number(line, i)
		if !ok {
			return n, false
		}
		out[n] = x
		n++
		if next == len(line) {
			return n, n == len(out)
		}
		i = next + 1
	}
	return n, false
}

// number reads the decimal number at line[i:], up to a comma or the end. The
// result is the nearest float64, as strconv gives it.
func number(line []byte, i int) (x float64, next int, ok bool) {
	at := i
	negative := false
	if i < len(line) && (line[i] == '-' || line[i] == '+') {
		negative = line[i] == '-'
		i++
	}
	first := i
	m, i := digits(line, i, 0)
	n, decimals := i-first, 0
	if i < len(line) && line[i] == '.' {
		point := i + 1
		m, i = digits(line, point, m)
		decimals = i - point
		n += decimals
	}
	// Whole numbers below 2^53 and powers of ten up to 10^22 are exact, so their
	// quotient is rounded once, correctly. 19 digits fit m.
	if n > 0 && n <= 19 && m < 1<<53 && (i == len(line) || line[i] == ',') {
		x = float64(m) / exact[decimals]
		if negative {
			x = -x
		}
		return x, i, true
	}
	return slowNumber(line, at)
}

var exact = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19}

// digits appends the decimal digits at line[i:] to m and returns where they
// end. Eight bytes are looked at together; pairs, fours and
// the eight are joined in turn.
func digits(line []byte, i int, m uint64) (uint64, int) {
	for i+8 <= len(line) {
		x := binary.LittleEndian.Uint64(line[i:]) ^ 0x3030303030303030 // digits become 0 to 9
		// The high bit of each byte over 9; a carry reaches only the bytes behind.
		over := (x | (x + 0x7676767676767676)) & 0x8080808080808080
		n := bits.TrailingZeros64(over) / 8
		if n == 0 {
			return m, i
		}
		x <<= 64 - 8*n // zeros in front
		x = x*10 + x>>8
		x = ((x&0x000000FF000000FF)*0x000F424000000064 + (x>>16&0x000000FF000000FF)*0x0000271000000001) >> 32
		m = m*tens[n] + x
		i += n
		if n < 8 {
			return m, i
		}
	}
	for i < len(line) && line[i]-'0' <= 9 {
		m = m*10 + uint64(line[i]-'0')
		i++
	}
	return m, i
}

var tens = [...]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8}

// slowNumber takes what number does not: spaces, exponents, more digits. It
// refuses NaN, Inf, hexadecimals and underscores, which strconv would take.
func slowNumber(line []byte, i int) (x float64, next int, ok bool) {
	next = len(line)
	if n := bytes.IndexByte(line[i:], ','); n >= 0 {
		next = i + n
	}
	f := bytes.TrimSpace(line[i:next])
	if len(f) > maxNumber {
		return 0, next, false
	}
	for _, c := range f {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, next, false
		}
	}
	x, err := strconv.ParseFloat(string(f), 64)
	return x, next, err == nil
}

// leadingTime returns the time of a line that begins with one and a comma, Unix s.
func leadingTime(line []byte) (t float64, ok bool) {
	t, next, ok := number(line, 0)
	if bytes.IndexByte(line, ';') >= 0 { // a decimal comma
		return t, false
	}
	return t, ok && next < len(line) && line[next] == ',' && t >= 0 && t < MaxUnix
}
