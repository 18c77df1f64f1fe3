package nmea

import (
	"bytes"
	"fmt"
)

// MaxLine bounds a line in bytes, TAG block not counted. The standard says 82,
// receivers with more decimals write 91 and more.
const MaxLine = 1024

// maxTag bounds a TAG block in bytes.
const maxTag = 256

// maxAddress bounds the $ and the address behind it; proprietary ones are long.
const maxAddress = 16

// minText is the length in bytes from which text without a start, or a TAG
// block without an end, is taken for the rest of a line rather than for chance.
const minText = 6

// Line is one line of a stream, or a stretch of it that was refused.
type Line struct {
	T      float64 // host Unix s: of the TAG block where there is a good one, else of the chunk that completed the line
	Tagged bool    // T is the TAG block's
	Offset int64   // byte position in the stream, of the $ or of what was refused
	Text   []byte  // "$...*hh" without TAG block and line end, valid during the call; nil when refused
	Reason Reason  // Accepted when Text holds a whole line
	Err    error   // nil when accepted
}

// Framer finds lines in a byte stream. It takes sentences among binary frames,
// glued together, with any line end or none, with TAG blocks before them, cut
// into chunks anywhere; where a line breaks off it starts anew with the next.
// It holds at most one line in memory, however long the stream's lines are.
// The zero value is ready.
//
// Bytes that look like no line are passed over and counted by [Framer.Outside].
type Framer struct {
	held    []byte // a line that the chunks so far leave undecided
	off     int64  // stream position behind what is decided
	outside int64

	// Text since the last line end, to notice lines that lost their start.
	text    int  // bytes; -1 when other bytes are among them
	textual bool // a comma or asterisk is among them

	// TAG block directly before off.
	tag    bool
	tagged bool
	tagT   float64
}

// Outside returns how many bytes belonged to no line and no TAG block: binary
// frames, noise, refused stretches. Line ends do not count.
func (f *Framer) Outside() int64 { return f.outside }

// Push takes the bytes b that arrived at host time t (Unix s) and calls emit
// for every line they complete and everything they make certain to be none.
func (f *Framer) Push(t float64, b []byte, emit func(Line)) {
	for len(f.held) > 0 && len(b) > 0 {
		old := len(f.held)
		take := min(len(b), 2*MaxLine-old)
		f.held = append(f.held, b[:take]...)
		n := f.scan(t, f.held, emit)
		if n < old {
			f.held = f.held[:copy(f.held, f.held[n:])]
			b = b[take:]
			continue
		}
		f.held = f.held[:0]
		b = b[n-old:]
	}
	if len(b) > 0 {
		f.held = append(f.held, b[f.scan(t, b, emit):]...)
	}
}

