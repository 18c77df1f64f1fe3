package fusion

import (
	"bytes"
	"math"

	"kerbline/fusion/columns"
)

// maxCSVLine bounds an IMU or wheel line in bytes; seven numbers with all their
// digits need 180.
const maxCSVLine = 512

// csvLines cuts one channel into lines across chunks. It holds at most one line.
type csvLines struct {
	table columns.Table
	held  []byte // start of a line whose end has not come
	skip  bool   // the line at hand is too long: pass over the rest
	line  int    // lines so far, for messages
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

// NoData separates empty lines, column names and comments from data: a line behind
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

// beyond reports whether any of x is no possible measurement.
func beyond(x *[3]float64, limit float64) bool {
	return !(math.Abs(x[0]) <= limit && math.Abs(x[1]) <= limit && math.Abs(x[2]) <= limit)
}
