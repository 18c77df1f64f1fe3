package inject

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
)

// sentence is one line taken apart: "$" fields "*hh".
type sentence struct {
	kind  string // GGA
	field [][]byte
}

// split takes "$...*hh" apart.
func split(text []byte) (s sentence, ok bool) {
	star := bytes.LastIndexByte(text, '*')
	if len(text) < 7 || text[0] != '$' || star < 6 {
		return s, false
	}
	s.field = bytes.Split(text[1:star], []byte{','})
	if a := s.field[0]; len(a) >= 5 && a[0] != 'P' {
		s.kind = string(a[len(a)-3:])
	}
	return s, true
}

// join puts s together again with its checksum.
func (s *sentence) join() []byte {
	return nmea.AppendSentence(nil, string(bytes.Join(s.field, []byte{','})))
}

func (s *sentence) get(i int) []byte {
	if i >= 0 && i < len(s.field) {
		return s.field[i]
	}
	return nil
}

func (s *sentence) set(i int, v string) {
	if i < len(s.field) {
		s.field[i] = []byte(v)
	}
}

func (s *sentence) number(i int) (v float64, ok bool) {
	b := s.get(i)
	if len(b) == 0 {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(b), 64)
	return v, err == nil
}

// setLike writes v with as many decimals as the field has.
func (s *sentence) setLike(i int, v float64) {
	b := s.get(i)
	d := 0
	if dot := bytes.IndexByte(b, '.'); dot >= 0 {
		d = len(b) - dot - 1
	}
	s.set(i, strconv.FormatFloat(v, 'f', d, 64))
}

// timeField returns the field of the UTC time of day, -1 where there is none.
func (s *sentence) timeField() int {
	switch s.kind {
	case "GGA", "RMC", "GNS", "GST", "ZDA", "GBS":
		return 1
	case "GLL":
		return 5
	}
	return -1
}

// positionField returns the first of the four position fields, -1 where there
// are none.
func (s *sentence) positionField() int {
	switch s.kind {
	case "GGA", "GNS":
		return 2
	case "RMC":
		return 3
	case "GLL":
		return 1
	}
	return -1
}

// timeOfDay reads hhmmss.ss, s of the UTC day.
func timeOfDay(b []byte) (float64, bool) {
	if len(b) < 6 {
		return 0, false
	}
	h, e1 := strconv.Atoi(string(b[:2]))
	m, e2 := strconv.Atoi(string(b[2:4]))
	s, e3 := strconv.ParseFloat(string(b[4:]), 64)
	if e1 != nil || e2 != nil || e3 != nil || h < 0 || h > 23 || m < 0 || m > 59 || !(s >= 0 && s < 61) {
		return 0, false
	}
	return float64(h*3600+m*60) + s, true
}

// advance puts the time of day in field i forward by so many s, with as many
// decimals as it has.
func (s *sentence) advance(i int, by float64) {
	tod, ok := timeOfDay(s.get(i))
	if !ok {
		return
	}
	d := max(0, len(s.get(i))-7)
	unit := math.Pow10(d)
	n := int64(math.Round((tod+by)*unit)) + 86400*int64(unit)
	sec, rest := n/int64(unit)%86400, n%int64(unit)
	v := fmt.Sprintf("%02d%02d%02d", sec/3600, sec/60%60, sec%60)
	if d > 0 {
		v += fmt.Sprintf(".%0*d", d, rest)
	}
	s.set(i, v)
}

// shift moves the position by e and n metres, and the height by u where the
// sentence has one.
func (s *sentence) shift(e, n, u float64) {
	i := s.positionField()
	if i < 0 {
		return
	}
	lat, ok1 := readAngle(s.get(i), s.get(i+1))
	lon, ok2 := readAngle(s.get(i+2), s.get(i+3))
	if !ok1 || !ok2 {
		return
	}
	meridian, prime := geodesy.Radii(lat)
	s.setAngle(i, lat+n/meridian, 2, 'N', 'S')
	s.setAngle(i+2, lon+e/(prime*math.Cos(lat)), 3, 'E', 'W')
	if s.kind == "GGA" || s.kind == "GNS" {
		if alt, ok := s.number(9); ok && u != 0 {
			s.setLike(9, alt+u)
		}
	}
}

// readAngle reads (d)ddmm.mmmm and a hemisphere letter, rad.
func readAngle(b, hemi []byte) (float64, bool) {
	dot := bytes.IndexByte(b, '.')
	if dot < 0 {
		dot = len(b)
	}
	if dot < 4 || len(hemi) != 1 {
		return 0, false
	}
	deg, e1 := strconv.ParseFloat(string(b[:dot-2]), 64)
	mnt, e2 := strconv.ParseFloat(string(b[dot-2:]), 64)
	if e1 != nil || e2 != nil {
		return 0, false
	}
	a := (deg + mnt/60) * geodesy.Degree
	if hemi[0] == 'S' || hemi[0] == 'W' {
		a = -a
	}
	return a, true
}

