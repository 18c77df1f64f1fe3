package fusion

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"strconv"
)

// maxCSVLine bounds an IMU or wheel line in bytes; seven numbers with all their
// digits need 180.
const maxCSVLine = 512

// maxNumber bounds a number in bytes; a float64 written in full needs 24.
const maxNumber = 64

// maxUnix bounds a time column, Unix s: the year 5138. Milliseconds lie beyond.
const maxUnix = 1e11

// csvLines cuts one channel into lines across chunks. It holds at most one line.
type csvLines struct {
	held []byte // start of a line whose end has not come
	skip bool   // the line at hand is too long: pass over the rest
	line int    // lines so far, for messages
}

// push cuts data into lines and hands each to take, without its line end. A
// line too long is handed on as nil, once.
func (c *csvLines) push(data []byte, take func(line []byte)) {
	for len(data) > 0 {
		n := bytes.IndexByte(data, '\n')
		part := data
		if n >= 0 {
			part = data[:n]
			data = data[n+1:]
		} else {
			data = nil
		}
		switch {
		case c.skip:
		case len(c.held)+len(part) > maxCSVLine:
			c.skip = true
			c.held = c.held[:0]
		case n < 0 || len(c.held) > 0:
			c.held = append(c.held, part...)
			part = c.held
		}
		if n < 0 {
			return
		}
		c.end(part, take)
	}
}

// end closes the line at hand.
func (c *csvLines) end(line []byte, take func([]byte)) {
	c.line++
	if c.skip {
		line = nil
	} else if n := len(line); n > 0 && line[n-1] == '\r' {
		line = line[:n-1]
	}
	take(line)
	c.skip, c.held = false, c.held[:0]
}

// flush hands on a last line that has no line end.
func (c *csvLines) flush(take func([]byte)) {
	if c.skip || len(c.held) > 0 {
		c.end(c.held, take)
	}
}

// NoData tells empty lines, column names and comments from data: a line behind
// # or % anywhere, the names "t,..." anywhere (files get joined), and any other
// names as line number 1.
func NoData(line []byte, number int) bool {
	if len(line) == 0 {
		return true
	}
	switch c := line[0]; {
	case c == '#' || c == '%':
		return true
	case c == 't' || c == 'T':
		return number == 1 || len(line) > 1 && line[1] == ','
	case c == '"' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z':
		first, _, _ := bytes.Cut(line, []byte{','})
		return number == 1 && !bytes.EqualFold(first, []byte("nan")) && !bytes.EqualFold(first, []byte("inf"))
	}
	return false
}

// fields reads exactly len(out) numbers from line. It returns how many were
// read; where that is less, or line holds more, the field after them is wrong.
func fields(line []byte, out []float64) (n int, whole bool) {
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

// csvFault says what is wrong with a line of which n fields were good.
func csvFault(line []byte, n, want int) (Refusal, string) {
	parts := bytes.Split(line, []byte{','})
	if len(parts) != want {
		return RefusedFields, fmt.Sprintf("%d fields, want %d", len(parts), want)
	}
	return RefusedField, fmt.Sprintf("field %d is %.40q, want a finite number", n+1, parts[n])
}

// beyond reports whether any of x is no possible measurement.
func beyond(x *[3]float64, limit float64) bool {
	return !(math.Abs(x[0]) <= limit && math.Abs(x[1]) <= limit && math.Abs(x[2]) <= limit)
}

// LineTime returns the time column of an IMU or wheel line, or of any line that
// begins with a time and a comma, host Unix s.
func LineTime(line []byte) (t float64, ok bool) {
	t, next, ok := number(line, 0)
	return t, ok && next < len(line) && line[next] == ',' && t >= 0 && t < maxUnix
}