// Flush ends the stream at host time t: a line still open is
// refused.
func (f *Framer) Flush(t float64, emit func(Line)) {
	n := len(f.held)
	if n > 2 { // less could be chance
		value := fmt.Sprintf("ends with the stream after %d bytes", n)
		if f.held[0] == '\\' {
			f.refuse(t, BadTag, "TAG block", value, `\`, emit)
		} else {
			f.refuse(t, Cut, "line", value, "*hh", emit)
		}
		f.pass(n)
	}
	f.held = f.held[:0]
	f.endText(t, emit)
	f.tag = false
}

// Bytes of an address, of what follows it up to the asterisk, and those that
// end a stretch outside lines.
var inAddress, inBody, inStop [256]bool

func init() {
	for c := 'A'; c <= 'Z'; c++ {
		inAddress[c] = true
	}
	for c := '0'; c <= '9'; c++ {
		inAddress[c] = true
	}
	for c := 0x20; c < 0x7f; c++ {
		inBody[c] = c != '$' && c != '\\' && c != '*'
	}
	for _, c := range "$!\\\r\n" {
		inStop[c] = true
	}
}

// scan decides as much of d as it can and returns how many bytes that is. What
// it leaves begins with $, ! or \ and is shorter than MaxLine+3 bytes.
func (f *Framer) scan(t float64, d []byte, emit func(Line)) int {
	i := 0
	for i < len(d) {
		var n int // bytes decided, 0 when more are needed
		switch c := d[i]; {
		case c == '$' || c == '!':
			n = f.line(t, d[i:], emit)
		case c == '\\':
			n = f.tagBlock(t, d[i:], emit)
		case c == '\r' || c == '\n':
			f.endText(t, emit)
			f.tag = false
			f.off++
			n = 1
		default:
			n = f.skip(d[i:])
		}
		if n == 0 {
			break
		}
		i += n
	}
	return i
}

// skip passes over bytes that start nothing.
func (f *Framer) skip(d []byte) int {
	n := 1
	for n < len(d) && !inStop[d[n]] {
		n++
	}
	return f.stray(d[:n])
}

// stray passes over d, which belongs to no line.
func (f *Framer) stray(d []byte) int {
	f.note(d)
	f.off += int64(len(d))
	f.outside += int64(len(d))
	f.tag = false
	return len(d)
}

// note keeps account of text outside lines.
func (f *Framer) note(d []byte) {
	for _, c := range d {
		if f.text < 0 {
			return
		}
		if c < 0x20 || c >= 0x7f {
			f.text = -1
			return
		}
		f.text++
		f.textual = f.textual || c == ',' || c == '*'
	}
}

// endText closes the text outside lines: a long enough one with a comma or an
// asterisk was a line that lost its start.
func (f *Framer) endText(t float64, emit func(Line)) {
	if f.text >= minText && f.textual {
		n := f.text
		f.off -= int64(n)
		f.refuse(t, Headless, "line", fmt.Sprintf("has %d bytes and no start", n), "$", emit)
		f.off += int64(n)
	}
	f.text, f.textual = 0, false
}

// pass moves on over n refused bytes, whose remains are no news.
func (f *Framer) pass(n int) {
	f.off += int64(n)
	f.outside += int64(n)
	f.text = -1
	f.tag = false
}

func (f *Framer) refuse(t float64, why Reason, what, value, want string, emit func(Line)) {
	l := Line{T: t, Offset: f.off, Reason: why,
		Err: &Error{Reason: why, Where: fmt.Sprintf("%s at byte %d", what, f.off), Value: value, Want: want}}
	if f.tag && f.tagged {
		l.T, l.Tagged = f.tagT, true
	}
	emit(l)
}

// line decides what starts with the $ or ! of d.
func (f *Framer) line(t float64, d []byte, emit func(Line)) int {
	j := 1
	for j < len(d) && inAddress[d[j]] {
		j++
	}
	if j == len(d) && j <= maxAddress {
		return 0
	}
	if j < 3 || j > maxAddress || d[j] != ',' && d[j] != '*' {
		// No address: not the start of a line.
		return f.stray(d[:1])
	}
	f.endText(t, emit)
	end := min(len(d), MaxLine)
	for j < end && inBody[d[j]] {
		j++
	}
	if j == MaxLine {
		f.refuse(t, TooLong, "line", fmt.Sprintf("has no end in %d bytes", MaxLine), "*hh", emit)
		f.pass(j)
		return j
	}
	if j == len(d) {
		return 0
	}
	switch d[j] {
	case '*':
		// Two digits, or whatever stands in their place.
		for k := j + 1; k < j+3; k++ {
			if k == len(d) {
				return 0
			}
			if !isHex(d[k]) {
				f.refuse(t, NoChecksum, "line", "has no two digits behind the asterisk", "*hh", emit)
				f.pass(k)
				return k
			}
		}
		j += 3
		l := Line{T: t, Offset: f.off, Text: d[:j]}
		if f.tag && f.tagged {
			l.T, l.Tagged = f.tagT, true
		}
		f.off += int64(j)
		f.tag = false
		emit(l)
		return j
	case '\r', '\n':
		f.refuse(t, NoChecksum, "line", "ends without a checksum", "*hh", emit)
	default:
		f.refuse(t, Cut, "line", fmt.Sprintf("breaks off after %d bytes", j), "*hh", emit)
	}
	f.pass(j)
	return j
}

func isHex(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'F' || c >= 'a' && c <= 'f'
}

// tagBlock decides what starts with the backslash of d. A block that is good
// gives its time to the sentence directly behind it.
//
//	\c:1778922000875,s:rover*hh\$GNGGA,...
func (f *Framer) tagBlock(t float64, d []byte, emit func(Line)) int {
	// Two bytes separate a block from a stray backslash.
	if len(d) < 3 && (len(d) < 2 || isLower(d[1])) {
		return 0
	}
	if !isLower(d[1]) || d[2] != ':' {
		return f.stray(d[:1])
	}
	j := 3
	for j < min(len(d), maxTag) && (inBody[d[j]] || d[j] == '*') {
		j++
	}
	if j == len(d) && j < maxTag {
		return 0
	}
	if j < minText {
		return f.stray(d[:j])
	}
	f.endText(t, emit)
	if j == maxTag || d[j] != '\\' {
		f.refuse(t, BadTag, "TAG block", fmt.Sprintf("is not closed after %d bytes", j), `\`, emit)
		f.pass(j)
		return j
	}
	tagT, has, value, want := tagTime(d[1:j])
	j++
	if want != "" {
		f.refuse(t, BadTag, "TAG block", value, want, emit)
		f.pass(j)
		f.text = 0 // the sentence behind it starts clean
		return j
	}
	f.off += int64(j)
	if !f.tag {
		f.tagged = false
	}
	f.tag = true
	if has {
		f.tagged, f.tagT = true, tagT
	}
	return j
}

func isLower(c byte) bool { return c >= 'a' && c <= 'z' }

// tagTime reads the inside of a TAG block. want is empty when it is good; has
// says whether it gives a time.
func tagTime(b []byte) (unix float64, has bool, value, want string) {
	star := bytes.IndexByte(b, '*')
	if star < 0 || star != len(b)-3 || !isHex(b[star+1]) || !isHex(b[star+2]) {
		return 0, false, "has no checksum", "*hh"
	}
	if got, sent := checksum(b[:star]), unhex(b[star+1])<<4|unhex(b[star+2]); got != sent {
		return 0, false, fmt.Sprintf("has checksum %02X", sent), fmt.Sprintf("%02X", got)
	}
	for rest := b[:star]; len(rest) > 0; {
		item := rest
		if k := bytes.IndexByte(rest, ','); k >= 0 {
			item, rest = rest[:k], rest[k+1:]
		} else {
			rest = nil
		}
		if len(item) < 2 || item[0] != 'c' || item[1] != ':' {
			continue
		}
		v, ok := decimal(alias(item[2:]))
		switch {
		case !ok || v < 1e8 || v >= 1e20: // 0 is what loggers without a clock write
			return 0, false, fmt.Sprintf("has time %q", item[2:]), "Unix s, ms, us or ns"
		case v >= 1e17:
			v /= 1e9
		case v >= 1e14:
			v /= 1e6
		case v >= 1e11: // ms: as seconds it would be past the year 5000
			v /= 1e3
		}
		unix, has = v, true
	}
	return unix, has, "", ""
}

// checksum is the exclusive or of all bytes.
func checksum(b []byte) (x byte) {
	for _, c := range b {
		x ^= c
	}
	return x
}

func unhex(c byte) byte {
	switch {
	case c <= '9':
		return c - '0'
	case c <= 'F':
		return c - 'A' + 10
	default:
		return c - 'a' + 10
	}
}
