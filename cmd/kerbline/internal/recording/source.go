package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"

	"kerbline/cmd/kerbline/internal/positions"
	"kerbline/fusion"
	"kerbline/fusion/columns"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// form is how a file holds its records.
type form uint8

const (
	formCSV       form = iota // t,... : IMU, wheel
	formHex                   // t,hex : corrections
	formSentences             // NMEA with TAG blocks
	formUntimed               // NMEA without
	formFixes                 // a table of positions
	formFrames                // RTCM 3 bytes without times
	formRINEX                 // observations in RINEX
)

// source yields the records of one file in file order.
type source struct {
	ch   fusion.Channel
	in   *input
	file io.ReadSeekCloser
	lines
	clock

	rec     fusion.Record
	refused *refusal // why rec holds no data
	ended   bool
	at      int64 // bytes so far, where they tell the time
}

// lines is what differs between forms.
type lines interface {
	next() bool                      // reads the next piece
	time() (t float64, bad *refusal) // its host time, NaN when it has none
	peekTime() float64               // that of the piece after it; may move the data
	data() []byte                    // nil without a refusal: it was a header
	failure() error                  // what kept the file from being read on
}

type refusal struct {
	why  fusion.Refusal
	note string
}

// advance reads the next record into s.rec.
func (s *source) advance() {
	for s.next() {
		t, bad := s.time()
		if k := s.in.spread; k > 0 {
			s.at += int64(len(s.data()))
			s.key = s.in.begin + k*float64(s.at)
			s.host = s.key
		} else if !math.IsNaN(t) {
			s.line(s.in.arrival(t), func() float64 { return s.in.arrival(s.peekTime()) })
		}
		if data := s.data(); data != nil || bad != nil {
			s.rec.T, s.rec.Data, s.refused = s.host, data, bad
			return
		}
	}
	s.ended = true
}

// csvFile holds lines with their host time in one of the columns.
type csvFile struct {
	*lineReader
	table columns.Table
}

func (c *csvFile) time() (float64, *refusal) { return tableTime(&c.table, c.piece()), nil }
func (c *csvFile) peekTime() float64         { return tableTime(&c.table, c.peek()) }

// tableTime returns the time of a line, NaN where it has none. A line of names
// changes the columns.
func tableTime(table *columns.Table, line []byte) float64 {
	if !table.Header(line) {
		if t, ok := table.Time(line); ok {
			return t
		}
	}
	return math.NaN()
}

// hexFile holds lines t,hex.
type hexFile struct {
	csvFile
	name  string
	line  int
	inner bool   // the piece does not begin a line
	bytes []byte // nil when the piece holds none
	buf   []byte
}

func (h *hexFile) data() []byte { return h.bytes }

func (h *hexFile) time() (float64, *refusal) {
	h.bytes = nil
	p := h.piece()
	whole, inner := p[len(p)-1] == '\n' || h.eof && h.to == h.end, h.inner
	h.inner = p[len(p)-1] != '\n'
	if inner {
		return math.NaN(), nil // the rest of a line that was too long
	}
	h.line++
	if !whole {
		return math.NaN(), h.refuse(fusion.RefusedTooLong, "over %d bytes", len(p))
	}
	p = bytes.TrimSpace(bytes.TrimPrefix(p, []byte("\ufeff")))
	t := tableTime(&h.table, p)
	at, digits, _ := bytes.Cut(p, []byte{','})
	switch {
	case fusion.NoData(p, h.line):
		return math.NaN(), nil
	case math.IsNaN(t):
		return t, h.refuse(fusion.RefusedField, "time is %.40q, want Unix s", at)
	case len(digits) == 0 || len(digits)%2 != 0:
		return t, h.refuse(fusion.RefusedField, "%d hexadecimal digits, want two a byte", len(digits))
	}
	h.buf = h.buf[:0]
	for i := 0; i < len(digits); i += 2 {
		b := int(nibble[digits[i]])<<4 | int(nibble[digits[i+1]])
		if b < 0 {
			return t, h.refuse(fusion.RefusedField, "digits %.2q, want 0-9, a-f", digits[i:])
		}
		h.buf = append(h.buf, byte(b))
	}
	h.bytes = h.buf
	return t, nil
}