// setAngle writes an angle with as many decimals of a minute as the field has.
func (s *sentence) setAngle(i int, a float64, width int, plus, minus byte) {
	b, d := s.get(i), 0
	if dot := bytes.IndexByte(b, '.'); dot >= 0 {
		d = len(b) - dot - 1
	}
	v, side, _ := strings.Cut(nmea.Angle(a/geodesy.Degree, width, d, plus, minus), ",")
	s.set(i, v)
	s.set(i+1, side)
}

// erase empties the position and says that there is no fix.
func (s *sentence) erase() {
	if i := s.positionField(); i >= 0 {
		for k := range 4 {
			s.set(i+k, "")
		}
	}
	switch s.kind {
	case "GGA":
		for _, i := range []int{8, 9, 11, 13, 14} {
			s.set(i, "")
		}
		s.set(6, "0")
		s.set(7, "00")
	case "GNS":
		s.set(6, "NN")
		for _, i := range []int{8, 9, 10, 11, 12} {
			s.set(i, "")
		}
		s.set(7, "00")
	case "RMC":
		s.set(2, "V")
		s.set(7, "")
		s.set(8, "")
		s.set(12, "N")
	case "GLL":
		s.set(6, "V")
		s.set(7, "N")
	case "VTG":
		for _, i := range []int{1, 3, 5, 7} {
			s.set(i, "")
		}
		s.set(9, "N")
	case "GST":
		for i := 2; i <= 8; i++ {
			s.set(i, "")
		}
	}
}

// level is how good the rover's solution is.
type level uint8

const (
	asReceived level = iota
	float
	single
)

// degrade writes a worse quality and what goes with it: mode letters, sigmas.
func (s *sentence) degrade(l level, m *Model) {
	quality, mode, sigma := "5", "F", m.FloatSigma
	if l == single {
		quality, mode, sigma = "1", "A", m.SingleSigma
	}
	switch s.kind {
	case "GGA":
		if q := s.get(6); len(q) == 1 && (q[0] == '4' || q[0] == '5' && l == single) {
			s.set(6, quality)
		}
		if l == single {
			s.set(13, "")
			s.set(14, "")
		}
	case "GNS":
		b := bytes.ReplaceAll(s.get(6), []byte("R"), []byte(mode))
		if l == single {
			b = bytes.ReplaceAll(b, []byte("F"), []byte(mode))
			s.set(11, "")
			s.set(12, "")
		}
		s.set(6, string(b))
	case "RMC":
		s.mode(12, mode, l)
	case "VTG":
		s.mode(9, mode, l)
	case "GLL":
		s.mode(7, mode, l)
	case "GST":
		for i, k := range [...]float64{3: 1.1, 4: 1, 6: 1.1, 7: 1, 8: 1.8} {
			if v, ok := s.number(i); ok && k > 0 {
				s.setLike(i, math.Max(v, k*sigma))
			}
		}
	}
}

func (s *sentence) mode(i int, letter string, l level) {
	if b := s.get(i); len(b) == 1 && (b[0] == 'R' || b[0] == 'F' && l == single) {
		s.set(i, letter)
	}
}

// lose takes a share of the satellites away.
func (s *sentence) lose(share float64) {
	switch s.kind {
	case "GGA", "GNS":
		if v, ok := s.number(7); ok {
			s.set(7, fmt.Sprintf("%02.0f", math.Max(4, math.Round(v*(1-share)))))
		}
		if v, ok := s.number(8); ok {
			s.setLike(8, v/(1-0.8*share))
		}
	case "GSV":
		for i := 7; i < len(s.field); i += 4 {
			if v, ok := s.number(i); ok && v > 0 {
				if (i/4)%5 < int(math.Round(5*share)) {
					s.set(i, "") // no longer tracked
				} else {
					s.set(i, fmt.Sprintf("%02.0f", math.Max(10, v-10)))
				}
			}
		}
	}
}

// dim lowers all C/N0 alike; satellites below what a receiver tracks are lost.
func (s *sentence) dim(dB float64) {
	switch s.kind {
	case "GGA", "GNS":
		// Of satellites between 32 and 48 dB-Hz.
		share := math.Max(0, math.Min(1, (dB-10)/16))
		if v, ok := s.number(7); ok {
			s.set(7, fmt.Sprintf("%02.0f", math.Round(v*(1-share))))
		}
	case "GSV":
		for i := 7; i < len(s.field); i += 4 {
			if v, ok := s.number(i); ok && v > 0 {
				if v -= dB; v < weakest {
					s.set(i, "") // no longer tracked
				} else {
					s.set(i, fmt.Sprintf("%02.0f", v))
				}
			}
		}
	}
}