func (h *hexFile) refuse(why fusion.Refusal, format string, args ...any) *refusal {
	return &refusal{why, fmt.Sprintf("%s: line %d: %s", h.name, h.line, fmt.Sprintf(format, args...))}
}

// nibble is the value of a hexadecimal digit, -1 for other bytes.
var nibble = func() (n [256]int8) {
	for i := range n {
		n[i] = -1
	}
	for i := range 10 {
		n['0'+i] = int8(i)
	}
	for i := range 6 {
		n['a'+i], n['A'+i] = int8(10+i), int8(10+i)
	}
	return n
}()

// taggedFile holds sentences with the host time in TAG blocks.
type taggedFile struct {
	*lineReader
	framer nmea.Framer
	t      float64
	onLine func(nmea.Line)
}

func newTaggedFile(l *lineReader) *taggedFile {
	f := &taggedFile{lineReader: l}
	l.most, l.cut = maxPiece, cutSentences
	f.onLine = func(l nmea.Line) {
		if l.Tagged {
			f.t = l.T
		}
	}
	return f
}

func (f *taggedFile) time() (float64, *refusal) {
	f.t = math.NaN()
	f.framer.Push(0, f.piece(), f.onLine)
	return f.t, nil
}

func (f *taggedFile) peekTime() float64 {
	t := math.NaN()
	var fr nmea.Framer
	fr.Push(0, f.peek(), func(l nmea.Line) {
		if l.Tagged {
			t = l.T
		}
	})
	return t
}

// untimedFile holds sentences without host times: they get their own UTC plus
// the latency. While a receiver knows no time, its fixes are taken to go on at
// the spacing they had.
type untimedFile struct {
	*lineReader
	framer  nmea.Framer
	parser  *nmea.Parser
	utc     float64             // Unix s of the newest sentence
	spacing float64             // s, between fixes
	had     [nmea.NumTypes]bool // sentences of the present fix
	seen    bool                // something in this piece had a time
	latency float64             // s
	onLine  func(nmea.Line)
}

// maxSpacing bounds what is taken for the spacing of fixes and not for a gap, s.
const maxSpacing = 2.0

func newUntimedFile(l *lineReader, utc, latency float64) *untimedFile {
	f := &untimedFile{lineReader: l, parser: nmea.NewParser(), utc: utc, spacing: 1, latency: latency}
	l.most, l.cut = maxPiece, cutSentences
	f.onLine = func(l nmea.Line) {
		s := sentence(f.parser, l)
		if s == nil {
			return
		}
		utc, ok := sentenceUTC(s, f.utc)
		next := ok && math.Abs(utc-f.utc) > sameFix
		switch d := utc - f.utc; {
		case next && d > 0 && d <= maxSpacing:
			f.spacing = d
		case !ok && (s.Type == nmea.GGA || s.Type == nmea.RMC || s.Type == nmea.GNS):
			utc, ok = f.utc, true
			if next = f.had[s.Type]; next {
				utc += f.spacing
			}
		}
		if next {
			f.had = [nmea.NumTypes]bool{}
		}
		f.had[s.Type] = true
		if ok {
			f.utc, f.seen = utc, true
		}
	}
	return f
}

// sameFix is what the times of one fix may differ by, s.
const sameFix = 0.005

// sentence reads a line, nil when it is none.
func sentence(p *nmea.Parser, l nmea.Line) *nmea.Sentence {
	if l.Err != nil {
		return nil
	}
	s, err := p.Parse(l.Text)
	if err != nil {
		return nil
	}
	return s
}

// sentenceUTC returns the UTC of a sentence, Unix s; where it has no
// date, that of the day that brings it nearest to near.
func sentenceUTC(s *nmea.Sentence, near float64) (utc float64, ok bool) {
	switch {
	case math.IsNaN(s.Time):
		return 0, false
	case s.Date >= 0:
		return float64(s.Date)*day + s.Time, true
	}
	return s.Time + day*math.Round((near-s.Time)/day), true
}

const day = 86400.0 // s

func (f *untimedFile) time() (float64, *refusal) {
	f.seen = false
	f.framer.Push(0, f.piece(), f.onLine)
	if !f.seen {
		return math.NaN(), nil
	}
	return f.utc + f.latency, nil
}

// peekTime confirms every step: a time behind a good checksum is no damaged
// digit, and the sentence after it need not carry a time at all.
func (f *untimedFile) peekTime() float64 { return f.utc + f.latency }

// fixFile holds a table of positions. Its lines become the sentences that a
// receiver would have sent; like those without host times they get their own
// UTC plus the latency.
type fixFile struct {
	csvFile
	name      string
	line      int
	latency   float64 // s
	qualities map[int]int
	out       []byte
}

func (f *fixFile) time() (float64, *refusal) {
	f.out = f.out[:0]
	f.line++
	line := bytes.TrimRight(f.piece(), "\r\n")
	if f.table.Header(line) || fusion.NoData(line, f.line) {
		return math.NaN(), nil
	}
	fix, at, ok := f.read(line)
	if !ok {
		return math.NaN(), &refusal{fusion.RefusedField, fmt.Sprintf("%s: line %d: %s cannot be read, want the columns %s", f.name, f.line, at, f.table.String())}
	}
	f.out = fix.Append(f.out)
	return fix.UTC + f.latency, nil
}

// read turns a line into a fix; at names the first column that is wrong.
func (f *fixFile) read(line []byte) (fix positions.Fix, at string, ok bool) {
	var v [columns.NumFix]float64
	bad, _ := f.table.Numbers(line, v[:])
	get := func(q columns.Quantity) float64 { return v[f.table.Wanted(q)] }
	if bad >= 0 && f.table.Has(f.table.Quantity(bad)) {
		return fix, f.table.Name(bad), false
	}
	fix = positions.Fix{UTC: get(columns.Time), Lat: get(columns.Lat), Lon: get(columns.Lon), H: get(columns.Height), Sats: -1,
		HDOP: get(columns.HDOP), Age: get(columns.Age), E: get(columns.SigmaE), N: get(columns.SigmaN), U: get(columns.SigmaU),
		VelE: get(columns.VelE), VelN: get(columns.VelN)}
	if !(fix.UTC >= 0 && fix.UTC < columns.MaxUnix) {
		return fix, "t", false
	}
	if n := get(columns.Sats); n >= 0 && n < 1000 {
		fix.Sats = int(n)
	}
	fix.Quality = fix.Guess()
	if q := get(columns.Quality); !math.IsNaN(q) {
		fix.Quality = int(q)
		if f.qualities != nil {
			fix.Quality = f.qualities[int(q)] // 0, none, for a code that is not named
		}
	}
	return fix, "", true
}

func (f *fixFile) peekTime() float64 {
	if t, ok := f.table.Time(bytes.TrimRight(f.peek(), "\r\n")); ok {
		return t + f.latency
	}
	return math.NaN()
}

func (f *fixFile) data() []byte {
	if len(f.out) == 0 {
		return nil
	}
	return f.out
}

// framesFile holds RTCM 3 bytes without host times. Bytes get the time of the
// MSM epoch that was last complete, moved by offset; where no message has an
// epoch, they are spread evenly over the recording.
type framesFile struct {
	f       io.Reader
	buf     [64]byte // less than most frames, so each gets its own epoch's time
	n       int
	err     error
	scanner rtcm.Scanner
	clock   rtcm.EpochClock
	onFrame func(*rtcm.Message)
	t       float64 // host Unix s
	offset  float64 // s, host time - epoch
	even    float64 // s a byte, when spread evenly; else 0
	count   func(n int64)
}

// linkLatency is what a correction takes from its epoch to the car, s, where
// nothing was recorded of it.
const linkLatency = 0.5

func (f *framesFile) next() bool {
	n, err := io.ReadFull(f.f, f.buf[:])
	f.n = n
	f.count(int64(n))
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		f.err = err
	}
	return n > 0
}

func (f *framesFile) time() (float64, *refusal) {
	if f.even > 0 {
		f.t += f.even * float64(f.n)
	} else {
		f.scanner.Push(f.buf[:f.n], f.onFrame, nil)
	}
	return f.t, nil
}

func (f *framesFile) data() []byte { return f.buf[:f.n] }

func (f *framesFile) frame(m *rtcm.Message) {
	if utc := f.clock.Epoch(m, f.t-f.offset); !math.IsNaN(utc) {
		f.t = utc + f.offset
	}
}

// peekTime confirms every step: the epoch of a frame with a good CRC is no
// damaged digit.
func (f *framesFile) peekTime() float64 { return f.t }
func (f *framesFile) failure() error    { return f.err }
